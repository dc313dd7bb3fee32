"""The cost of one slip, and of two slips that together cost more than each alone. Pure.

A slip is one mistake made once on the list as written: a step left out, swapped with the next, held at the wrong zone,
a time cut short, a hand at the face, something overlooked, or the wearer doing the helper's part.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

from voicecoach.checker.contamination import ContactModel
from voicecoach.checker.explore import modes
from voicecoach.checker.weights import worst
from voicecoach.checker.world import ENTERED, Slip, Violation, World, worn_ledger
from voicecoach.protocol.applies import not_for_now
from voicecoach.protocol.model import STAGES, Protocol, Step

KINDS = ("omitted", "swapped", "grip", "short", "face", "missed", "role")
# Rules broken by contamination that arrives where it must not. Breaking one of the others only loses a barrier.
ARRIVALS = frozenset(
    {
        "dirty-at-body", "treated-at-face", "dirty-at-hand", "hands-not-clean", "bare-at-entry", "dirty-seat",
        "respirator-too-early", "dirty-on-skin-agent", "front-held",
    }
)  # fmt: skip


MAX_TRIED = 120_000
"""Most steps tried in the search for pairs, which then stops and says so (about 200 MB)."""


class SlipEvent(NamedTuple):
    """One slip: the index of its step, the step's name, and its kind."""

    place: int
    step: str
    kind: str

    @property
    def name(self) -> str:
        """'step: kind', the name of the basic event."""
        return f"{self.step}: {self.kind}"


@dataclass(frozen=True, slots=True)
class Outcome:
    """The effect of one or two slips.

    events: the slips. found: rules broken because of them, in order. arrival: the step at which contamination first
    arrives where it may not ('' if it does not). later: steps from the (last) slip to the arrival. catch: the last step
    before the arrival at which somebody looks or the hands are disinfected ('' if there is none); catch_later: how many
    steps after the slip that is. worst: weight of the worst place at which it arrives.
    """

    events: tuple[SlipEvent, ...]
    found: tuple[Violation, ...]
    arrival: str
    later: int
    catch: str
    catch_later: int
    worst: float = 0.0

    @property
    def arrives(self) -> bool:
        """Whether contamination arrives where it may not."""
        return bool(self.arrival)

    @property
    def sites(self) -> tuple[str, ...]:
        """The places at which it arrives."""
        return tuple(dict.fromkeys(one.at for one in self.found if one.rule in ARRIVALS))


