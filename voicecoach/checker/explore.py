"""Every way through a protocol, within stated bounds, and what breaks a rule on the shortest of them. Pure.

Ways: the list as written; and from each step its branches, 'went wrong', a pause, a touch and each kind of breach, one
or two on a way ('not finished' only repeats a step: the same surfaces meet again); alone, with an observer, or with an
assistant too, as far as the protocol's roles allow.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from voicecoach.checker.contamination import Model
from voicecoach.checker.rules import BY_NAME, SEVERITIES, Severity
from voicecoach.checker.world import ENTERED, Finding, World
from voicecoach.protocol.model import STAGES, Protocol, Step

MAX_STATES = 200_000


class OpenBranch(NamedTuple):
    """A branch being read: its name, the next step in it, where it leads, and whether a breach was the cause."""

    branch: str
    step: int
    then: str
    breach: bool = False


class Point(NamedTuple):
    """A point on a way: stage and step on the main list, branches being read, surfaces, and deviations so far."""

    stage: int
    step: int
    detours: tuple[OpenBranch, ...]
    world: World
    used: int


class Move(NamedTuple):
    """What led to a node: the node before, the step read there ('' for none), and what happened ('' for its answer)."""

    before: Point | None
    step: str
    event: str


@dataclass(frozen=True, slots=True)
class Counterexample:
    """A broken rule and the shortest way to it. way: (step, event) pairs; event '' is the step's own answer."""

    found: Finding
    mode: str
    way: tuple[tuple[str, str], ...]
    used: int

    @property
    def severity(self) -> Severity:
        """Of rules.SEVERITIES."""
        return BY_NAME[self.found.rule].severity


@dataclass(frozen=True, slots=True)
class Explored:
    """The outcome: broken rules, each with its shortest way; how much was looked at; whether a bound cut it short."""

    counters: tuple[Counterexample, ...]
    paths: int
    states: int
    modes: tuple[str, ...]
    bounded: bool


def modes(protocol: Protocol) -> tuple[str, ...]:
    """With whom the protocol can be read: 'solo', 'pair', 'assistant'."""
    steps = [step for plan in protocol.stages for step in plan.steps]
    if any(step.role == "assistant" or "assistant" in step.also for step in steps):
        return ("assistant",)
    if any(step.role == "observer" and step.acts for step in steps):
        return ("pair",)  # the observer's hands are needed
    return ("solo", "pair")


