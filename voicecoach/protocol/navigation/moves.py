"""Where an answer, an incident, a pause or a correction leads from a place. Pure."""

from __future__ import annotations

from dataclasses import replace
from functools import reduce

from voicecoach.protocol.applies import not_for_now
from voicecoach.protocol.ledger import Ledger
from voicecoach.protocol.model import ANYONE, BreachRule, Protocol, Step
from voicecoach.protocol.navigation.arrival import (
    arrive,
    enter_torn_branch,
    open_questions,
    then_place,
)
from voicecoach.protocol.navigation.position import (
    Arrival,
    Position,
    airless,
    breach_rule,
    following,
    gloves,
    hose,
    leads_out,
    settled,
    step_at,
    steps_here,
    unfinished,
    without_incident,
)
from voicecoach.protocol.place import Detour, Place

_ABOUT_SKIN = {"where", "skin"}
"""Questions whose answer may be an exposure."""


def onward(protocol: Protocol, here: Position, ledger: Ledger) -> Arrival:
    """What follows the step here. ledger: as the step leaves it."""
    return arrive(protocol, here.at(following(here.place), ledger))


def answered(protocol: Protocol, here: Position, ledger: Ledger) -> Arrival:
    """What follows once the step's own role has answered: the observer's confirmation if the step wants one, else the
    next step. ledger: as the step leaves it.
    """
    step = step_at(protocol, here.place)
    if step is not None and step.observer and here.mode == "pair" and not here.place.observer_due:
        return Arrival("confirm", here.place.with_due(True), ledger)
    return onward(protocol, here, ledger)


def without_optional(protocol: Protocol, here: Position) -> Arrival:
    """What follows the run of optional steps that begins here."""
    place, left_out = here.place, []
    while (step := step_at(protocol, place)) is not None and step.optional:
        left_out.append((step.name, "skipped on request"))
        place = following(place)
    there = arrive(protocol, here.at(place))
    return there._replace(passed=(*left_out, *there.passed))


def again(protocol: Protocol, here: Position, ledger: Ledger | None = None) -> Arrival:
    """What comes next from this place itself."""
    return arrive(protocol, here.at(ledger=ledger))


def called(protocol: Protocol, here: Position, step: Step, branch: str) -> str:
    """The branch that a step calls: `branch` the first time, its `again` on each further call (rule 37)."""
    for _ in protocol.branches:  # at most once each, should they lead in a circle
        if (step.name, branch) not in here.tried or not protocol.branch(branch).again:
            break
        branch = protocol.branch(branch).again
    return branch


def detour(
    protocol: Protocol,
    here: Position,
    branch: str,
    then: str = "",
    *,
    cause: str,
    ledger: Ledger | None = None,
    about: str = "",
) -> Arrival:
    """Enter a branch from here; a branch that is already entered begins again and is not nested."""
    outer = _outside(here.place.detours, branch)
    held = here.place.detours[len(outer) :]
    then = held[0].then if held else then or protocol.branch(branch).then
    place = here.place.inside((*outer, Detour(branch, 0, then, cause, about=about)))
    return arrive(protocol, here.at(place, ledger))


def _outside(detours: tuple[Detour, ...], branch: str) -> tuple[Detour, ...]:
    """The branches that stay entered when `branch` is: those outside of it, if it already is."""
    entered = [one.branch for one in detours]
    return detours[: entered.index(branch)] if branch in entered else detours


def branched(protocol: Protocol, here: Position, answer: str, item: str = "") -> Arrival:
    """Where an answer that calls a branch leads. item: the piece that was named with it."""
    step = step_at(protocol, here.place)
    assert step is not None
    then = "same" if step.ends else ""  # the last step of all is asked again
    branch = called(protocol, here, step, dict(step.branches)[answer])
    return detour(protocol, here, branch, then, cause=answer, about=item)


def repaired(protocol: Protocol, here: Position, step: Step) -> Arrival:
    """Where 'went wrong' leads when it means the earlier `step`."""
    return _aside(protocol, here, step.repair or protocol.rejoin, f"went wrong: {step.name}")


