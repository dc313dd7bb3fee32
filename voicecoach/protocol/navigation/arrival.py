"""What is found at a place: the first step from there on that applies, a question, or the end. Pure."""

from __future__ import annotations

from dataclasses import replace

from voicecoach.protocol.applies import not_for_now
from voicecoach.protocol.model import STAGES, Branch, Protocol, Step
from voicecoach.protocol.navigation.position import (
    INCIDENTS,
    KNOWN,
    NO_AIR,
    OWED,
    RINSE,
    UNDONE,
    Arrival,
    Position,
    airless,
    alone,
    breach_rule,
    following,
    gloves,
    hose,
    leads_out,
    pieces,
    rinsed_at_once,
    settled,
    step_at,
    torn_branch,
    undoing,
)
from voicecoach.protocol.place import Detour, Place


def arrive(protocol: Protocol, here: Position) -> Arrival:
    """What comes next from `here`: the first step that applies, a question, work, or the observer's confirmation."""
    passed: list[tuple[str, str]] = []
    for _ in range(10_000):  # a bound, not a limit: the loader refuses files that long
        here = _helped_out(protocol, here)
        place, ledger = here.place, here.ledger
        diverted = _diverted(protocol, here) or _rinsed(protocol, here) or _air_first(protocol, here)
        if diverted is not None:
            if (step := step_at(protocol, place)) is not None and diverted.place.stage != place.stage:
                passed.append((step.name, "nobody goes in any more"))
            here = diverted
            continue
        if place.step < 0 and not place.detours:
            if here.mode == "solo":
                return Arrival("question", place, ledger, question="reason", passed=tuple(passed))
            here = here.at(replace(place, step=0))
            continue
        if place.stage == "work" and not place.detours:
            return Arrival("work", place, ledger, passed=tuple(passed))
        step = step_at(protocol, place)
        if step is not None and place.observer_due:
            return Arrival("confirm", place, ledger, passed=tuple(passed))
        if step is None:
            end = _after_last_step(protocol, here)
            if end.kind != "on":
                return end._replace(passed=tuple(passed))
            passed += _left_out(protocol, place, end.place)
            here = here.at(end.place, end.ledger)
            continue
        known = _known_torn(protocol, here, step)
        if known is not None:
            passed.append((step.name, "already known to be damaged"))
            here = known
            continue
        clean = step.between and place.stage in {"prepare", "dress"} and not here.owes
        reason = not_for_now(step, ledger, alone=alone(protocol, here), cancelled=undoing(here))
        reason = reason or ("nobody went in" if clean else "")
        if not reason:
            return Arrival("step", place, ledger, passed=tuple(passed))
        passed.append((step.name, reason))
        here = here.at(following(place))
    return Arrival("question", here.place, here.ledger, question="end")


def _helped_out(protocol: Protocol, here: Position) -> Position:
    """The position of somebody who is being helped out: the branches entered before are dropped, and once pieces come
    off at work, the stage is removal, so that any later incident leads back into the helping and never to the main
    list.
    """
    place = here.place
    if not place.detours or not leads_out(protocol, place.detours[-1]):
        return here
    if place.stage == "work" and place.detours[-1].then == "close":
        return here.at(Place("undress", 0, place.detours[-1:]))
    return here if len(place.detours) == 1 else here.at(place.inside(place.detours[-1:]))


def _diverted(protocol: Protocol, here: Position) -> Position | None:
    """The place to which an incident diverts: the wash, once nothing is worn; otherwise out, never further in."""
    place = here.place
    if place.detours or place.observer_due or place.stage == "work":
        return None
    on = here.ledger.on()
    clean = place.stage != "undress" or here.ledger.hands == "clean"
    if here.owes and protocol.wash and not on and clean:
        wash = replace(place, step=max(0, place.step), detours=(Detour(protocol.wash, 0, "same", OWED),))
        return here._replace(place=wash, owes=False)
    never_dressed = all(worn == "never" for _, worn in here.ledger.items)
    end = len(protocol.steps("close"))
    if here.cancelled and place.stage == "close" and never_dressed and place.step < end:
        return here.at(replace(place, step=end))  # nothing to ask about
    if not here.cancelled and place.stage == "dress":
        # an interrupted change of a piece must not end with the piece off
        missing = settled(protocol, place, here.ledger)
        return here.at(missing) if missing != place else None
    if here.cancelled and place.stage in {"prepare", "dress"}:
        return here.at(_way_out(protocol, here))
    return None


