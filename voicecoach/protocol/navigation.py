"""Finding the way through a protocol: which step is here, what comes next, what is passed over. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace

from voicecoach.protocol.ledger import Ledger
from voicecoach.protocol.lint import all_steps
from voicecoach.protocol.model import STAGES, Branch, BreachRule, Protocol, Step
from voicecoach.protocol.place import Detour, Place


@dataclass(frozen=True, slots=True)
class Position:
    """Where somebody is on the way: the place, what is worn there, and with whom ('solo' or 'pair')."""

    place: Place
    ledger: Ledger
    mode: str


@dataclass(frozen=True, slots=True)
class Arrival:
    """Where a way leads. kind: 'step' (read it), 'work', 'question' (ask it), or 'confirm' (the observer is due).

    passed: names of steps passed over on the way, each with the reason. ledger: as it then stands.
    """

    kind: str
    place: Place
    ledger: Ledger
    question: str = ""
    about: str = ""
    passed: tuple[tuple[str, str], ...] = ()


def steps_here(protocol: Protocol, place: Place) -> tuple[Step, ...]:
    """The steps of the branch or stage that `place` is in."""
    if place.detours:
        return protocol.branch(place.detours[-1].branch).steps
    return protocol.steps(place.stage)


def steps_named(protocol: Protocol) -> dict[str, Step]:
    """All steps of stages and branches by name."""
    return {step.name: step for _, step in all_steps(protocol)}


def index_here(place: Place) -> int:
    """The index within `steps_here`."""
    return place.detours[-1].step if place.detours else place.step


def step_at(protocol: Protocol, place: Place) -> Step | None:
    """The step at `place`; None during work and behind the end."""
    steps = steps_here(protocol, place)
    index = index_here(place)
    if place.stage == "work" and not place.detours:
        return None
    return steps[index] if 0 <= index < len(steps) else None


def arrive(protocol: Protocol, place: Place, ledger: Ledger, mode: str) -> Arrival:
    """What is found on going to `place`: the first step from there on that applies, or what else stands there."""
    passed: list[tuple[str, str]] = []
    for _ in range(10_000):  # a bound, not a limit: the loader refuses files that long
        if place.step < 0 and not place.detours:
            if mode == "solo":
                return Arrival("question", place, ledger, question="reason", passed=tuple(passed))
            place = replace(place, step=0)
        if place.stage == "work" and not place.detours:
            return Arrival("work", place, ledger, passed=tuple(passed))
        step = step_at(protocol, place)
        if step is not None and place.observer_due:
            return Arrival("confirm", place, ledger, passed=tuple(passed))
        if step is None:
            end = _behind_the_end(protocol, place, ledger)
            if end.kind != "on":
                return replace(end, passed=tuple(passed))
            place = end.place
            continue
        helper_reads = bool(place.detours) and place.detours[-1].branch == protocol.wearer_down
        reason = passed_over(step, ledger, "pair" if helper_reads else mode)
        if not reason:
            return Arrival("step", place, ledger, passed=tuple(passed))
        passed.append((step.name, reason))
        place = _following(place)
    return Arrival("question", place, ledger, question="end")


def onward(protocol: Protocol, here: Position, ledger: Ledger) -> Arrival:
    """What follows the step at the state's place, with `ledger` as that step leaves it."""
    return arrive(protocol, _following(here.place), ledger, here.mode)


def answered(protocol: Protocol, here: Position, ledger: Ledger) -> Arrival:
    """What follows the acting role's answer to the step here: the observer's word, if one is due, or the way onward.

    Args:
        ledger: as the step leaves it.
    """
    step = step_at(protocol, here.place)
    if step is not None and step.observer and here.mode == "pair" and not here.place.observer_due:
        return Arrival("confirm", here.place.with_due(True), ledger)
    return onward(protocol, here, ledger)


def without_optional(protocol: Protocol, here: Position) -> Arrival:
    """What follows the optional steps that stand at the state's place and directly behind it."""
    place, left_out = here.place, []
    while (step := step_at(protocol, place)) is not None and step.optional:
        left_out.append((step.name, "left out on a word"))
        place = _following(place)
    there = arrive(protocol, place, here.ledger, here.mode)
    return replace(there, passed=(*left_out, *there.passed))


def again(protocol: Protocol, here: Position, ledger: Ledger | None = None) -> Arrival:
    """What stands at the state's own place."""
    return arrive(protocol, here.place, here.ledger if ledger is None else ledger, here.mode)