class SlipPaths:
    """The list as written, with a cache of how it ends from every step and state."""

    def __init__(self, protocol: Protocol) -> None:
        self.protocol, self.model = protocol, ContactModel(protocol)
        self.mode = modes(protocol)[-1]
        self.steps: list[tuple[str, Step]] = []
        for stage in STAGES:
            self.steps += [(stage, step) for step in protocol.steps(stage) if stage != "work"]
            if stage == "work":
                self.steps.append(("work", Step("work", "work begins")))
        self.place = {step.name: n for n, (_, step) in enumerate(self.steps)}
        self.cut = False
        self._ends: dict[tuple[int, World], tuple[Violation, ...]] = {}
        self._did: dict[tuple[int, str, World], tuple[World, tuple[Violation, ...]]] = {}
        self.worlds = [self.model.start()]
        self.nominal: list[tuple[Violation, ...]] = []
        for n in range(len(self.steps)):
            world, found = self.do(n, self.worlds[-1])
            self.worlds.append(world)
            self.nominal.append(found)
        self.usual = set(self.end(0, self.worlds[0]))

    def do(self, place: int, world: World, kind: str = "") -> tuple[World, tuple[Violation, ...]]:
        """One step as written, or with a slip."""
        key = (place, kind, world)
        known = self._did.get(key)
        if known is None:
            known = self._did[key] = self._do(place, world, kind)
        return known

    def _do(self, place: int, world: World, kind: str) -> tuple[World, tuple[Violation, ...]]:
        stage, step = self.steps[place]
        if stage == "work":
            return self.model.enter(world)
        alone = self.mode == "solo"
        if not_for_now(step, worn_ledger(self.protocol.items, world.worn, world.gone), alone=alone, cancelled=False):
            return world, ()
        if kind == "missed":
            return self.model.do(step, self.model.happen("soiled", step, world))
        if kind == "role":
            return self.model.do(replace(step, role="wearer"), world)
        return self.model.do(step, world, slip=Slip(kind) if kind else None)

    def end(self, place: int, world: World) -> tuple[Violation, ...]:
        """All rules broken from `place` to the end, starting with `world`."""
        passed: list[tuple[tuple[int, World], tuple[Violation, ...]]] = []
        while (place, world) not in self._ends:
            if place == len(self.steps):
                self._ends[place, world] = self.model.leave(world)[1]
                break
            after, found = self.do(place, world)
            passed.append(((place, world), found))
            place, world = place + 1, after
        rest = self._ends[place, world]
        for key, found in reversed(passed):
            rest = found + rest
            self._ends[key] = rest
        return rest

    @property
    def tried(self) -> int:
        """How many steps have been tried, each once in each state."""
        return len(self._did)

    def slip(self, event: SlipEvent, world: World) -> tuple[int, World, tuple[Violation, ...]]:
        """The index, the world and what was broken after the slip."""
        place = event.place
        if event.kind == "omitted":
            return place + 1, world, ()
        if event.kind == "swapped":
            world, first = self.do(place + 1, world)
            world, second = self.do(place, world)
            return place + 2, world, first + second
        world, found = self.do(place, world, event.kind)
        return place + 1, world, found

    def events(self) -> list[SlipEvent]:
        """Every single slip that this list allows."""
        found: list[SlipEvent] = []
        for place, (stage, step) in enumerate(self.steps):
            if stage == "work" or not step.acts:
                continue
            kinds = ["omitted"]
            after = self.steps[place + 1] if place + 1 < len(self.steps) else ("", Step("", ""))
            if after[0] == stage and after[1].acts:
                kinds.append("swapped")
            if any(act.kind == "doff" for act in step.acts):
                kinds.append("grip")
            if step.timing:
                kinds.append("short")
            if self.worlds[place].flags & ENTERED:
                kinds.append("face")
            if any(act.kind == "inspect" and act.target in self.model.number for act in step.acts):
                kinds.append("missed")
            if step.role != "wearer" and any(act.kind in {"doff", "touch"} for act in step.acts):
                kinds.append("role")
            found += [SlipEvent(place, step.name, kind) for kind in kinds]
        return found

    def outcome(self, events: tuple[SlipEvent, ...], found: tuple[Violation, ...]) -> Outcome:
        """The effect of the slips, without what the list as written breaks anyway."""
        new = tuple(one for one in dict.fromkeys(found) if one not in self.usual)
        arrived = next((one for one in new if self._arrives(one)), None)
        if arrived is None:
            return Outcome(events, new, "", 0, "", 0)
        slip = events[-1].place
        place = self.place.get(arrived.step, len(self.steps))
        between = [n for n in range(slip + 1, min(place, len(self.steps))) if self._catches(n)]
        catch = between[-1] if between else -1
        name = self.steps[catch][1].name if between else ""
        worst_site = worst((one.at for one in new if self._arrives(one)), self.protocol.items)
        later = max(0, place - slip)
        return Outcome(events, new, arrived.step, later, name, catch - slip if between else 0, worst_site)

    def _arrives(self, found: Violation) -> bool:
        """Whether that is contamination from the patient: before work there is none."""
        return found.rule in ARRIVALS and self.place.get(found.step, len(self.steps)) >= self.place.get("work", 0)

    def _catches(self, place: int) -> bool:
        stage, step = self.steps[place]
        asks = step.role == "observer" and bool(step.asks_for)
        if step.observer or asks or any(act.kind == "inspect" for act in step.acts):
            return True
        if stage not in {"prepare", "dress"} and step.rubs:
            return True
        return any(act.kind == "verify" and act.target in {"set", "seal", "fit", "exposed-skin"} for act in step.acts)


def single(protocol: Protocol, paths: SlipPaths | None = None) -> list[Outcome]:
    """Every single slip and its effect, in the order of the list."""
    paths = paths or SlipPaths(protocol)
    outcomes = []
    for event in paths.events():
        place, world, found = paths.slip(event, paths.worlds[event.place])
        outcomes.append(paths.outcome((event,), found + paths.end(place, world)))
    return outcomes


def pairs(protocol: Protocol, paths: SlipPaths | None = None) -> list[Outcome]:
    """Pairs of slips that arrive where neither does alone.

    A second slip matters only while the trace of the first remains, so only those are tried. `paths.cut` is True if the
    search stopped at its bound.
    """
    paths = paths or SlipPaths(protocol)
    events = paths.events()
    alone = {outcome.events[0]: outcome for outcome in single(protocol, paths)}
    at: dict[int, list[SlipEvent]] = {}
    for event in events:
        at.setdefault(event.place, []).append(event)
    found: list[Outcome] = []
    for first in events:
        if alone[first].arrives:
            continue
        if paths.tried > MAX_TRIED:
            paths.cut = True
            break
        place, world, broken = paths.slip(first, paths.worlds[first.place])
        while place < len(paths.steps) and world != paths.worlds[place]:
            for second in at.get(place, ()):
                if not alone[second].arrives:
                    onward, after, more = paths.slip(second, world)
                    outcome = paths.outcome((first, second), broken + more + paths.end(onward, after))
                    if outcome.arrives:
                        found.append(outcome)
            world, more = paths.do(place, world)
            broken += more
            place += 1
    return found