def _rinsed(protocol: Protocol, here: Position) -> Position | None:
    """The branch in which the second person rinses somebody's eyes, in a removal, once nothing covers them."""
    place, hands = here.place, here.ledger.hands
    undressing = place.stage == "undress" and here.ledger.on() and not place.detours and not place.observer_due
    if not undressing or hands == "not-rubbed" or not rinsed_at_once(protocol, here):
        return None
    return here.at(replace(place, detours=(Detour(protocol.eyes_at_once, 0, "same", RINSE),)))


def _air_first(protocol: Protocol, here: Position) -> Position | None:
    """The branch that takes off a hood without air, before anything else that an incident asks for (rule 30)."""
    place, air = here.place, hose(protocol)
    hood = airless(protocol, place, here.ledger)
    if not hood:
        return here.at(ledger=here.ledger.forget_tear(air)) if air in here.ledger.torn else None
    rule = breach_rule(protocol, "no-air", place.stage)
    if not place.detours or place.observer_due or place.detours[-1].cause == NO_AIR or rule is None or not rule.branch:
        return None
    step = step_at(protocol, place)
    off = [one for one in protocol.branch(rule.branch).steps if _takes_off(one, hood)]
    if (step and _takes_off(step, hood)) or all(not_for_now(o, here.ledger, alone=False, cancelled=False) for o in off):
        return None
    first = Detour(rule.branch, 0, "same", NO_AIR)
    return here.at(place.inside((*place.detours, first)))


def _takes_off(step: Step, item: str) -> bool:
    return any((act.kind, act.target) == ("doff", item) for act in step.acts)


def _known_torn(protocol: Protocol, here: Position, step: Step) -> Position | None:
    """The branch for a piece known to be torn, instead of a step that inspects it; None if that does not apply."""
    if not here.ledger.torn:
        return None
    branches = dict(step.branches)
    looked_at = [act.target for act in step.acts if act.kind == "inspect"]
    torn = [item for item in looked_at if item in here.ledger.torn]
    if not torn or torn != looked_at or "torn" not in branches:
        return None
    branch = torn_branch(protocol, here, torn[0]) or branches["torn"]
    entered = Detour(branch, 0, protocol.branch(branch).then, f"{KNOWN}{torn[0]}")
    return here.at(here.place.inside((*here.place.detours, entered)), here.ledger.forget_tear(torn[0]))


def enter_torn_branch(protocol: Protocol, here: Position, item: str) -> Position:
    """The start of the branch for the torn piece; without one, the next question of the branch that asked."""
    over = replace(here.place.detours[-1], about="")
    branch = torn_branch(protocol, here, item)
    if not branch:
        there = here.place.inside((*here.place.detours[:-1], replace(over, step=over.step + 1)))
        return here.at(there, here.ledger.tear(item))
    entered = Detour(branch, 0, over.then, over.cause)
    return here.at(here.place.inside((*here.place.detours[:-1], entered)))


def then_place(protocol: Protocol, here: Position, then: str, cause: str) -> Place:
    """The place that `then` of a branch or breach rule names."""
    place = here.place
    if then == "next":
        there = following(place)
    elif then == "missing":
        there = settled(protocol, place, here.ledger) if place.stage == "dress" and not place.detours else place
    elif then == "undress" and place.stage != "work":
        there = _way_out(protocol, here) if place.stage in {"prepare", "dress"} else place
    elif then in STAGES:
        there = Place(then, 0)
    elif any(branch.name == then for branch in protocol.branches):
        own = protocol.branch(then).then
        # the step that the incident interrupted has not been answered
        follows = "same" if own == "next" and cause.startswith(INCIDENTS) else own
        there = place.inside((*place.detours, Detour(then, 0, follows, cause)))
    else:
        there = _main_step(protocol, place, then)
    return there