def detour(
    protocol: Protocol, here: Position, branch: str, then: str, *, cause: str, ledger: Ledger | None = None
) -> Arrival:
    """Enter a branch from the state's place; a branch that is already being read is begun anew, not nested."""
    held = [d.branch for d in here.place.detours]
    outer = here.place.detours[: held.index(branch)] if branch in held else here.place.detours
    then = here.place.detours[held.index(branch)].then if branch in held else then
    place = replace(here.place, detours=(*outer, Detour(branch, 0, then, cause)))
    return arrive(protocol, place, here.ledger if ledger is None else ledger, here.mode)


def branched(protocol: Protocol, here: Position, answer: str) -> Arrival:
    """Where an answer of the step here that calls a branch leads."""
    step = step_at(protocol, here.place)
    assert step is not None
    branch = protocol.branch(dict(step.branches)[answer])
    return detour(protocol, here, branch.name, branch.then, cause=answer)


def repaired(protocol: Protocol, here: Position, step: Step) -> Arrival:
    """Where 'went wrong', said here of `step` behind, leads."""
    return _aside(protocol, here, step.repair or protocol.rejoin, f"went wrong: {step.name}")


def touched(protocol: Protocol, here: Position, what: str) -> Arrival:
    """Where a touch of `what` with dirty hands leads."""
    return _aside(protocol, here, protocol.touched, f"touched {what}")


def helped(protocol: Protocol, here: Position) -> Arrival:
    """Where it leads that the wearer is down; behind that, as after a pause, the hands come first."""
    if not protocol.wearer_down:
        return again(protocol, here)
    up_again = replace(here, place=rejoin(protocol, here).place)
    return _aside(protocol, up_again, protocol.wearer_down, "wearer down")


def faulted(protocol: Protocol, here: Position, fault: str) -> Arrival:
    """Where the observer's 'not clear' and a fault lead; to the observer again if there is no way for it."""
    step = step_at(protocol, here.place)
    branch = (dict(step.branches).get(fault) or step.repair) if step else ""
    if not branch:
        return Arrival("confirm", here.place, here.ledger)
    return detour(protocol, here, branch, "same", cause=f"not clear: {fault}")


def _aside(protocol: Protocol, here: Position, branch: str, cause: str) -> Arrival:
    """A branch that comes back to where it was called; nothing if there is no such branch."""
    return detour(protocol, here, branch, "same", cause=cause) if branch else again(protocol, here)


def rejoin(protocol: Protocol, here: Position, ledger: Ledger | None = None) -> Arrival:
    """After a pause or a restart the way begins with the hands (rule 10), at the place that fits what is worn.

    A step that rubs the hands itself is begun anew instead, from zero; so is a branch that it stands in.
    """
    now = here.ledger if ledger is None else ledger
    place = settled(protocol, here.place, now)
    there = replace(here, ledger=now, place=place)
    step = step_at(protocol, place)
    own = step is not None and "wearer" in {step.role, *step.also}
    rubs = step is not None and own and step.timing and any(a.kind in {"disinfect", "hygiene"} for a in step.acts)
    touched_anything = any(worn != "never" for _, worn in now.items)
    if rubs and not place.observer_due:
        return again(protocol, there)
    if protocol.rejoin and touched_anything and place.stage in {"dress", "undress"}:
        return detour(protocol, there, protocol.rejoin, "same", cause="rejoin")
    return again(protocol, there)


_MENDED_IN = {"dress": "dress", "work": "dress", "undress": "undress", "close": "undress"}


def settled(protocol: Protocol, place: Place, ledger: Ledger) -> Place:
    """`place`, or the earlier step at which an item should have gone on or come off and, says the ledger, did not."""
    last: dict[str, tuple[Place, str]] = {}
    for stage in STAGES[: STAGES.index(place.stage) + 1]:
        done = protocol.steps(stage)[: max(0, place.step)] if stage == place.stage else protocol.steps(stage)
        for index, step in enumerate(done):
            for act in step.acts:
                if act.kind in {"don", "change", "doff"} and not step.when_on and not step.when_off:
                    last[act.target] = (Place(stage, index), "off" if act.kind == "doff" else "on")
    missed = [
        there
        for item, (there, worn) in last.items()
        if (ledger.worn(item) == "on") != (worn == "on") and there.stage == _MENDED_IN.get(place.stage)
    ]
    return min(missed, key=lambda there: there.step, default=place)


def breach_rule(protocol: Protocol, kind: str, stage: str) -> BreachRule | None:
    """The rule for this kind in this stage, or the one for plain 'breach'; None if the protocol has neither."""
    for wanted in (kind, "breach"):
        for rule in protocol.breaches:
            if rule.kind == wanted and stage in rule.stages:
                return rule
    return None


