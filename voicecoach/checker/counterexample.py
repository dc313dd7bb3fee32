"""Findings told as a story: how contamination got from the patient to where it may not be. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from voicecoach.checker.contamination import Model
from voicecoach.checker.explore import USUAL, Counterexample
from voicecoach.checker.route import happening
from voicecoach.checker.rules import BY_NAME, LEVELS
from voicecoach.checker.world import Contact
from voicecoach.protocol.lint import all_steps
from voicecoach.protocol.model import Protocol, Step

WITH = {"solo": "alone", "pair": "with an observer", "assistant": "with an observer and an assistant"}


def replay(protocol: Protocol, way: Sequence[tuple[str, str]]) -> list[Contact]:
    """Every change of a surface along a way of (step, event) pairs, in order."""
    model = Model(protocol)
    steps = {step.name: step for _, step in all_steps(protocol)}
    log: list[Contact] = []
    world = model.start()
    for name, event in way:
        step = steps.get(name, Step(name, ""))
        if event == "work begins":
            world, _ = model.enter(world, log)
        elif event in {"", "went-wrong"} and name in steps:
            world, _ = model.do(step, world, log)
        what = happening(event)
        if what:
            bare = Step(name, "") if event.startswith("breach") else step
            world = model.happen(what, bare, world, log)
    return log


def surface(protocol: Protocol, name: str) -> str:
    """A surface as one says it: 'the front of the gown', 'the face'."""
    item, _, zone = name.partition(".")
    labels = {known.name: known.label for known in protocol.items}
    if zone and item in labels:
        return f"the {zone} of the {labels[item]}"
    if zone:
        return f"the {item}'s {zone}"
    return name if name.startswith("the ") else f"the {labels.get(name, name.replace('-', ' '))}"


def carriers(log: Sequence[Contact], at: str) -> list[Contact]:
    """How `at` came to be as it is, the source first: the last worsening of it, of what carried that, and so on."""
    chain: list[Contact] = []
    end = len(log)
    seen: set[str] = set()
    while at not in seen:
        seen.add(at)
        place = next((n for n in range(end - 1, -1, -1) if log[n].surface == at and log[n].level > log[n].before), None)
        if place is None:
            break
        chain.append(log[place])
        at, end = log[place].carrier, place
    return chain[::-1]


def tell(protocol: Protocol, counter: Counterexample) -> str:
    """One counterexample as a few plain sentences, a sentence a line."""
    found, rule = counter.found, BY_NAME[counter.found.rule]
    lines = [f"{rule.severity}: {rule.says} [{rule.name}; {rule.source}, {rule.basis}]"]
    said = [f"{event!r} at {step}" if step else event for step, event in counter.way if event not in USUAL]
    lines.append(
        f"  The way ({WITH[counter.mode]}): " + ("; ".join(said) if said else "as written, nothing going wrong") + "."
    )
    log = replay(protocol, counter.way)
    lines += [
        f"  In {contact.step}, {surface(protocol, contact.surface)} became {LEVELS[contact.level]}"
        f" ({contact.how}, from {surface(protocol, contact.carrier)})."
        for contact in carriers(log, found.carrier) or carriers(log, found.at)
    ]
    at, carrier = surface(protocol, found.at), surface(protocol, found.carrier)
    line = next((step.line for _, step in all_steps(protocol) if step.name == found.step), 0)
    where = f" ({protocol.file}:{line})" if line else ""
    lines.append(f"  In {found.step}{where}, this arrived at {at}, carried by {carrier}.")
    return "\n".join(lines)
