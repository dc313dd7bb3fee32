"""A broken rule as a story: how contamination got from the patient to a place where it must not be. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from voicecoach.checker.contamination import ContactModel
from voicecoach.checker.explore import USUAL
from voicecoach.checker.route import happening
from voicecoach.checker.rules import BY_NAME, LEVELS
from voicecoach.checker.walk import Counterexample
from voicecoach.checker.world import RUBBED, Contact, World
from voicecoach.protocol.lint import all_steps
from voicecoach.protocol.model import Protocol, Step

WITH = {"solo": "alone", "pair": "with an observer", "assistant": "with an observer and an assistant"}


def replay(protocol: Protocol, path: Sequence[tuple[str, str]]) -> list[Contact]:
    """Every change of a surface along a path of (step, event) pairs, in order."""
    return _replayed(protocol, path)[0]


def _replayed(protocol: Protocol, path: Sequence[tuple[str, str]]) -> tuple[list[Contact], list[tuple[str, World]]]:
    """As `replay`, with the worlds along the path, each with the step or event that led to it."""
    model = ContactModel(protocol)
    steps = {step.name: step for _, step in all_steps(protocol)}
    log: list[Contact] = []
    world = model.start()
    worlds = [("", world)]
    for name, event in path:
        step = steps.get(name, Step(name, ""))
        if event == "work begins":
            world, _ = model.enter(world, log)
        elif event in {"", "went-wrong"} and name in steps:
            world, _ = model.do(step, world, log)
        what = happening(event)
        if what:
            bare = Step(name, "") if event.startswith("breach") else step
            world = model.happen(what, bare, world, log)
        worlds.append((event if event and event != "went-wrong" else name, world))
    return log, worlds


def surface(protocol: Protocol, name: str) -> str:
    """A surface in words: 'the front of the gown', 'the face'."""
    item, _, zone = name.partition(".")
    labels = {known.name: known.label for known in protocol.items}
    if zone and item in labels:
        return f"the {zone} of the {labels[item]}"
    if zone:
        return f"the {item}'s {zone}"
    return name if name.startswith("the ") else f"the {labels.get(name, name.replace('-', ' '))}"


def carriers(log: Sequence[Contact], at: str) -> list[Contact]:
    """How `at` came to its state, the source first: its last worsening, that of its carrier, and so on."""
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


def describe(protocol: Protocol, counter: Counterexample) -> str:
    """One counterexample in a few plain sentences, one to a line: the rule, the path, what touched what, and what is
    missing or wrong, and where.
    """
    found, rule = counter.found, BY_NAME[counter.found.rule]
    lines = [f"{rule.severity}: {rule.says} [{rule.name}; {rule.source}, {rule.basis}]"]
    lines.append(f"  The path ({WITH[counter.mode]}): {what_went_wrong(counter)}.")
    log, worlds = _replayed(protocol, counter.path)
    if found.rule not in _NOT_CARRIED:
        lines += [
            f"  {_in(contact.step)}, {surface(protocol, contact.surface)} became {LEVELS[contact.level]}"
            f" ({_by(protocol, contact)})."
            for contact in carriers(log, found.carrier) or carriers(log, found.at)
        ]
    at, carrier = surface(protocol, found.at), surface(protocol, found.carrier)
    where = f"{_in(found.step)}{line_of(protocol, found.step)}"
    if found.rule in _NOT_CARRIED:
        lines.append(f"  {where}: {at}; {carrier.removeprefix('the ')}.")
    else:
        lines.append(f"  {where}, this arrived at {at}" + (f", carried by {carrier}." if carrier != at else "."))
    lines += [f"  {line}" for line in _mend(protocol, counter, worlds)]
    return "\n".join(lines)


def what_went_wrong(counter: Counterexample) -> str:
    """The deviations on the path to it, or 'the list as written'."""
    said = [f"{event!r} at {step}" if step else event for step, event in counter.path if event not in USUAL]
    return "; ".join(said) or "the list as written"


_NOT_CARRIED = frozenset({"no-time", "wrong-agent", "dirty-on-skin-agent", "wrong-role", "not-worn", "worn-twice"})
"""Rules about the act itself, with nothing carried."""


def _in(step: str) -> str:
    return {"": "In between", "end": "At the end", "work": "At work"}.get(step, f"In {step}")


def line_of(protocol: Protocol, name: str) -> str:
    """' (FILE:LINE)' of a step; '' if that is not known."""
    step = next((step for _, step in all_steps(protocol) if step.name == name), None)
    return f" ({step.file or protocol.file}:{step.line})" if step and step.line else ""


def _by(protocol: Protocol, contact: Contact) -> str:
    if contact.carrier == contact.surface:
        return contact.how
    return f"{contact.how}, from {surface(protocol, contact.carrier)}"


def _mend(protocol: Protocol, counter: Counterexample, worlds: Sequence[tuple[str, World]]) -> Iterator[str]:
    """What is missing or wrong, and where."""
    found = counter.found
    item = surface(protocol, found.at.partition(".")[0])
    before = [name for name, _ in worlds[:-1] if name and name not in USUAL]
    last = before[-1] if before else "the beginning"
    here = f"{found.step}{line_of(protocol, found.step)}" if found.step != "end" else "the end"
    if found.rule in {"hygiene-missing", "through-soil", "hands-not-clean"}:
        since = _unrubbed_since(worlds)
        hands = _hands(protocol, worlds[-2][1])
        soil = "a wipe and then " if found.rule == "through-soil" else ""
        yield f"Missing: {soil}disinfection of {hands}, after {since} and before {here}."
    elif found.rule == "gloves-on-unclean-hands":
        yield f"Missing: a rub of the bare hands, before {here}."
    elif found.rule == "helper-not-rubbed":
        yield f"Missing: a rub of {surface(protocol, found.at)}, after the helper's last touch and before {here}."
    elif found.rule == "torn-kept":
        yield f"Missing: before {here}, {item} must come off, the hands be rubbed and a fresh pair go on."
    elif found.rule == "worn-again":
        yield f"Wrong: {here} puts {item} back on after it has come off; it must be a fresh piece."
    elif found.rule in {"under-cover", "cuff-order"}:
        yield f"Missing: {surface(protocol, found.carrier)} must come off before {here}."
    elif found.rule == "front-held":
        yield f"Wrong: {here} holds {item} by its {found.at.partition('.')[2]}; hold its strap or edge."
    elif found.rule == "never-off":
        yield f"Missing: a step that takes {item} off, before the end."
    elif found.rule == "bare-at-entry":
        yield f"Missing: a piece that covers {surface(protocol, found.at)} before work begins."
    elif found.rule in _NOT_CARRIED:
        yield f"Wrong: what is done in {here}."
    else:
        yield f"Wrong: what {here} touches; it comes after {last}."


def _unrubbed_since(worlds: Sequence[tuple[str, World]]) -> str:
    """The step or event since which the hands have not counted as disinfected."""
    since = "work began"
    for (_, was), (name, now) in pairwise(worlds[:-1]):
        if was.flags & RUBBED and not now.flags & RUBBED:
            since = name or since
    return since


def _hands(protocol: Protocol, world: World) -> str:
    gloves = [item for item in world.worn if protocol.items[item].site == "hands"]
    return f"the {protocol.items[gloves[-1]].label}" if gloves else "the bare hands"