def breach_arrival(protocol: Protocol, here: Position, kind: str) -> Arrival:
    """Where a breach of this kind leads after its first words."""
    rule = breach_rule(protocol, kind, here.place.stage)
    calm = replace(here, place=replace(here.place, detours=without_breach(here.place.detours)))
    if rule is None:
        return again(protocol, calm)
    if rule.branch:
        found = detour(protocol, calm, rule.branch, rule.then, cause=f"breach: {kind}")
    else:
        found = _led(protocol, calm.place, rule.then, here.ledger, here.mode)
    return found


def without_breach(detours: tuple[Detour, ...]) -> tuple[Detour, ...]:
    """The detours up to the first that a breach caused: a new breach never nests in an old one."""
    for index, one in enumerate(detours):
        if one.cause.startswith("breach"):
            return detours[:index]
    return detours


def asked(protocol: Protocol, here: Position, exposed: bool) -> Arrival:
    """What follows the question at a branch's end: its `exposed` branch, or where the branch leads."""
    over = here.place.detours[-1]
    branch = protocol.branch(over.branch)
    after = (
        replace(over, branch=branch.exposed, step=0, due=False)
        if exposed and branch.exposed
        else replace(over, step=over.step + 1)
    )
    place = replace(here.place, detours=(*here.place.detours[:-1], after))
    return arrive(protocol, place, here.ledger, here.mode)


def _led(protocol: Protocol, place: Place, then: str, ledger: Ledger, mode: str) -> Arrival:
    """Follow a breach's `then` from the place it was called at."""
    if then == "undress" and place.stage in {"dress", "work"}:
        return arrive(protocol, Place("undress", 0), ledger, mode)
    return arrive(protocol, _then_place(protocol, place, then), ledger, mode)


def _then_place(protocol: Protocol, place: Place, then: str) -> Place:
    if then == "next":
        return _following(place)
    for plan in protocol.stages:
        for index, step in enumerate(plan.steps):
            if step.name == then:
                order = (STAGES.index(plan.stage), index)
                forwards = order >= (STAGES.index(place.stage), place.step)
                return Place(plan.stage, index) if forwards else replace(place, detours=())
    return place


def _following(place: Place) -> Place:
    if place.detours:
        last = place.detours[-1]
        return replace(place, detours=(*place.detours[:-1], replace(last, step=last.step + 1, due=False)))
    return replace(place, step=place.step + 1, due=False)


def _behind_the_end(protocol: Protocol, place: Place, ledger: Ledger) -> Arrival:
    """What comes when a branch or a stage has no more steps; kind 'on' means: look at the place given."""
    if place.detours:
        over = place.detours[-1]
        branch: Branch = protocol.branch(over.branch)
        question = branch.ask or _asked_by_breach(protocol, place.stage, over)
        if question and over.step == len(branch.steps):
            return Arrival("question", place, ledger, question=question, about=over.branch)
        outer = replace(place, detours=place.detours[:-1])
        if over.then == "undress" and outer.stage in {"dress", "work"}:
            return Arrival("on", Place("undress", 0), ledger)
        return Arrival("on", _then_place(protocol, outer, over.then), ledger)
    later = STAGES.index(place.stage) + 1
    if later == len(STAGES):
        return Arrival("question", replace(place, step=len(protocol.steps(place.stage))), ledger, question="end")
    return Arrival("on", Place(STAGES[later], 0), ledger)


def _asked_by_breach(protocol: Protocol, stage: str, over: Detour) -> str:
    if not over.cause.startswith("breach: "):
        return ""
    rule = breach_rule(protocol, over.cause.removeprefix("breach: "), stage)
    return rule.ask if rule and rule.branch == over.branch else ""


def passed_over(step: Step, ledger: Ledger, mode: str) -> str:
    """Why the step is passed over as things stand; '' if it is to be read."""
    for item in step.when_on:
        if ledger.worn(item) != "on":
            return f"{item} is not worn"
    for item in step.when_off:
        if ledger.worn(item) == "on":
            return f"{item} is worn"
    if mode == "solo" and step.role == "observer" and not step.alone:
        return "there is no observer"
    doffs = [act.target for act in step.acts if act.kind == "doff"]
    if doffs and all(ledger.worn(item) != "on" for item in doffs):
        return "nothing already off is asked off again"
    dons = [act.target for act in step.acts if act.kind == "don"]
    if dons and len(dons) == len(step.acts) and all(ledger.worn(item) == "on" for item in dons):
        return "already on"
    return ""