def _way_out(protocol: Protocol, here: Position) -> Place:
    """Where a wearer goes who will not go in: what is on comes off, and the session ends."""
    if not here.ledger.on():
        return Place("close", 0)
    if not protocol.undo:
        return Place("undress", 0)
    return here.place.inside((Detour(protocol.undo, 0, "close", UNDONE),))


def _main_step(protocol: Protocol, place: Place, name: str) -> Place:
    """The step of that name in its stage, unless it lies behind; the place itself for 'same'."""
    for plan in protocol.stages:
        for index, step in enumerate(plan.steps):
            if step.name == name:
                order = (STAGES.index(plan.stage), index)
                forwards = order >= (STAGES.index(place.stage), place.step)
                return Place(plan.stage, index) if forwards else place.inside(())
    return place


def _left_out(protocol: Protocol, here: Place, there: Place) -> list[tuple[str, str]]:
    """The steps of the stages that a branch passes over when it leads to another stage."""
    if not here.detours or here.stage == there.stage:
        return []
    stages = STAGES[STAGES.index(here.stage) : STAGES.index(there.stage)]
    steps = [step for stage in stages for step in protocol.steps(stage)[here.step if stage == here.stage else 0 :]]
    return [(step.name, f"left out: {here.detours[-1].branch}") for step in steps]


def _after_last_step(protocol: Protocol, here: Position) -> Arrival:
    """What follows the last step of a branch or stage. Its kind is 'on' if the way goes on from its place."""
    place, ledger = here.place, here.ledger
    if place.detours:
        over = place.detours[-1]
        branch: Branch = protocol.branch(over.branch)
        questions = _questions(protocol, place.stage, over)
        number = over.step - len(branch.steps)
        outer = place.inside(place.detours[:-1])
        if (
            number < len(questions)
            and questions[number] in {"where", "skin"}
            and (here.placed or over.cause.startswith(KNOWN))
        ):
            return Arrival("on", following(place), ledger)
        if number >= len(questions):
            return Arrival("on", then_place(protocol, here.at(outer), over.then, over.cause), ledger)
        known = {"piece": pieces, "gloves": gloves}.get(questions[number], pieces)(protocol, here)
        if questions[number] == "piece" and over.about:
            known = (over.about,)  # it was named with the word
        if questions[number] == "gloves" or (questions[number] == "piece" and len(known) < 2):
            there = enter_torn_branch(protocol, here, known[0]) if known else here.at(following(place))
            return Arrival("on", there.place, there.ledger)
        question = {"piece": "torn-piece"}.get(questions[number], questions[number])
        return Arrival("question", place, ledger, question=question, about=over.branch)
    later = STAGES.index(place.stage) + 1
    if later == len(STAGES):
        return Arrival("question", replace(place, step=len(protocol.steps(place.stage))), ledger, question="end")
    return Arrival("on", Place(STAGES[later], 0), ledger)


def _questions(protocol: Protocol, stage: str, over: Detour) -> tuple[str, ...]:
    """The questions after the steps of a branch: its own, and those of the breach that it was entered for."""
    own = protocol.branch(over.branch).ask
    if not over.cause.startswith("breach: "):
        return own
    rule = breach_rule(protocol, over.cause.removeprefix("breach: "), stage)
    return (*own, *(rule.ask if rule and rule.branch == over.branch else ()))


def open_questions(protocol: Protocol, stage: str, over: Detour) -> tuple[str, ...]:
    """The questions of an entered branch that have not been answered."""
    if over.cause.startswith(KNOWN):
        return ()
    return _questions(protocol, stage, over)[max(0, over.step - len(protocol.branch(over.branch).steps)) :]
