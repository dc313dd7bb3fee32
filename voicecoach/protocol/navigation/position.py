"""Where somebody is in a protocol, and what holds there: the step, the branch, what is worn. Pure."""

from __future__ import annotations

from typing import NamedTuple

from voicecoach.protocol.ledger import Ledger
from voicecoach.protocol.lint import all_steps
from voicecoach.protocol.model import BreachRule, Protocol, Step
from voicecoach.protocol.place import Detour, Place

INCIDENTS = ("breach: ", "touched ")
"""Prefixes of `Detour.cause` for a branch that an incident caused."""
OWED = "owed for an exposure"
"""`Detour.cause` of the wash after an exposure."""
KNOWN = "known to be torn: "
"""Prefix of `Detour.cause` for a piece already known to be torn: its questions are not asked again."""
UNDONE = "does not go in"
"""`Detour.cause` of the branch in which a wearer who will not go in takes off what is on."""
_CORRECTED_IN = {"dress": "dress", "work": "dress", "undress": "undress", "close": "undress"}


class Position(NamedTuple):
    """A place, what is worn there, and whether the wearer is alone; `mode` is 'solo' or 'pair'.

    owes: an exposure has not been washed off and no wash has begun. placed: the wearer has said where this incident's
    exposure is. cancelled: nobody goes in any more. tried: (step, branch) of each branch that a step has called so far.
    eyes: something reached the eyes that has not been rinsed out.
    """

    place: Place
    ledger: Ledger
    mode: str
    owes: bool = False
    placed: bool = False
    cancelled: bool = False
    tried: tuple[tuple[str, str], ...] = ()
    eyes: bool = False

    def at(self, place: Place | None = None, ledger: Ledger | None = None) -> Position:
        """The same wearer at another place, or with other things on."""
        there = place or self.place
        led_out = self.place.stage in {"prepare", "dress"} and there.stage in {"undress", "close"}
        now = self.ledger if ledger is None else ledger
        cancelled = self.cancelled or led_out
        return Position(there, now, self.mode, self.owes, self.placed, cancelled, self.tried, self.eyes)  # often made


class Arrival(NamedTuple):
    """Where a move leads. kind: 'step' (read it out), 'work', 'question' (ask it), or 'confirm' (the observer is due).

    passed: (step, reason) of each step passed over on the way there. ledger: what is then worn.
    """

    kind: str
    place: Place
    ledger: Ledger
    question: str = ""
    about: str = ""
    passed: tuple[tuple[str, str], ...] = ()


def steps_here(protocol: Protocol, place: Place) -> tuple[Step, ...]:
    """The steps of the innermost branch, or of the stage if there is none."""
    if place.detours:
        return protocol.branch(place.detours[-1].branch).steps
    return protocol.steps(place.stage)


def steps_named(protocol: Protocol) -> dict[str, Step]:
    """All steps of stages and branches by name."""
    return {step.name: step for _, step in all_steps(protocol)}


def index_here(place: Place) -> int:
    """The index of the place's step in `steps_here`."""
    return place.detours[-1].step if place.detours else place.step


def step_at(protocol: Protocol, place: Place) -> Step | None:
    """The step at `place`; None during work and past the last step."""
    steps = steps_here(protocol, place)
    index = index_here(place)
    if place.stage == "work" and not place.detours:
        return None
    return steps[index] if 0 <= index < len(steps) else None


def settled(protocol: Protocol, place: Place, ledger: Ledger) -> Place:
    """The first earlier step whose item, by the ledger, did not go on or come off as it should have; else `place`."""
    if place.stage == "work" and place.detours:
        return place  # a branch at work takes things off to lead out: nobody dresses again there
    on, wanted_in = set(ledger.on()), _CORRECTED_IN.get(place.stage)
    missed = [
        index
        for item, (stage, index, worn) in protocol.last_changes(place.stage, place.step).items()
        if stage == wanted_in and (item in on) != worn
    ]
    return Place(wanted_in, min(missed)) if missed and wanted_in is not None else place


def breach_rule(protocol: Protocol, kind: str, stage: str) -> BreachRule | None:
    """The rule for a breach of this kind in this stage, else the one for plain 'breach', else None."""
    for wanted in (kind, "breach"):
        for rule in protocol.breaches:
            if rule.kind == wanted and stage in rule.stages:
                return rule
    return None


RINSE = "breach: eyes at once"
"""`Detour.cause` of the branch in which the second person rinses somebody's eyes."""
TORN = frozenset({"breach: torn", "breach: needle"})
"""Causes of a detour in which a piece with a hole is changed."""
NO_AIR = "breach: no-air"
"""The cause of a detour in which a hood without air comes off."""


def hose(protocol: Protocol) -> str:
    """The item that brings air into a powered hood; '' if the protocol has none."""
    return protocol.hose


def airless(protocol: Protocol, place: Place, ledger: Ledger) -> str:
    """The hood that is worn without air, because none was reported, or the hose is off or loosened; '' for none."""
    air = hose(protocol)
    if not air:
        return ""
    hood = next((item.name for item in protocol.items if item.say == "hood" and ledger.worn(item.name) == "on"), "")
    if not hood:
        return ""
    return hood if ledger.worn(air) != "on" or air in ledger.torn or loosened(protocol, place) else ""


def loosened(protocol: Protocol, place: Place) -> bool:
    """Whether removal has come past the step in which the hose is loosened."""
    return place.stage == "undress" and any(
        "hose-off" in step.answers and (index < place.step or (index == place.step and place.due))
        for index, step in enumerate(protocol.steps("undress"))
    )


