"""The assumptions behind a proof of "no contact route": each is dropped in turn, and what breaks is counted. Pure.

A protocol file claims things that it cannot prove: that a cuff stays tucked, that hand rub works on this agent, that
the bin opens by foot. Each claim is dropped alone and the list is walked again. The proof holds only while every claim
holds whose loss breaks something; whoever approves the protocol vouches for these.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from voicecoach.checker.explore import explore
from voicecoach.checker.rules import SEVERITIES
from voicecoach.checker.walk import Counterexample
from voicecoach.checker.weights import OTHER, WEIGHT
from voicecoach.protocol.model import Act, Item, Protocol, StagePlan, Step

Basis = Literal["protocol", "site", "people"]
"""Who can make it true: the author of the protocol, who chose the pieces; the site; the people in the room."""
_RUBS = frozenset({"disinfect", "hygiene", "wipe"})
_HANDLED = frozenset({"doff", "touch", "don"})


@dataclass(frozen=True, slots=True)
class Assumption:
    """One claim that the proof needs.

    says: in a practitioner's words. basis: who can make it true. falls: what breaks on the list as written without it,
    the worst first; never empty. weight: of the worst of these (weights.WEIGHT; 0 to 1).
    """

    says: str
    basis: Basis
    falls: tuple[Counterexample, ...]
    weight: float


def assumptions(protocol: Protocol) -> tuple[Assumption, ...]:
    """All claims that the proof rests on, ranked by how much breaks without them.

    Only the list as written is walked, with nothing else going wrong (some 5 ms a claim).
    """
    usual = {_key(counter) for counter in explore(protocol, most=0).counters}
    found = []
    for says, basis, other in _turned(protocol):
        broken = [counter for counter in explore(other, most=0).counters if _key(counter) not in usual]
        if broken:
            broken.sort(key=lambda counter: (-_weight(counter), SEVERITIES.index(counter.severity)))
            found.append(Assumption(says, basis, tuple(broken), _weight(broken[0])))
    return tuple(sorted(found, key=lambda one: (-one.weight, -len(one.falls), one.says)))


def sentences(found: Sequence[Assumption]) -> Iterator[str]:
    """Each claim, who can make it true, and what breaks without it."""
    for one in found:
        more = f", and {len(one.falls) - 1} more" if len(one.falls) > 1 else ""
        yield f"{one.says} ({one.basis}); otherwise {_broken(one.falls[0])}{more}"


def lines(found: Sequence[Assumption], most: int | None = None) -> Iterator[str]:
    """The claims as numbered lines, at most `most` of them."""
    for number, sentence in enumerate(sentences(found[:most]), start=1):
        yield f"{number}. {sentence}"
    if most is not None and len(found) > most:
        yield f"and {len(found) - most} more"


_OTHERWISE = {
    "bare-at-entry": "bare when work begins: {at}",
    "hands-not-clean": "the hands are not clean at the end",
    "dirty-at-hand": "a bare hand meets something dirty in {step}",
    "dirty-at-body": "something dirty meets {at} in {step}",
    "treated-at-face": "a glove meets {at} in {step}",
    "front-held": "the hand is at {at} in {step}",
    "hygiene-missing": "no rub counts before {step}",
    "through-soil": "soil stays on the hands in {step}",
    "dirty-seat": "clean clothes meet a dirty seat in {step}",
    "shoes-untreated": "the shoes are not disinfected at the end",
    "respirator-too-early": "the garment is still dirty when the respirator comes off in {step}",
    "gloves-on-unclean-hands": "gloves go on unclean hands in {step}",
    "helper-not-rubbed": "a helper touches again without a rub in {step}",
    "wrong-role": "another person's hands are in {step}",
    "cuff-order": "gloves or boots lie over the garment in {step}",
}
"""What breaks when an assumption fails, by rule."""


def _broken(counter: Counterexample) -> str:
    rule, step, at, _ = counter.found
    said = _OTHERWISE.get(rule, f"{rule.replace('-', ' ')} in {{step}}, at {{at}}")
    return said.format(step=step or "the end", at=_words(at))


def _key(counter: Counterexample) -> tuple[str, str, str]:
    return counter.found.rule, counter.found.step, counter.found.at


def _weight(counter: Counterexample) -> float:
    return WEIGHT.get(counter.found.at, OTHER) if counter.severity == "harm" else 0.1


def _turned(protocol: Protocol) -> Iterator[tuple[str, Basis, Protocol]]:
    """Each claim with who can make it true, and the protocol without it."""
    yield from _fits(protocol)
    yield from _surfaces(protocol)
    yield from _agents(protocol)
    yield from _roles(protocol)
    yield from _hands(protocol)


def _fits(protocol: Protocol) -> Iterator[tuple[str, Basis, Protocol]]:
    """Covers that fit tightly, cuffs and hems that overlap, surfaces that stay clean though nothing covers them."""
    worn_at = {act.target: step.name for step in protocol.steps("dress") for act in step.acts if act.kind == "don"}
    for item in protocol.items:
        at = f" ({worn_at[item.name]})" if item.name in worn_at else ""
        for zone in item.tight:
            loose = replace(item, tight=_without(item.tight, zone), covers=(*item.covers, zone))
            yield (
                f"the {item.label} {_verb(item.label, 'close')} tightly over the {_words(zone)}{at}",
                "protocol",
                _with(protocol, loose),
            )
        for zone in item.overlap:
            short = replace(item, overlap=_without(item.overlap, zone))
            yield (
                f"the {item.label} {_verb(item.label, 'stay')} over the {_words(zone)}{at}",
                "people",
                _with(protocol, short),
            )
        for zone in item.spared:
            bare = replace(item, spared=_without(item.spared, zone))
            yield f"the {_words(zone)} {_verb(zone, 'meet')} nothing at work", "people", _with(protocol, bare)


def _surfaces(protocol: Protocol) -> Iterator[tuple[str, Basis, Protocol]]:
    """The room, and skin that is bare on purpose."""
    states = {"clean": "is clean when it is first used", "hands-free": "is worked without hands"}
    for name, state in protocol.room:
        if state in states:
            room = tuple((other, "dirty" if other == name else how) for other, how in protocol.room)
            yield f"the {_words(name)} {states[state]}", "site", replace(protocol, room=room)
    for zone in protocol.exposed:
        left = replace(protocol, exposed=_without(protocol.exposed, zone))
        yield f"the {_words(zone)}, left bare on purpose, {_verb(zone, 'meet')} nothing at work", "people", left


def _agents(protocol: Protocol) -> Iterator[tuple[str, Basis, Protocol]]:
    """Each agent works: without that, every rub with it does nothing."""
    named = [step.timing.agent for plan in protocol.stages for step in plan.steps if step.timing]
    for agent in dict.fromkeys(named):

        def idle(step: Step, agent: str = agent) -> Step:
            if step.timing is None or step.timing.agent != agent:
                return step
            return replace(step, acts=tuple(act for act in step.acts if act.kind not in _RUBS))

        yield f"{_words(agent)} works on this agent of disease, for its whole time", "site", _changed(protocol, idle)


def _roles(protocol: Protocol) -> Iterator[tuple[str, Basis, Protocol]]:
    """A helper does what the helper should do."""
    for plan in protocol.stages:
        for step in plan.steps:
            if step.role != "wearer" and any(act.kind in _HANDLED for act in step.acts):

                def by_wearer(other: Step, name: str = step.name) -> Step:
                    return replace(other, role="wearer") if other.name == name else other

                yield f"the {step.role}, not the wearer, does {step.name}", "people", _changed(protocol, by_wearer)


def _hands(protocol: Protocol) -> Iterator[tuple[str, Basis, Protocol]]:
    """Pieces are held and handled as the list says."""
    for plan in protocol.stages:
        for step in plan.steps:
            for act in step.acts:
                if act.kind == "doff" and act.grip:
                    label = _label(protocol, act)
                    says = f"the {label} {_verb(label, 'is')} held by the {act.grip} ({step.name})"
                    yield says, "people", _act_changed(protocol, step, act, replace(act, grip=""))
                if act.manner == "roll":
                    label = _label(protocol, act)
                    says = f"the {label} {_verb(label, 'is')} rolled with the outside in ({step.name})"
                    yield says, "people", _act_changed(protocol, step, act, replace(act, manner=""))


def _label(protocol: Protocol, act: Act) -> str:
    return next((item.label for item in protocol.items if item.name == act.target), act.target)


def _act_changed(protocol: Protocol, step: Step, act: Act, other: Act) -> Protocol:
    def change(one: Step) -> Step:
        if one.name != step.name:
            return one
        return replace(one, acts=tuple(other if mine is act else mine for mine in one.acts))

    return _changed(protocol, change)


def _changed(protocol: Protocol, change: Callable[[Step], Step]) -> Protocol:
    stages = tuple(StagePlan(plan.stage, tuple(map(change, plan.steps))) for plan in protocol.stages)
    return replace(protocol, stages=stages)


def _with(protocol: Protocol, item: Item) -> Protocol:
    return replace(protocol, items=tuple(item if item.name == other.name else other for other in protocol.items))


def _without(names: tuple[str, ...], name: str) -> tuple[str, ...]:
    return tuple(other for other in names if other != name)


def _verb(subject: str, verb: str) -> str:
    """The verb for a singular or plural subject, by the last letter of a piece or zone."""
    if subject.endswith("s"):
        return "are" if verb == "is" else verb
    return verb if verb == "is" else f"{verb}s"


def _words(zone: str) -> str:
    """'inner-gloves.cuff' as 'inner gloves' cuff'."""
    item, _, part = zone.partition(".")
    said = item.replace("-", " ")
    return f"{said}{chr(39) if said.endswith('s') else chr(39) + 's'} {part}" if part else said