def breach_if_touched(protocol: Protocol, here: Position) -> bool:
    """Whether a touch here is a breach, so that acts come before any question: under a hood without air (rule 30)."""
    return bool(airless(protocol, here.place, here.ledger))


def touched(protocol: Protocol, here: Position, what: str) -> Arrival:
    """Where a touch of `what` with dirty hands leads: at work, and wherever it is a breach, where a breach does."""
    if (here.place.stage == "work" and not here.place.detours) or breach_if_touched(protocol, here):
        return breach_arrival(protocol, here, "breach")
    return _aside(protocol, here, protocol.touched, f"touched {what}")


def helped(protocol: Protocol, here: Position) -> Arrival:
    """Where 'wearer down' leads; afterwards the hands come first, as after a pause."""
    here = here.at(ledger=here.ledger.unsure())
    if not protocol.wearer_down:
        return again(protocol, here)
    if protocol.branch(protocol.wearer_down).then != "same":
        calm = here.at(here.place.inside(without_incident(here.place.detours)))
        return detour(protocol, calm, protocol.wearer_down, cause="breach: collapse")
    up_again = here._replace(place=rejoin(protocol, here).place)
    return _aside(protocol, up_again, protocol.wearer_down, "wearer down")


def faulted(protocol: Protocol, here: Position, fault: str) -> Arrival:
    """Where the observer's 'not clear' with a fault leads; to the observer again if no branch is for it."""
    step = step_at(protocol, here.place)
    if as_incident(protocol, here, fault):
        return breach_arrival(protocol, here, fault)
    branch = (dict(step.branches).get(fault) or step.repair) if step else ""
    if step is None or not branch:
        return Arrival("confirm", here.place, here.ledger)
    branch = called(protocol, here, step, branch)
    return detour(protocol, here, branch, "same", cause=f"not clear: {fault}")


def as_incident(protocol: Protocol, here: Position, fault: str) -> bool:
    """Whether what the observer names is a tear for which the step has no branch: then it is an incident (rule 29)."""
    step, rule = step_at(protocol, here.place), breach_rule(protocol, "torn", here.place.stage)
    known = rule is not None and rule.kind == "torn"
    return fault == "torn" and known and (step is None or fault not in dict(step.branches))


def _aside(protocol: Protocol, here: Position, branch: str, cause: str) -> Arrival:
    """A branch that returns to where it was called; without one, the place itself."""
    return detour(protocol, here, branch, "same", cause=cause) if branch else again(protocol, here)


def rejoin(protocol: Protocol, here: Position, ledger: Ledger | None = None) -> Arrival:
    """Where a session goes on after a pause or a restart: hands first (rule 10), then the step that fits what is worn.

    A step that rubs the hands itself begins again from zero instead, and so does the branch that it is in.
    """
    now = here.ledger if ledger is None else ledger
    place = settled(protocol, here.place, now)
    there = here.at(place, now)
    step = step_at(protocol, place)
    if step is not None and step.role == ANYONE:
        return again(protocol, _rub_before(protocol, there))
    own = step is not None and "wearer" in {step.role, *step.also}
    rubs = step is not None and own and step.timing and step.rubs
    touched_anything = any(worn != "never" for _, worn in now.items)
    if rubs and not place.observer_due:
        return again(protocol, there)
    if protocol.rejoin and touched_anything and place.stage in {"dress", "undress"}:
        return detour(protocol, there, protocol.rejoin, "same", cause="rejoin")
    return again(protocol, there)


def _rub_before(protocol: Protocol, here: Position) -> Position:
    """Where somebody is helped: the last rub before a piece that was to come off or go on; otherwise here itself."""
    step, over = step_at(protocol, here.place), here.place.detours[-1:]
    if step is None or not over or not any(act.kind in {"doff", "don"} for act in step.acts):
        return here
    unsure = here.at(ledger=here.ledger.unsure())
    for index in range(over[0].step - 1, -1, -1):
        one = steps_here(protocol, here.place)[index]
        if one.rubs and not not_for_now(one, unsure.ledger, alone=False, cancelled=False):
            return unsure.at(replace(here.place, detours=(*here.place.detours[:-1], replace(over[0], step=index))))
    return here


