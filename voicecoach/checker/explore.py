"""Every path through a protocol, within stated bounds, and the shortest one that breaks a rule. Pure.

The paths are those of a session, found by the same navigation: the list as written, and at each place whatever may
happen there: an answer that calls a branch, 'went wrong', the observer's 'not clear', a pause, a touch, each kind of
breach, the wearer collapsing, or 'yes' to a question about the skin. At most one or two of these happen on a path.
('Not finished' is left out, since it only repeats a step.) Each path is walked for a wearer alone, with an observer,
and with an assistant, as far as the protocol's roles allow.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from voicecoach.checker.contamination import ContactModel
from voicecoach.checker.route import Memory, Route, Spot, Stop, happening
from voicecoach.checker.rules import BY_NAME, SEVERITIES, WAIVED, Severity
from voicecoach.checker.world import ENTERED, HURRIED, Violation, World
from voicecoach.protocol.ledger import Ledger
from voicecoach.protocol.model import Act, Protocol, Step
from voicecoach.protocol.navigation.position import NO_AIR

MAX_STATES = 200_000
USUAL = frozenset({"", "work begins", "start removal", "the end"})
"""Events of the list as written; all others are deviations."""


@dataclass(frozen=True, slots=True, eq=False)
class WalkState:
    """The surfaces, the session's ledger, and what else the session remembers; one value for each state of a walk."""

    world: World
    ledger: Ledger
    memory: Memory


class Point(NamedTuple):
    """A point on a path: where the session waits, the state, and the deviations so far."""

    spot: Spot
    state: WalkState
    used: int


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


@dataclass(frozen=True, slots=True)
class Explored:
    """The result: broken rules, each with its shortest path; how much was walked; whether a bound cut it short."""

    counters: tuple[Counterexample, ...]
    paths: int
    states: int
    modes: tuple[str, ...]
    bounded: bool


def modes(protocol: Protocol) -> tuple[str, ...]:
    """Who can be there when the protocol is read: 'solo', 'pair' or 'assistant', or several of them."""
    steps = [step for plan in protocol.stages for step in plan.steps]
    if any(step.role == "assistant" or "assistant" in step.also for step in steps):
        return ("assistant",)
    if any(
        step.role == "observer" and any(act.kind not in {"inspect", "verify"} for act in step.acts) for step in steps
    ):
        return ("pair",)  # the observer's hands are needed
    return ("solo", "pair")


@lru_cache(maxsize=64)
def as_written(protocol: Protocol, mode: str) -> tuple[tuple[str, Step], ...]:
    """The steps that are read when nothing goes wrong, each with its stage, and 'work' where work begins."""
    route = Route(protocol, mode)
    found: list[tuple[str, Step]] = []
    stop = route.start()
    while stop.spot.question != "end" and len(found) < MAX_READ:
        spot = stop.spot
        if spot.kind == "step" and spot.step is not None:
            found.append((spot.place.stage, spot.step))
            stop = stop._replace(ledger=route.done(spot.step, stop.ledger))
        elif spot.kind == "work":
            found.append(("work", Step("work", "work begins")))
        stop = route.go("start removal" if spot.kind == "work" else "", stop)
    return tuple(found)


MAX_READ = 1_000
"""Most steps of a list as written; more than a file may have."""
FAULTS = ("loose", "open", "torn", "soiled", "skin-showing")
"""Faults that an observer who says 'not clear' may name."""


def explore(protocol: Protocol, most: int = 1, max_states: int = MAX_STATES) -> Explored:
    """Walk every path with at most `most` deviations.

    Returns:
        Counterexamples, the fewest deviations and the shortest path first, one for each rule, step and surface.
    """
    counters: dict[tuple[str, str, str], Counterexample] = {}
    paths = states = 0
    bounded = False
    for mode in modes(protocol):
        walk = Walk(protocol, mode, most, max_states)
        walk.run()
        paths += walk.paths()
        states += len(walk.moves)
        bounded |= walk.cut
        for counter in walk.counters.values():
            key = (counter.found.rule, counter.found.step, counter.found.at)
            held = counters.get(key)
            if held is None or (counter.used, len(counter.path)) < (held.used, len(held.path)):
                counters[key] = counter
    order = sorted(
        counters.values(),
        key=lambda c: (c.used, SEVERITIES.index(c.severity), len(c.path)),
    )
    return Explored(tuple(order), paths, states, modes(protocol), bounded)