def rinsed_at_once(protocol: Protocol, here: Position) -> bool:
    """Whether somebody's eyes are to be rinsed by the second person now: nothing that is worn covers them."""
    if not here.eyes or not protocol.eyes_at_once or here.mode == "solo":
        return False
    worn = (item for item in protocol.items if here.ledger.worn(item.name) == "on")
    return not any(item.site == "eyes" or "eyes" in {*item.tight, *item.covers} for item in worn)


def suffered(protocol: Protocol, place: Place, ledger: Ledger, kind: str) -> str:
    """The kind of breach that this one is here: whoever gets no air without a hood over the face is unwell."""
    unwell = breach_rule(protocol, "unwell", place.stage)
    if kind != "no-air" or not hose(protocol) or place.stage in {"prepare", "close"}:
        return kind
    hoods = {item.name for item in protocol.items if item.say == "hood"}
    step = step_at(protocol, place.inside(()))
    coming = place.stage == "dress" and step is not None and any(act.target in hoods for act in step.acts)
    if coming or any(ledger.worn(item) == "on" for item in hoods):
        return kind
    return kind if unwell is None else unwell.kind


def changing(protocol: Protocol, place: Place) -> bool:
    """Whether an incident's branch has already changed what is worn, so that it has to be finished."""
    number = incident(place.detours)
    if number < 0:
        return False
    begun = place.detours[number]
    done = protocol.branch(begun.branch).steps[: begun.step]
    return any(act.kind in {"don", "doff", "change"} for step in done for act in step.acts)


def leads_out(protocol: Protocol, detour: Detour) -> bool:
    """Whether somebody is helped out of everything in this branch, so that the session ends with it and not with the
    main list. That also holds for a branch that leads to such a branch.
    """
    return detour.then == "close" or protocol.then_of(detour.then) == "close"


def washes(protocol: Protocol, place: Place) -> bool:
    """Whether the innermost branch there is the wash that is owed for an exposure."""
    return any(one.cause == OWED or one.branch == protocol.wash for one in place.detours[-1:])


def unfinished(protocol: Protocol, place: Place) -> bool:
    """Whether the branch of an earlier incident has to be finished even after a new one: what is worn has changed,
    somebody is being helped out, or a piece has a hole that has to be dealt with before removal goes on.
    """
    number = incident(place.detours)
    if number < 0:
        return False
    begun = place.detours[number]
    torn = place.stage == "undress" and begun.cause in TORN
    return torn or leads_out(protocol, begun) or changing(protocol, place)


def incident(detours: tuple[Detour, ...]) -> int:
    """The index of the first detour that an incident caused; -1 if none did."""
    return next((index for index, one in enumerate(detours) if one.cause.startswith(INCIDENTS)), -1)


def without_incident(detours: tuple[Detour, ...]) -> tuple[Detour, ...]:
    """The detours outside the first that an incident caused: one incident never nests in another."""
    index = incident(detours)
    return detours if index < 0 else detours[:index]


def pieces(protocol: Protocol, here: Position) -> tuple[str, ...]:
    """The pieces that 'torn' can mean: what is being put on, and the worn pieces with a branch of their own in this
    stage, or all worn pieces if none has one.
    """
    on = here.ledger.on()
    own = tuple(item for item in on if protocol.torn_branch(item, here.place.stage))
    step = _putting_on(protocol, here)
    coming = tuple(act.target for act in step.acts if act.kind == "don" and act.target not in on) if step else ()
    return (*(own or on), *coming)


def _putting_on(protocol: Protocol, here: Position) -> Step | None:
    """The present step of dressing, outside all branches, if it names a branch for taking a fresh piece; else None."""
    step = step_at(protocol, here.place.inside(())) if here.place.stage == "dress" else None
    return step if step is not None and step.repair else None


def gloves(protocol: Protocol, here: Position) -> tuple[str, ...]:
    """The gloves that are worn, innermost first."""
    worn = [item for item in protocol.items if item.say == "gloves" and here.ledger.worn(item.name) == "on"]
    return tuple(item.name for item in sorted(worn, key=lambda item: item.layer))


def torn_branch(protocol: Protocol, here: Position, item: str) -> str:
    """The branch for a torn piece in this position; '' if there is none."""
    step = _putting_on(protocol, here)
    if step is not None and here.ledger.worn(item) != "on" and any(act.target == item for act in step.acts):
        return step.repair
    over = gloves(protocol, here)[1:]
    if here.place.stage == "undress" and item in gloves(protocol, here)[:1] and over:
        return protocol.torn_branch(item, "covered") or protocol.torn_branch(item, "undress")
    return protocol.torn_branch(item, here.place.stage)


def following(place: Place) -> Place:
    """The place one step further on."""
    if place.detours:
        return place.inside((*place.detours[:-1], place.detours[-1].further()))
    return Place(place.stage, place.step + 1)


def alone(protocol: Protocol, here: Position) -> bool:
    """Whether the wearer is alone; while the wearer is down, somebody has come to help."""
    helped = bool(here.place.detours) and here.place.detours[-1].branch == protocol.wearer_down
    return here.mode == "solo" and not helped


def undoing(here: Position) -> bool:
    """Whether this removal only undoes the dressing: nobody went in."""
    return here.cancelled and here.place.stage == "undress"
