"""A walk over every path of a protocol in one mode. Pure.

Where a path leads depends on the stop alone, never on the surfaces, and what an event does to the surfaces depends on
the event alone. So the successors of a stop are asked of the navigation once, and each consequence is computed once for
each state of the surfaces; the walk itself only puts the two together.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from voicecoach.checker.consequences import Consequence, Consequences
from voicecoach.checker.route import CALLED_OFF, FALSE, Route, Spot, Stop, happening
from voicecoach.checker.rules import BY_NAME, WAIVED, Severity
from voicecoach.checker.world import ENTERED, HURRIED, Violation, World
from voicecoach.protocol.model import Act, Protocol, Step
from voicecoach.protocol.navigation.position import NO_AIR

MAX_STATES = 200_000
FAULTS = ("loose", "open", "torn", "soiled", "skin-showing")
"""Faults that an observer who says 'not clear' may name."""


class Point(NamedTuple):
    """A point on a path: where the session waits, how the surfaces are, and the deviations so far."""

    stop: Stop
    world: World
    used: int

    @property
    def spot(self) -> Spot:
        """The place at which the session waits."""
        return self.stop.spot


class Transition(NamedTuple):
    """What can come next.

    step: the one that it is about, '' for none. event: what happens, '' for the step's own answer. after: the point to
    which this leads, None at the end. found: the rules that it breaks.
    """

    step: str
    event: str
    after: Point | None
    found: tuple[Violation, ...] = ()


class Move(NamedTuple):
    """How a point was reached: the previous point, and step and event as in Transition."""

    before: Point | None
    step: str
    event: str


@dataclass(frozen=True, slots=True)
class Counterexample:
    """A broken rule and the shortest path to it.

    path: (step, event) pairs; event '' is the step's own answer. used: how many things went wrong on it.
    """

    found: Violation
    mode: str
    path: tuple[tuple[str, str], ...]
    used: int

    @property
    def severity(self) -> Severity:
        """Of rules.SEVERITIES."""
        return BY_NAME[self.found.rule].severity


class Successor(NamedTuple):
    """What can come next at a stop, whatever the state of the surfaces.

    step, event: as in Transition. after: where it leads, None at the end. cost: how many more things have gone wrong.
    hurries: it leads into an emergency branch, after which some rules are waived.
    """

    step: str
    event: str
    consequence: Consequence
    after: Stop | None
    cost: int = 0
    hurries: bool = False


class _Junction(NamedTuple):
    """All of a point that decides what can come next. entered: work has begun, the one thing needed of its surfaces."""

    stop: Stop
    entered: bool
    used: int

    def after(self, successor: Successor) -> _Junction | None:
        """Where a successor leads, None at the end."""
        if successor.after is None:
            return None
        return _Junction(successor.after, self.entered or successor.event == "work begins", self.used + successor.cost)


class Walk:
    """All paths of one mode, by number of deviations and then by length; equal points are visited once."""

    def __init__(
        self,
        protocol: Protocol,
        mode: str,
        most: int,
        max_states: int = MAX_STATES,
        consequences: Consequences | None = None,
    ) -> None:
        self.protocol, self.mode, self.most, self.max_states = protocol, mode, most, max_states
        self.consequences = consequences or Consequences(protocol)
        self.model, self.route = self.consequences.model, Route(protocol, mode)
        self.moves: dict[Point, Move] = {}
        self.counters: dict[tuple[str, str, str], Counterexample] = {}
        self.cut = False
        self._emergencies = {branch.name for branch in protocol.branches if branch.emergency}
        self._usual: dict[tuple[Stop, bool], tuple[Successor, ...]] = {}
        self._amiss: dict[tuple[Stop, bool], tuple[Successor, ...]] = {}

    def start(self) -> Point:
        """Where every path begins."""
        return Point(self.route.start(), self.model.start(), 0)

    def run(self) -> None:
        """Walk."""
        first = self.start()
        moves = self.moves
        moves[first] = Move(None, "", "")
        layers: list[list[Point]] = [[first], *([] for _ in range(self.most))]
        for layer in layers:
            for point in layer:  # grows while it is read
                for step, event, after, found in self.leave(point):
                    if found:
                        self._note(found, point, step, event, after.used if after else point.used)
                    if after is None or after in moves:
                        continue
                    if len(moves) >= self.max_states:
                        self.cut = True
                        continue
                    moves[after] = Move(point, step, event)
                    layers[after.used].append(after)

    def leave(self, point: Point) -> Iterator[Transition]:
        """Everything that can come next."""
        for step, event, consequence, stop, cost, hurries in self._successors(
            point.stop, bool(point.world.flags & ENTERED), point.used
        ):
            world, found = consequence.on(point.world)
            if hurries and world.flags & (ENTERED | HURRIED) == ENTERED:
                world = self.consequences.one(world._replace(flags=world.flags | HURRIED))
            yield Transition(step, event, None if stop is None else Point(stop, world, point.used + cost), found)

    def come_to(self, step: Step) -> Point | None:
        """Walk the path on which `step` is read first, and no other; `path_to` then knows it.

        Returns:
            The first such point that `run` would come to, None when no path reads the step.
        """
        way = self._way_to(step)
        if way is None:
            return None
        point = self.start()
        self.moves[point] = Move(None, "", "")
        for number in way:
            transition = next(itertools.islice(self.leave(point), number, None))
            assert transition.after is not None  # the end leads nowhere, so no way goes over it
            self.moves[transition.after] = Move(point, transition.step, transition.event)
            point = transition.after
        return point

    def _way_to(self, step: Step) -> tuple[int, ...] | None:
        """For each stop on the path to the first that reads `step`, which of its successors follows; None for no path.

        Searched in the order of `run`, but without the surfaces, since they do not decide where a path leads: so the
        first path found is the same.
        """
        first = _Junction(self.route.start(), entered=False, used=0)
        came: dict[_Junction, tuple[_Junction, int] | None] = {first: None}
        layers: list[list[_Junction]] = [[first], *([] for _ in range(self.most))]
        found = first if _reads(first.stop, step) else None
        for here in itertools.chain.from_iterable(layers):  # they grow while they are read
            if found is not None:
                break
            for number, successor in enumerate(self._successors(*here)):
                after = here.after(successor)
                if after is None or after in came:
                    continue
                came[after] = here, number
                layers[after.used].append(after)
                if _reads(after.stop, step):
                    found = after
                    break
        if found is None:
            return None
        way: list[int] = []
        while (link := came[found]) is not None:
            found, number = link
            way.append(number)
        return tuple(reversed(way))

    def paths(self) -> int:
        """The number of different paths from the start to an end, as far as they were walked."""
        first = _Junction(self.route.start(), False, 0)
        count: dict[_Junction, int] = {}
        stack = [(first, False)]
        while stack:
            here, back = stack.pop()
            if here in count:
                continue
            successors = self._successors(*here) if (here.stop, here.entered) in self._usual else ()
            onward = [after for s in successors if (after := here.after(s)) is not None]
            if back:
                ends = any(s.after is None for s in successors)
                count[here] = sum(count.get(after, 1) for after in onward) + (ends or not onward)
            else:
                stack.append((here, True))
                stack.extend((after, False) for after in onward if after not in count)
        return count[first]

    def path_to(self, point: Point) -> tuple[tuple[str, str], ...]:
        """The steps and events on the shortest path to `point`."""
        path: list[tuple[str, str]] = []
        here: Point | None = point
        while here is not None:
            move = self.moves[here]
            if move.step or move.event:
                path.append((move.step, move.event))
            here = move.before
        return tuple(reversed(path))

    def _successors(self, stop: Stop, entered: bool, used: int) -> tuple[Successor, ...]:
        """Everything that can come next at a stop once `used` things have gone wrong. entered: work has begun."""
        usual = self._usual.get((stop, entered))
        if usual is None:
            usual = self._usual[stop, entered] = tuple(self._list(stop, entered))
        if used == self.most or (stop.spot.kind == "work" and not entered):
            return usual
        amiss = self._amiss.get((stop, not used))
        if amiss is None:
            amiss = tuple(self._deviations(stop))
            amiss += () if used else tuple(self._false_alarms(stop))
            self._amiss[stop, not used] = amiss
        return usual + amiss

    def _list(self, stop: Stop, entered: bool) -> Iterator[Successor]:
        """What comes next with nothing more going wrong."""
        spot, step = stop.spot, stop.spot.step
        if spot.kind == "work":
            if entered:
                yield self._successor("", "start removal", stop)
            else:
                yield Successor("", "work begins", self.consequences.happened("work begins"), stop)
        elif spot.kind == "step" and step is not None:
            yield self._led(step.name, "", self.consequences.done(step), self.route.go("", self.route.done(stop)))
        elif spot.question == "end":
            yield Successor("", "the end", self.consequences.happened("the end"), None)
        elif spot.question == "torn-piece":
            for item in self.route.pieces(stop):
                yield self._successor("", f"piece: {item}", stop, Step("", "", acts=(Act("inspect", item),)))
        else:
            yield self._successor("", "", stop)
        if self.route.can_be_called_off(stop):
            yield self._successor(spot.name, CALLED_OFF, stop)
        for event, branch in _called(spot):  # what goes wrong twice running counts once
            if step is not None and self.route.replaced(step, branch, stop):
                yield self._successor(step.name, event, stop, step)

    def _deviations(self, stop: Stop) -> Iterator[Successor]:
        """One more thing goes wrong."""
        spot, step = stop.spot, stop.spot.step
        if spot.kind == "step" and step is not None:
            yield from self._went_wrong(stop, step, self.route.go("", self.route.done(stop)), "went-wrong")
        elif spot.kind == "confirm" and step is not None:
            yield from self._went_wrong(stop, step, self.route.go("", stop), "went-wrong, told later")
        elif spot.kind == "question" and spot.question not in {"end", "torn-piece"}:
            yield self._successor("", "skin exposed", stop, cost=1)
        for event, branch in _called(spot):
            if step is not None and not self.route.replaced(step, branch, stop):
                yield self._successor(step.name, event, stop, step, cost=1)
        for event in self._interruptions(spot):
            yield self._successor(spot.name, event, stop, cost=1)

    def _went_wrong(self, stop: Stop, step: Step, there: Stop, event: str) -> Iterator[Successor]:
        """'Went wrong', said of `step` once it is answered, while the next answer is awaited. If that is for the
        observer, it is said of the step that the observer looks at. Nobody goes back to an earlier stage.
        """
        spot = there.spot
        about = spot.step if spot.kind == "confirm" and spot.step else step
        left = spot.place.stage in {"work", "undress"} and spot.place.stage != stop.spot.place.stage
        if not (about.repair or self.protocol.rejoin) or spot.kind not in {"step", "confirm"} or left:
            return
        consequence = self.consequences.gone_wrong(step if stop.spot.kind == "step" else None)
        yield self._led(about.name, event, consequence, self.route.go("went-wrong", there, about), cost=1)

    def _false_alarms(self, stop: Stop) -> Iterator[Successor]:
        """An incident is called out that is none; nothing else goes wrong on that path."""
        for event in self._interruptions(stop.spot):
            if event.startswith("breach: ") or event == "touched":
                yield self._successor(stop.spot.name, f"{FALSE}{event}", stop, cost=self.most)

    def _interruptions(self, spot: Spot) -> Iterator[str]:
        """What can happen at any point."""
        answers = dict(spot.step.branches) if spot.step and spot.kind == "step" else {}  # there the word is an answer
        yield from (f"breach: {kind}" for kind in self.route.breaches(spot.place.stage) if kind not in answers)
        if self.protocol.rejoin:
            yield "pause"
        if self.protocol.touched:
            yield "touched"
        if self.protocol.wearer_down:
            yield "wearer down"

    def _successor(self, name: str, event: str, stop: Stop, about: Step | None = None, *, cost: int = 0) -> Successor:
        """Where an event leads. about: the step in which something is found."""
        whole = stop.spot.place.stage == "work" and event.startswith("breach: ")
        what = "" if stop.memory.struck and event.startswith("piece: ") else happening(event)  # it was a false alarm
        consequence = self.consequences.happened(what, about, whole=whole)
        return self._led(name, event, consequence, self.route.go(event, stop), cost=cost)

    def _led(self, name: str, event: str, consequence: Consequence, after: Stop, *, cost: int = 0) -> Successor:
        hurries = any(one.branch in self._emergencies for one in after.spot.place.detours)
        return Successor(name, event, consequence, after, cost, hurries)

    def _note(self, found: tuple[Violation, ...], point: Point, step: str, event: str, used: int) -> None:
        for one in found:
            if point.world.flags & HURRIED and (one.rule in WAIVED or self._for_air(one, point)):
                continue
            key = (one.rule, one.step, one.at)
            if key not in self.counters:
                path = (*self.path_to(point), (step, event))
                self.counters[key] = Counterexample(one, self.mode, path, used)

    def _for_air(self, found: Violation, point: Point) -> bool:
        """Whether this is a bare hand lifting a hood that has no air: that can't wait for gloves, and a rub follows."""
        step, detours = point.spot.step, point.spot.place.detours
        lifts = step is not None and any(
            self.protocol.item(a.target).say == "hood" for a in step.acts if a.kind == "doff"
        )
        return found.rule == "dirty-at-hand" and lifts and bool(detours) and detours[-1].cause == NO_AIR


def _reads(stop: Stop, step: Step) -> bool:
    return stop.spot.kind == "step" and stop.spot.step is step


def _called(spot: Spot) -> Iterator[tuple[str, str]]:
    """The events that call a branch of the step there, with the branch: its answers, or the faults that the observer
    may name.
    """
    step = spot.step
    if step is None or spot.kind == "step":
        yield from step.branches if step else ()
        return
    faults = {answer: branch for answer, branch in step.branches if answer in FAULTS}
    for fault, branch in (faults or ({"loose": step.repair} if step.repair else {})).items():
        yield f"not clear: {fault}", branch