class Walk:
    """All paths of one mode, by number of deviations and then by length; equal points are visited once."""

    def __init__(self, protocol: Protocol, mode: str, most: int, max_states: int = MAX_STATES) -> None:
        self.protocol, self.mode, self.most, self.max_states = protocol, mode, most, max_states
        self.model, self.route = ContactModel(protocol), Route(protocol, mode)
        self.moves: dict[Point, Move] = {}
        self.next: dict[Point, list[Point]] = {}
        self.ends: set[Point] = set()
        self.counters: dict[tuple[str, str, str], Counterexample] = {}
        self.cut = False
        self._emergencies = {branch.name for branch in protocol.branches if branch.emergency}
        self._states: dict[tuple[World, Ledger, Memory], WalkState] = {}
        self._done: dict[tuple[str, World], tuple[World, tuple[Violation, ...]]] = {}
        self._happened: dict[tuple[str, str, World], World] = {}

    def start(self) -> Point:
        """Where every path begins."""
        return self._point(self.route.start(), self.model.start(), 0)

    def run(self) -> None:
        """Walk."""
        first = self.start()
        self.moves[first] = Move(None, "", "")
        layers: list[list[Point]] = [[first], *([] for _ in range(self.most))]
        for layer in layers:
            for point in layer:  # grows while it is read
                onward = []
                for step, event, there, found in self.leave(point):
                    for one in found:
                        self._note(one, point, step, event, there.used if there else point.used)
                    if there is None:
                        self.ends.add(point)
                        continue
                    after = self._hurried(there)
                    onward.append(after)
                    if after not in self.moves:
                        if len(self.moves) >= self.max_states:
                            self.cut = True
                            continue
                        self.moves[after] = Move(point, step, event)
                        layers[after.used].append(after)
                self.next[point] = onward

    def _hurried(self, point: Point) -> Point:
        """The point, marked if the path has entered an emergency branch, after which some rules are waived."""
        world = point.state.world
        inside = any(one.branch in self._emergencies for one in point.spot.place.detours)
        if not inside or world.flags & HURRIED or not world.flags & ENTERED:
            return point
        return self._point(_stop(point), world._replace(flags=world.flags | HURRIED), point.used)

    def paths(self) -> int:
        """The number of different paths from the start to an end."""
        count: dict[Point, int] = {}
        stack = [(next(iter(self.moves)), False)]
        while stack:
            point, back = stack.pop()
            if back:
                onward = self.next.get(point, [])
                count[point] = sum(count.get(after, 1) for after in onward) + (point in self.ends or not onward)
            elif point not in count:
                stack.append((point, True))
                stack.extend((after, False) for after in self.next.get(point, ()) if after not in count)
        return count[next(iter(self.moves))]

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

    def leave(self, point: Point) -> Iterator[Transition]:
        """Everything that can come next."""
        spot, state, used = point
        if spot.kind == "work" and not state.world.flags & ENTERED:
            world, found = self.model.enter(state.world)
            yield Transition("", "work begins", self._point(Stop(spot, state.ledger, state.memory), world, used), found)
            return
        step = spot.step
        if spot.kind == "step" and step is not None:
            yield from self._answered(point, step)
        elif spot.kind == "confirm" and step is not None:
            yield from self._confirmed(point, step)
        elif spot.kind == "work":
            yield Transition("", "start removal", self._to("start removal", point))
        elif spot.question == "end":
            yield Transition("", "the end", None, self.model.leave(state.world)[1])
        elif spot.question == "torn-piece":
            for item in self.route.pieces(_stop(point)):
                seen = Step("", "", acts=(Act("inspect", item),))
                yield Transition("", f"piece: {item}", self._to(f"piece: {item}", point, step=seen))
        else:
            yield Transition("", "", self._to("", point))
            if used < self.most:
                yield Transition("", "skin exposed", self._to("skin exposed", point, used + 1))
        if used < self.most:
            yield from self._interrupted(point)

    def _answered(self, point: Point, step: Step) -> Iterator[Transition]:
        """The step is done, or an answer calls a branch."""
        spot, state, used = point
        world, found = self._do(step, state.world)
        done = Stop(spot, self.route.done(step, state.ledger), state.memory)
        there = self._point(self.route.go("", done), world, used)
        yield Transition(step.name, "", there, found)
        if used < self.most:
            yield from self._went_wrong(there, step, spot.place.stage, "went-wrong")
        for answer, branch in step.branches:
            if (count := self._count(point, branch)) <= self.most:
                yield Transition(step.name, answer, self._to(answer, point, count, step))

    def _confirmed(self, point: Point, step: Step) -> Iterator[Transition]:
        """The observer agrees, or does not."""
        there = self._to("", point)
        yield Transition("", "", there)
        if point.used < self.most:
            yield from self._went_wrong(there, step, point.spot.place.stage, "went-wrong, told later")
        faults = {answer: branch for answer, branch in step.branches if answer in FAULTS}
        for fault, branch in (faults or ({"loose": step.repair} if step.repair else {})).items():
            event = f"not clear: {fault}"
            if (used := self._count(point, branch)) <= self.most:
                yield Transition(step.name, event, self._to(event, point, used, step))

    def _count(self, point: Point, branch: str) -> int:
        """How many things have gone wrong once the step here calls that branch. A thing that goes wrong twice running,
        such as a seal that leaks again, counts once.
        """
        again = point.spot.step is not None and self.route.replaced(point.spot.step, branch, _stop(point))
        return point.used if again else point.used + 1

    def _went_wrong(self, there: Point, step: Step, stage: str, event: str) -> Iterator[Transition]:
        """'Went wrong', said of `step` once it is answered, while the next answer is awaited. If that is for the
        observer, it is said of the step that the observer looks at. Nobody goes back to an earlier stage.
        """
        spot, state, used = there
        step = spot.step if spot.kind == "confirm" and spot.step else step
        left = spot.place.stage in {"work", "undress"} and spot.place.stage != stage
        if not (step.repair or self.protocol.rejoin) or spot.kind not in {"step", "confirm"} or left:
            return
        world = self._happen("dirty", step, state.world)
        yield Transition(
            step.name, event, self._point(self.route.go("went-wrong", _stop(there), step), world, used + 1)
        )

    def _interrupted(self, point: Point) -> Iterator[Transition]:
        """What can happen at any point."""
        spot = point.spot
        answers = dict(spot.step.branches) if spot.step and spot.kind == "step" else {}  # there the word is an answer
        events = [f"breach: {kind}" for kind in self.route.breaches(spot.place.stage) if kind not in answers]
        if self.protocol.rejoin:
            events.append("pause")
        if self.protocol.touched:
            events.append("touched")
        if self.protocol.wearer_down:
            events.append("wearer down")
        for event in events:
            yield Transition(spot.name, event, self._to(event, point, point.used + 1, Step(spot.name, "")))

    def _to(self, event: str, point: Point, used: int | None = None, step: Step | None = None) -> Point:
        """The point that an event leads to, with its effect on the surfaces."""
        what, world = happening(event), point.state.world
        if point.spot.place.stage == "work" and event.startswith("breach: "):
            world = world._replace(torn=0)  # the list, which begins again, inspects each pair
        if what:
            world = self._happen(what, step or Step("", ""), world)
        return self._point(self.route.go(event, _stop(point)), world, point.used if used is None else used)

    def _note(self, found: Violation, point: Point, step: str, event: str, used: int) -> None:
        key = (found.rule, found.step, found.at)
        if point.state.world.flags & HURRIED and (found.rule in WAIVED or self._for_air(found, point)):
            return
        if key not in self.counters:
            self.counters[key] = Counterexample(found, self.mode, (*self.path_to(point), (step, event)), used)

    def _for_air(self, found: Violation, point: Point) -> bool:
        """Whether this is a bare hand lifting a hood that has no air: that can't wait for gloves, and a rub follows."""
        step, detours = point.spot.step, point.spot.place.detours
        lifts = step is not None and any(
            self.protocol.item(a.target).say == "hood" for a in step.acts if a.kind == "doff"
        )
        return found.rule == "dirty-at-hand" and lifts and bool(detours) and detours[-1].cause == NO_AIR

    def _point(self, stop: Stop, world: World, used: int) -> Point:
        key = (world, stop.ledger, stop.memory)
        known = self._states.get(key)
        if known is None:
            known = self._states[key] = WalkState(*key)
        return Point(stop.spot, known, used)

    def _do(self, step: Step, world: World) -> tuple[World, tuple[Violation, ...]]:
        key = (step.name, world)
        known = self._done.get(key)
        if known is None:
            known = self._done[key] = self.model.do(step, world)
        return known

    def _happen(self, what: str, step: Step, world: World) -> World:
        seen = ",".join(act.target for act in step.acts if act.kind == "inspect")
        key = (what, seen, world)
        known = self._happened.get(key)
        if known is None:
            known = self._happened[key] = self.model.happen(what, step, world)
        return known


def _stop(point: Point) -> Stop:
    return Stop(point.spot, point.state.ledger, point.state.memory)
