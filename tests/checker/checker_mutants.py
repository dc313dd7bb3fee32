"""Wrong versions of a protocol, made one by one, and whether the checker notices."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from voicecoach.checker import orders
from voicecoach.checker.explore import explore
from voicecoach.checker.requirements import requirements
from voicecoach.checker.rules import LEVELS
from voicecoach.checker.slips import SlipPaths
from voicecoach.protocol import zones
from voicecoach.protocol.model import Act, Protocol, StagePlan, Step

RUBS = {"disinfect", "hygiene", "wipe"}
LOOKS = {"inspect", "verify"}


@dataclass(frozen=True)
class Mutant:
    """kind: 'no rub', 'no look', 'swap' or 'grip'; where: the step it is about."""

    kind: str
    where: str
    protocol: Protocol


def mutants(protocol: Protocol) -> Iterator[Mutant]:
    """Each disinfection, hygiene, wipe and inspection left out (branches too), each two neighbours changed about, each
    grip changed to each other zone of the item.
    """
    for branch in protocol.branches:
        for step in branch.steps:
            kind = _kind(step)
            if kind:
                yield Mutant(kind, step.name, _without(protocol, step.name))
    for plan in protocol.stages:
        for place, step in enumerate(plan.steps):
            kind = _kind(step)
            if kind:
                yield Mutant(kind, step.name, _without(protocol, step.name))
            if place + 1 < len(plan.steps) and step.acts and plan.steps[place + 1].acts:
                steps = list(plan.steps)
                steps[place : place + 2] = [steps[place + 1], steps[place]]
                yield Mutant("swap", f"{step.name}, {plan.steps[place + 1].name}", _with(protocol, plan, steps))
            for number, act in enumerate(step.acts):
                for wrong in _grips(protocol, act):
                    acts = (*step.acts[:number], wrong, *step.acts[number + 1 :])
                    steps = [replace(one, acts=acts) if one is step else one for one in plan.steps]
                    yield Mutant("grip", f"{step.name} at {wrong.grip}", _with(protocol, plan, steps))


def noticed(mutant: Mutant) -> str:
    """Which part of the check notices: 'order', 'as written', 'one deviation', 'two deviations', 'ask', or ''."""
    if orders.broken(mutant.protocol):
        return "order"
    for most, said in enumerate(("as written", "one deviation", "two deviations")):
        if explore(mutant.protocol, most).counters:
            return said
    weaker = {step.name for plan in mutant.protocol.stages for step in plan.steps if step.weaker}
    if (
        any(not ask.met and ask.step not in weaker for ask in requirements(mutant.protocol))
        and not mutant.protocol.practice
    ):
        return "ask"
    return ""


def reason(mutant: Mutant, original: Protocol) -> str:
    """Why a mutant that is not noticed is not: why it is harmless, or which limit of the model it meets."""
    name = mutant.where.partition(" at ")[0].partition(", ")[0]
    if mutant.kind == "no look":
        return "limit: a look changes no surface; what it would find is a slip ('missed'), not a fault of the list"
    way = SlipPaths(original)
    if name not in way.place:
        return "harmless: the branch leads back to, or on to, a rub of the same hands before the next removal"
    place = way.place[name]
    rub, removal = _next(way, place, RUBS), _next(way, place, {"doff"})
    if mutant.kind == "no rub":
        return f"harmless: the hands are rubbed in {rub or 'no later step'} before {removal or 'the end'} asks for it"
    if mutant.kind == "grip":
        zone = mutant.where.partition(" at ")[2]
        usual = way.steps[place][1].acts
        act = next(
            act
            for _, step in SlipPaths(mutant.protocol).steps
            if step.name == name
            for act in step.acts
            if act not in usual
        )
        held = way.worlds[place].levels[way.model.at[f"{act.target}.{zone}"]] & 3
        return f"harmless: the {zone} is {LEVELS[held]}; whatever it leaves on the gloves is gone after {rub}"
    first, second = (way.steps[n][1] for n in (place, place + 1))
    if not {act.kind for act in (*first.acts, *second.acts)} & {"doff", "disinfect", "hygiene", "wipe", "touch"}:
        return "harmless: neither of the two changes a surface that the other meets"
    return f"harmless: nothing dirty is met between the two, and hands are rubbed in {rub or second.name} after them"


def _next(way: SlipPaths, place: int, kinds: set[str]) -> str:
    steps = way.steps[place + 1 :]
    return next((step.name for _, step in steps if any(act.kind in kinds for act in step.acts)), "")


def _kind(step: Step) -> str:
    kinds = {act.kind for act in step.acts}
    if kinds & RUBS:
        return "no rub"
    return "no look" if kinds and kinds <= LOOKS else ""


def _grips(protocol: Protocol, act: Act) -> list[Act]:
    if not act.grip or act.kind != "doff":
        return []
    every = zones.zones_of(protocol.item(act.target))
    return [replace(act, grip=zone) for zone in every if zone != act.grip]


def _with(protocol: Protocol, plan: StagePlan, steps: list[Step]) -> Protocol:
    plans = tuple(replace(one, steps=tuple(steps)) if one is plan else one for one in protocol.stages)
    return replace(protocol, stages=plans)


def _without(protocol: Protocol, name: str) -> Protocol:
    plans = tuple(replace(p, steps=tuple(s for s in p.steps if s.name != name)) for p in protocol.stages)
    branches = tuple(replace(b, steps=tuple(s for s in b.steps if s.name != name)) for b in protocol.branches)
    return replace(protocol, stages=plans, branches=branches)
