"""The smallest change found that closes a contamination route. Offered, never applied. Pure.

Candidates, the smallest first: one more step (a rub that the protocol has elsewhere), one piece held differently, two
neighbours swapped, one step moved. Each is checked like any protocol. Only one that closes the route and opens no other
is offered, preferably one that leaves no other route open.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from difflib import unified_diff

from voicecoach.checker.explore import explore
from voicecoach.checker.walk import Counterexample
from voicecoach.protocol.model import Act, Branch, Protocol, StagePlan, Step
from voicecoach.protocol.zones import HOLDS, zones_of

MOST_TRIED = 400
"""How many candidates are looked at before the search is given up."""
MOST_VERIFIED = 12
"""How many of them get the whole check, which takes most of the time."""


@dataclass(frozen=True, slots=True)
class Repair:
    """A change that closes a route. says: in one line. diff: the list before and after. left: routes that stay open."""

    says: str
    diff: str
    left: int


@dataclass(frozen=True, slots=True)
class _Change:
    says: str
    protocol: Protocol


StepList = tuple[str, tuple[Step, ...]]
"""A stage or 'branch NAME', and its steps."""


def repair(protocol: Protocol, counter: Counterexample, most: int = 1) -> Repair | None:
    """The smallest change found that closes the route of `counter`; None if none was found.

    Args:
        protocol: as it was checked. counter: the route to close. most: deviations of the check that verifies it.
    """
    open_before = {_key(one) for one in explore(protocol, most).counters}
    best: Repair | None = None
    verified = 0
    for tried, change in enumerate(_changes(protocol, counter)):
        if tried >= MOST_TRIED or verified >= MOST_VERIFIED:
            break
        quick = {_key(one) for one in explore(change.protocol, most=0).counters}
        if not quick <= open_before or _key(counter) in quick or (best is not None and quick):
            continue  # most candidates do not help, as a walk of the list alone shows
        verified += 1
        after = {_key(one) for one in explore(change.protocol, max(most, counter.used)).counters}
        if _key(counter) in after or not after <= open_before:
            continue
        if best is None or len(after) < best.left:
            best = Repair(change.says, _diff(protocol, change.protocol), len(after))
        if best.left == 0:
            break
    return best


def text(found: Repair) -> str:
    """The repair for people, with its diff."""
    left = f"{found.left} other routes stay open" if found.left else "no other route stays open"
    return f"smallest repair found: {found.says}; checked: it closes this route, and {left}\n{found.diff}"


def _key(counter: Counterexample) -> tuple[str, str, str]:
    return counter.found.rule, counter.found.step, counter.found.at


def _changes(protocol: Protocol, counter: Counterexample) -> Iterator[_Change]:
    for part, steps in _parts(protocol):
        place = next((n for n, step in enumerate(steps) if step.name == counter.found.step), None)
        if place is None and (part != "close" or counter.found.step not in {"", "end"}):
            continue
        place = len(steps) if place is None else place
        yield from _one_more(protocol, part, steps, place)
        if place < len(steps):
            yield from _held_differently(protocol, part, steps, place)
        yield from _swapped(protocol, part, steps, place)
        yield from _moved(protocol, part, steps, place)


def _parts(protocol: Protocol) -> Iterator[StepList]:
    for plan in protocol.stages:
        yield plan.stage, plan.steps
    for branch in protocol.branches:
        yield f"branch {branch.name}", branch.steps


def _one_more(protocol: Protocol, part: str, steps: tuple[Step, ...], place: int) -> Iterator[_Change]:
    """A rub from elsewhere in the protocol, before the step at `place` or before an earlier one."""
    rubs: dict[tuple[Act, ...], Step] = {}
    for _, others in _parts(protocol):
        for step in others:
            if step.timing and step.acts and all(act.rubs for act in step.acts):
                rubs.setdefault(step.acts, step)
    gloves = tuple(item.name for item in protocol.items if item.site == "hands")
    for at in range(place, max(-1, place - 4), -1):
        for acts, rub in sorted(rubs.items(), key=lambda rub: len(rub[0])):
            new = replace(rub, name=f"rub-before-{steps[at].name}" if at < len(steps) else "rub-at-the-end")
            # as the list stands, or after a detour
            on = tuple(act.target for act in acts if act.kind == "disinfect" and "." not in act.target)
            off = gloves if any(act.kind == "hygiene" for act in acts) else ()
            new = replace(new, when_on=on, when_off=off, when_any_on=(), asks_for="", pays="")
            after = f"after `{steps[at - 1].name}`" if at else f"first in `{part}`"
            changed = _with(protocol, part, (*steps[:at], new, *steps[at:]))
            what = " and the ".join(_plain(act.target) for act in acts)
            yield _Change(f"insert a rub of the {what} {after}", changed)


def _plain(target: str) -> str:
    """'outer gloves', 'gloves of the assistant'."""
    helper, _, glove = target.replace("-", " ").partition(".")
    return f"{glove} of the {helper}" if glove else helper


def _held_differently(protocol: Protocol, part: str, steps: tuple[Step, ...], place: int) -> Iterator[_Change]:
    """A piece held by its strap or edge."""
    step = steps[place]
    for number, act in enumerate(step.acts):
        item = next((item for item in protocol.items if item.name == act.target), None)
        if act.kind != "doff" or item is None:
            continue
        for zone in zones_of(item):
            if zone in HOLDS and zone != act.grip:
                acts = (*step.acts[:number], replace(act, grip=zone), *step.acts[number + 1 :])
                changed = _with(protocol, part, (*steps[:place], replace(step, acts=acts), *steps[place + 1 :]))
                yield _Change(f"hold the {item.label} by its {zone} in `{step.name}`", changed)


def _swapped(protocol: Protocol, part: str, steps: tuple[Step, ...], place: int) -> Iterator[_Change]:
    for one in (place - 1, place, place - 2, place + 1):
        if one >= 0 and one + 1 < len(steps):
            first, second = steps[one], steps[one + 1]
            changed = _with(protocol, part, (*steps[:one], second, first, *steps[one + 2 :]))
            yield _Change(f"swap `{first.name}` and `{second.name}`", changed)


def _moved(protocol: Protocol, part: str, steps: tuple[Step, ...], place: int) -> Iterator[_Change]:
    """One step moved within the list: the step itself, or a later one."""
    for source in dict.fromkeys((place, *range(place + 1, len(steps)), *range(place))):
        if source >= len(steps):
            continue
        rest = (*steps[:source], *steps[source + 1 :])
        for target in range(len(rest) + 1):
            if abs(target - source) > 1:
                before = f"before `{rest[target].name}`" if target < len(rest) else "to the end"
                changed = _with(protocol, part, (*rest[:target], steps[source], *rest[target:]))
                yield _Change(f"move `{steps[source].name}` {before}", changed)


def _with(protocol: Protocol, part: str, steps: tuple[Step, ...]) -> Protocol:
    if part.startswith("branch "):
        name = part.removeprefix("branch ")

        def changed(branch: Branch) -> Branch:
            return replace(branch, steps=steps) if branch.name == name else branch

        return replace(protocol, branches=tuple(map(changed, protocol.branches)))
    return replace(
        protocol,
        stages=tuple(StagePlan(plan.stage, steps if plan.stage == part else plan.steps) for plan in protocol.stages),
    )


def _diff(before: Protocol, after: Protocol) -> str:
    """The difference between the two lists, with two lines of context."""
    found = unified_diff(_listed(before), _listed(after), before.name, f"{before.name}, repaired", n=2, lineterm="")
    return "\n".join(line for line in found if not line.startswith("@@"))


def _listed(protocol: Protocol) -> list[str]:
    lines = []
    for part, steps in _parts(protocol):
        for step in steps:
            acts = ", ".join(
                f"{act.kind} {act.target}" + (f" by its {act.grip}" if act.grip else "") for act in step.acts
            )
            lines.append(f"{part}: {step.name}: {acts or step.say}")
    return lines