def explore(protocol: Protocol, most: int = 2, max_states: int = MAX_STATES) -> Explored:
    """Walk every way with at most `most` deviations.

    Returns:
        Counterexamples, the fewest deviations and the shortest way first, one for each rule, step and surface.
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
            if held is None or (counter.used, len(counter.way)) < (held.used, len(held.way)):
                counters[key] = counter
    order = sorted(
        counters.values(),
        key=lambda c: (c.used, SEVERITIES.index(c.severity), len(c.way)),
    )
    return Explored(tuple(order), paths, states, modes(protocol), bounded)


class Walk:
    """All ways of one mode, by number of deviations and then by length, equal points met only once."""

    def __init__(self, protocol: Protocol, mode: str, most: int, max_states: int = MAX_STATES) -> None:
        self.protocol, self.mode, self.most, self.max_states = protocol, mode, most, max_states
        self.model = Model(protocol)
        self.moves: dict[Point, Move] = {}
        self.next: dict[Point, list[Point]] = {}
        self.counters: dict[tuple[str, str, str], Counterexample] = {}
        self.cut = False
        self._done: dict[tuple[str, World], tuple[World, tuple[Finding, ...]]] = {}
        self._main = [protocol.steps(stage) for stage in STAGES]
        self._at = {step.name: (s, n) for s, steps in enumerate(self._main) for n, step in enumerate(steps)}
        self._branches = {branch.name: branch for branch in protocol.branches}
        self._rules = [[rule for rule in protocol.breaches if stage in rule.stages] for stage in STAGES]

    def start(self) -> Point:
        """Where every way begins."""
        return Point(0, 0, (), self.model.start(), 0)

    def run(self) -> None:
        """Walk."""
        first = self.start()
        self.moves[first] = Move(None, "", "")
        layers: list[list[Point]] = [[first], *([] for _ in range(self.most))]
        for layer in layers:
            for node in layer:  # grows while it is read
                onward = []
                for step, event, after, found in self.leave(node):
                    for one in found:
                        self._note(one, node, step, event, after.used if after else node.used)
                    if after is None:
                        continue
                    onward.append(after)
                    if after not in self.moves:
                        if len(self.moves) >= self.max_states:
                            self.cut = True
                            continue
                        self.moves[after] = Move(node, step, event)
                        layers[after.used].append(after)
                self.next[node] = onward

    def paths(self) -> int:
        """How many different ways there are from the start to an end."""
        count: dict[Point, int] = {}
        stack = [(next(iter(self.moves)), False)]
        while stack:
            node, back = stack.pop()
            if back:
                onward = self.next.get(node, [])
                count[node] = sum(count.get(after, 1) for after in onward) or 1
            elif node not in count:
                stack.append((node, True))
                stack.extend((after, False) for after in self.next.get(node, ()) if after not in count)
        return count[next(iter(self.moves))]

    def way_to(self, node: Point) -> tuple[tuple[str, str], ...]:
        """The steps and events on the shortest way to `node`."""
        way: list[tuple[str, str]] = []
        here: Point | None = node
        while here is not None:
            move = self.moves[here]
            if move.step or move.event:
                way.append((move.step, move.event))
            here = move.before
        return tuple(reversed(way))

    def _note(self, found: Finding, node: Point, step: str, event: str, used: int) -> None:
        key = (found.rule, found.step, found.at)
        if key not in self.counters:
            self.counters[key] = Counterexample(found, self.mode, (*self.way_to(node), (step, event)), used)

    def _steps(self, node: Point) -> tuple[Step, ...]:
        return self._branches[node.detours[-1].branch].steps if node.detours else self._main[node.stage]

    def leave(self, node: Point) -> Iterator[tuple[str, str, Point | None, tuple[Finding, ...]]]:
        """All that can come next: (step, event, node after or None at the end, rules broken on the way)."""
        steps = self._steps(node)
        index = node.detours[-1].step if node.detours else node.step
        if not node.detours and STAGES[node.stage] == "work":
            yield from self._work(node)
            return
        if index >= len(steps):
            yield from self._over(node)
            return
        step = steps[index]
        if self.model.skipped(step, node.world.worn, self.mode):
            yield "", "", self._following(node), ()
            return
        after, found = self._do(step, node.world)
        yield step.name, "", self._following(node._replace(world=after)), found
        if node.used >= self.most:
            return
        yield from self._deviations(node, step, after)

    def _do(self, step: Step, world: World) -> tuple[World, tuple[Finding, ...]]:
        key = (step.name, world)
        known = self._done.get(key)
        if known is None:
            known = self._done[key] = self.model.do(step, world)
        return known

    def _deviations(
        self, node: Point, step: Step, after: World
    ) -> Iterator[tuple[str, str, Point | None, tuple[Finding, ...]]]:
        model, more = self.model, node._replace(used=node.used + 1)
        for answer, branch in step.branches:
            happened = "torn" if answer == "torn" else "soiled" if answer == "soiled" else ""
            world = model.happen(happened, step, node.world) if happened else node.world
            yield step.name, answer, self._enter(more._replace(world=world), branch, ""), ()
        if step.repair:
            world = model.happen("dirty", step, after)
            yield step.name, "went-wrong", self._enter(more._replace(world=world), step.repair, ""), ()
        if self.protocol.rejoin:
            world = model.happen("doubt", step, node.world)
            yield step.name, "pause", self._enter(more._replace(world=world), self.protocol.rejoin, "same"), ()
        if self.protocol.touched:
            world = model.happen("dirty", step, node.world)
            yield step.name, "touched", self._enter(more._replace(world=world), self.protocol.touched, "same"), ()
        yield from self._breaches(node, step)

    def _breaches(self, node: Point, step: Step) -> Iterator[tuple[str, str, Point | None, tuple[Finding, ...]]]:
        calm = next((n for n, detour in enumerate(node.detours) if detour.breach), len(node.detours))
        node = node._replace(detours=node.detours[:calm])  # a new breach never nests in an old one
        for rule in self._rules[node.stage]:
            what = {"no-air": "", "torn": "torn"}.get(rule.kind, "dirty")
            world = self.model.happen(what, Step(step.name, ""), node.world) if what else node.world
            more = node._replace(world=world, used=node.used + 1)
            after = (
                self._enter(more, rule.branch, rule.then, breach=True) if rule.branch else self._led(more, rule.then)
            )
            yield step.name, f"breach: {rule.kind}", after, ()

    def _work(self, node: Point) -> Iterator[tuple[str, str, Point | None, tuple[Finding, ...]]]:
        if not node.world.flags & ENTERED:
            world, found = self.model.enter(node.world)
            yield "", "work begins", node._replace(world=world), found
            return
        yield "", "start removal", node._replace(stage=node.stage + 1, step=0), ()
        if node.used < self.most:
            yield from self._breaches(node, Step("work", ""))

    def _over(self, node: Point) -> Iterator[tuple[str, str, Point | None, tuple[Finding, ...]]]:
        """The end of a branch, a stage, or the protocol."""
        if node.detours:
            last = node.detours[-1]
            outer = node._replace(detours=node.detours[:-1])
            yield "", "", self._led(outer, last.then), ()
            exposed = self._branches[last.branch].exposed
            if exposed and node.used < self.most:
                asked = outer._replace(used=node.used + 1, detours=(*outer.detours, OpenBranch(exposed, 0, last.then)))
                yield "", "skin exposed", asked, ()
            return
        if node.stage + 1 < len(STAGES):
            yield "", "", node._replace(stage=node.stage + 1, step=0), ()
            return
        _, found = self.model.leave(node.world)
        yield "", "the end", None, found

    def _enter(self, node: Point, branch: str, then: str, *, breach: bool = False) -> Point:
        held = [detour.branch for detour in node.detours]
        if branch in held:  # begun anew, not nested
            place = held.index(branch)
            then, outer = node.detours[place].then, node.detours[:place]
        else:
            then, outer = then or self._branches[branch].then, node.detours
        return node._replace(detours=(*outer, OpenBranch(branch, 0, then, breach)))

    def _following(self, node: Point) -> Point:
        if node.detours:
            last = node.detours[-1]
            return node._replace(detours=(*node.detours[:-1], last._replace(step=last.step + 1)))
        return node._replace(step=node.step + 1)

    def _led(self, node: Point, then: str) -> Point:
        """Follow a branch's `then` from the place it was called at; the session's own rule."""
        if then == "undress":
            if STAGES[node.stage] in {"dress", "work"}:
                return node._replace(stage=STAGES.index("undress"), step=0, detours=())
            return node
        if then == "next":
            return self._following(node)
        stage, index = self._at.get(then, (-1, -1))
        if (stage, index) >= (node.stage, node.step):
            return node._replace(stage=stage, step=index, detours=())
        return node