def breach_arrival(protocol: Protocol, here: Position, kind: str, item: str = "") -> Arrival:
    """Where a breach of this kind leads, once its first words are said. item: the piece that was named with it.

    kind: as `suffered` has it.
    """
    rule = breach_rule(protocol, kind, here.place.stage)
    calm = here.at(here.place.inside(_left_entered(protocol, here.place)))
    then = _then(protocol, here.place, rule) if rule else ""
    if kind == "needle":  # it goes through all the gloves
        calm = calm.at(ledger=reduce(Ledger.tear, gloves(protocol, calm), calm.ledger))
    if kind == "no-air" and hose(protocol):
        calm = calm.at(ledger=calm.ledger.tear(hose(protocol)))
    if rule is None:
        return again(protocol, calm)
    if rule.branch:
        return detour(protocol, calm, rule.branch, then, cause=f"breach: {kind}", about=item)
    return arrive(protocol, calm.at(then_place(protocol, calm, then, f"breach: {kind}")))


def called_off(protocol: Protocol, here: Position, struck: Place | None) -> Arrival:
    """Where 'false alarm' leads: back to where the incident was called out.

    Args:
        here: as if there had been no incident. struck: that place; None if something has been taken off or put on
            since: then what was begun is finished, because nobody goes on with bare hands.
    """
    if struck is None:
        return again(protocol, here)
    if struck.stage == "dress" and not any(leads_out(protocol, one) for one in struck.detours):
        struck = settled(protocol, struck.inside(()), here.ledger)
    return arrive(protocol, here.at(struck))


def _left_entered(protocol: Protocol, place: Place) -> tuple[Detour, ...]:
    """The branches that a new incident leaves entered."""
    return place.detours if unfinished(protocol, place) else without_incident(place.detours)


def _then(protocol: Protocol, place: Place, rule: BreachRule) -> str:
    """Where the branch of a breach leads: somebody who is being helped out at work goes on being helped."""
    helped_out = any(leads_out(protocol, one) for one in _left_entered(protocol, place))
    return "same" if place.stage == "work" and rule.then == "undress" and helped_out else rule.then


def unasked(protocol: Protocol, here: Position, kind: str) -> str:
    """The question about the skin that a breach of this kind cuts off, and that nothing asks afterwards; '' for none.

    kind: '' when the wearer is down. The answer then stays unknown, which counts as an exposure, as "unsure" does
    (rule 26).
    """
    place, rule = here.place, breach_rule(protocol, kind, here.place.stage) if kind else None
    branch = rule.branch if rule else "" if kind else protocol.wearer_down
    then = _then(protocol, place, rule) if rule else protocol.branch(branch).then if branch else "same"
    asks = {*(rule.ask if rule else ()), *(protocol.branch(branch).ask if branch else ())}
    if here.placed or asks & _ABOUT_SKIN:
        return ""
    returns = not {then, protocol.then_of(then)}.isdisjoint({"same", "next", "missing"})
    stays = _outside(_left_entered(protocol, place), branch) if returns else ()
    cut_off = place.detours[len(stays) :]
    left = (question for one in cut_off for question in open_questions(protocol, place.stage, one))
    return next((question for question in left if question in _ABOUT_SKIN), "")


def asked(protocol: Protocol, here: Position, exposed: bool) -> Arrival:
    """What follows a question at the end of a branch: its `exposed` branch, its next question, or where it leads."""
    over = here.place.detours[-1]
    branch = protocol.branch(over.branch)
    after = (
        replace(over, branch=branch.exposed, step=0, due=False)
        if exposed and branch.exposed
        else replace(over, step=over.step + 1)
    )
    return arrive(protocol, here.at(here.place.inside((*here.place.detours[:-1], after))))


def torn(protocol: Protocol, here: Position, item: str) -> Arrival:
    """What follows once the torn piece is known: its own branch, or the next question of the branch that asked."""
    return arrive(protocol, enter_torn_branch(protocol, here, item))
