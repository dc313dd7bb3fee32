"""Finding the way through a protocol: which step is here, what comes next, what is passed over. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import reduce

from voicecoach.protocol.applies import not_for_now
from voicecoach.protocol.ledger import Ledger
from voicecoach.protocol.lint import all_steps
from voicecoach.protocol.model import STAGES, Branch, BreachRule, Protocol, Step
from voicecoach.protocol.place import Detour, Place

INCIDENTS = ("breach: ", "touched ")
"""How the cause of a detour begins that is about an incident."""
OWED = "owed for an exposure"
"""The cause of the detour to the wash."""
KNOWN = "known to be torn: "
"""How the cause of a detour begins that is about a piece which was found torn before: nothing is asked again."""
UNDONE = "does not go in"
"""The cause of the detour in which somebody takes off again what is on."""


@dataclass(frozen=True, slots=True)
class Position:
    """Where somebody is on the way: the place, what is worn there, and with whom ('solo' or 'pair').

    owes: a wash is owed for an exposure and has not been led to yet. placed: the place of this incident's exposure has
    been named. cancelled: nobody goes in any more. tried: (step, branch) of the branches that steps have called so far.
    """

    place: Place
    ledger: Ledger
    mode: str
    owes: bool = False
    placed: bool = False
    cancelled: bool = False
    tried: tuple[tuple[str, str], ...] = ()

    def at(self, place: Place | None = None, ledger: Ledger | None = None) -> Position:
        """The same person somewhere else, or with something else on."""
        there = place or self.place
        led_out = self.place.stage in {"prepare", "dress"} and there.stage in {"undress", "close"}
        now = self.ledger if ledger is None else ledger
        cancelled = self.cancelled or led_out
        return Position(there, now, self.mode, self.owes, self.placed, cancelled, self.tried)  # made very often


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


def arrive(protocol: Protocol, here: Position) -> Arrival:
    """What is found there: the first step from there on that applies, or what else stands there."""
    passed: list[tuple[str, str]] = []
    for _ in range(10_000):  # a bound, not a limit: the loader refuses files that long
        place, ledger = here.place, here.ledger
        turned = _turned(protocol, here)
        if turned is not None:
            if (step := step_at(protocol, place)) is not None and turned.place.stage != place.stage:
                passed.append((step.name, "nobody goes in any more"))
            here = turned
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
            end = _behind_the_end(protocol, here)
            if end.kind != "on":
                return replace(end, passed=tuple(passed))
            passed += _left_out(protocol, place, end.place)
            here = here.at(end.place, end.ledger)
            continue
        known = _known_torn(protocol, here, step)
        if known is not None:
            passed.append((step.name, "already known to be damaged"))
            here = known
            continue
        reason = not_for_now(step, ledger, alone=_alone(protocol, here), cancelled=_undoing(here))
        if not reason:
            return Arrival("step", place, ledger, passed=tuple(passed))
        passed.append((step.name, reason))
        here = here.at(_following(place))
    return Arrival("question", here.place, here.ledger, question="end")


def _turned(protocol: Protocol, here: Position) -> Position | None:
    """Where an incident turns the way to: the wash that is owed, as soon as nothing is worn; or out, never in."""
    place, on = here.place, here.ledger.on()
    if place.detours or place.observer_due or place.stage == "work":
        return None
    clean = place.stage != "undress" or here.ledger.hands == "clean"
    if here.owes and protocol.wash and not on and clean:
        wash = replace(place, step=max(0, place.step), detours=(Detour(protocol.wash, 0, "same", OWED),))
        return replace(here, place=wash, owes=False)
    if not here.cancelled and place.stage == "dress":
        # a way to a fresh piece that something came in between must not end with the piece off
        missing = settled(protocol, place, here.ledger)
        return here.at(missing) if missing != place else None
    if here.cancelled and place.stage in {"prepare", "dress"}:
        return here.at(_led_out(protocol, here))
    return None


def _known_torn(protocol: Protocol, here: Position, step: Step) -> Position | None:
    """A look at a piece that is known to be torn is passed over for the way of that piece."""
    ways = dict(step.branches)
    looked_at = [act.target for act in step.acts if act.kind == "inspect"]
    torn = [item for item in looked_at if item in here.ledger.torn]
    if not torn or torn != looked_at or "torn" not in ways:
        return None
    way = _way_of_torn(protocol, here, torn[0]) or ways["torn"]
    entered = Detour(way, 0, protocol.branch(way).then, f"{KNOWN}{torn[0]}")
    return here.at(replace(here.place, detours=(*here.place.detours, entered)), here.ledger.mended(torn[0]))


def onward(protocol: Protocol, here: Position, ledger: Ledger) -> Arrival:
    """What follows the step at the place, with `ledger` as that step leaves it."""
    return arrive(protocol, here.at(_following(here.place), ledger))


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
    there = arrive(protocol, here.at(place))
    return replace(there, passed=(*left_out, *there.passed))


def again(protocol: Protocol, here: Position, ledger: Ledger | None = None) -> Arrival:
    """What stands at the place itself."""
    return arrive(protocol, here.at(ledger=ledger))


def called(protocol: Protocol, here: Position, step: Step, branch: str) -> str:
    """The branch that a step calls: its own, or, each further time, the one that stands in for it (rule 37)."""
    while (step.name, branch) in here.tried and protocol.branch(branch).again:
        branch = protocol.branch(branch).again
    return branch


def detour(
    protocol: Protocol, here: Position, branch: str, then: str = "", *, cause: str, ledger: Ledger | None = None
) -> Arrival:
    """Enter a branch from the place; a branch that is already being read is begun anew, not nested."""
    held = [d.branch for d in here.place.detours]
    outer = here.place.detours[: held.index(branch)] if branch in held else here.place.detours
    then = here.place.detours[held.index(branch)].then if branch in held else then or protocol.branch(branch).then
    place = replace(here.place, detours=(*outer, Detour(branch, 0, then, cause)))
    return arrive(protocol, here.at(place, ledger))


def branched(protocol: Protocol, here: Position, answer: str) -> Arrival:
    """Where an answer of the step here that calls a branch leads."""
    step = step_at(protocol, here.place)
    assert step is not None
    return detour(protocol, here, called(protocol, here, step, dict(step.branches)[answer]), cause=answer)


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
    if protocol.branch(protocol.wearer_down).then != "same":
        calm = here.at(replace(here.place, detours=without_incident(here.place.detours)))
        return detour(protocol, calm, protocol.wearer_down, cause="breach: collapse")
    up_again = replace(here, place=rejoin(protocol, here).place)
    return _aside(protocol, up_again, protocol.wearer_down, "wearer down")


def faulted(protocol: Protocol, here: Position, fault: str) -> Arrival:
    """Where the observer's 'not clear' and a fault lead; to the observer again if there is no way for it."""
    step = step_at(protocol, here.place)
    branch = (dict(step.branches).get(fault) or step.repair) if step else ""
    if step is None or not branch:
        return Arrival("confirm", here.place, here.ledger)
    branch = called(protocol, here, step, branch)
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
    there = here.at(place, now)
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
    kept = here.place.detours if changing(protocol, here.place) else without_incident(here.place.detours)
    calm = here.at(replace(here.place, detours=kept))
    if kind == "needle":  # it goes through all the gloves
        calm = calm.at(ledger=reduce(Ledger.tear, _gloves(protocol, calm), calm.ledger))
    if rule is None:
        return again(protocol, calm)
    if rule.branch:
        return detour(protocol, calm, rule.branch, rule.then, cause=f"breach: {kind}")
    return arrive(protocol, calm.at(_then_place(protocol, calm, rule.then, f"breach: {kind}")))


def changing(protocol: Protocol, place: Place) -> bool:
    """Whether the branch of an incident has already taken something off or put it on: it has to be gone to its end."""
    number = incident(place.detours)
    if number < 0:
        return False
    begun = place.detours[number]
    done = protocol.branch(begun.branch).steps[: begun.step]
    return any(act.kind in {"don", "doff", "change"} for step in done for act in step.acts)


def incident(detours: tuple[Detour, ...]) -> int:
    """Where among the detours the first one stands that an incident caused; -1 if none did."""
    return next((index for index, one in enumerate(detours) if one.cause.startswith(INCIDENTS)), -1)


def without_incident(detours: tuple[Detour, ...]) -> tuple[Detour, ...]:
    """The detours up to the first that an incident caused: a new one never nests in an old one."""
    index = incident(detours)
    return detours if index < 0 else detours[:index]


def asked(protocol: Protocol, here: Position, exposed: bool) -> Arrival:
    """What follows a question at a branch's end: its `exposed` branch, its next question, or where the branch leads."""
    over = here.place.detours[-1]
    branch = protocol.branch(over.branch)
    after = (
        replace(over, branch=branch.exposed, step=0, due=False)
        if exposed and branch.exposed
        else replace(over, step=over.step + 1)
    )
    return arrive(protocol, here.at(replace(here.place, detours=(*here.place.detours[:-1], after))))


def pieces(protocol: Protocol, here: Position) -> tuple[str, ...]:
    """The pieces that 'torn' can mean: those that are worn, first those that have a way of their own here."""
    on = here.ledger.on()
    own = tuple(item for item in on if protocol.torn_way(item, here.place.stage))
    return own or on


def _gloves(protocol: Protocol, here: Position) -> tuple[str, ...]:
    """The gloves that are worn, those next to the skin first."""
    worn = [item for item in protocol.items if item.say == "gloves" and here.ledger.worn(item.name) == "on"]
    return tuple(item.name for item in sorted(worn, key=lambda item: item.layer))


def _way_of_torn(protocol: Protocol, here: Position, item: str) -> str:
    """The branch for a torn piece as things stand; '' if there is none."""
    over = _gloves(protocol, here)[1:]
    if here.place.stage == "undress" and item in _gloves(protocol, here)[:1] and over:
        return protocol.torn_way(item, "covered") or protocol.torn_way(item, "undress")
    return protocol.torn_way(item, here.place.stage)


def torn(protocol: Protocol, here: Position, item: str) -> Arrival:
    """What follows once the torn piece is known: its own way, or the next question of the way that asked."""
    return arrive(protocol, _torn_way(protocol, here, item))


def _torn_way(protocol: Protocol, here: Position, item: str) -> Position:
    over = here.place.detours[-1]
    way = _way_of_torn(protocol, here, item)
    if not way:
        there = replace(here.place, detours=(*here.place.detours[:-1], replace(over, step=over.step + 1)))
        return here.at(there, here.ledger.tear(item))
    entered = Detour(way, 0, over.then, over.cause)
    return here.at(replace(here.place, detours=(*here.place.detours[:-1], entered)))


def _then_place(protocol: Protocol, here: Position, then: str, cause: str) -> Place:
    """Where `then` leads from there."""
    place = here.place
    if then == "next":
        there = _following(place)
    elif then == "missing":
        there = settled(protocol, place, here.ledger) if place.stage == "dress" and not place.detours else place
    elif then == "undress" and place.stage != "work":
        there = _led_out(protocol, here) if place.stage in {"prepare", "dress"} else place
    elif then in STAGES:
        there = Place(then, 0)
    elif any(branch.name == then for branch in protocol.branches):
        there = replace(place, detours=(*place.detours, Detour(then, 0, protocol.branch(then).then, cause)))
    else:
        there = _main_step(protocol, place, then)
    return there


def _led_out(protocol: Protocol, here: Position) -> Place:
    """Where somebody goes who does not go in: what is on comes off again, and that is the end."""
    if not here.ledger.on():
        return Place("close", 0)
    if not protocol.undo:
        return Place("undress", 0)
    return replace(here.place, detours=(Detour(protocol.undo, 0, "close", UNDONE),))


def _main_step(protocol: Protocol, place: Place, name: str) -> Place:
    """The step of that name on the main way, unless it lies behind; the place itself for 'same'."""
    for plan in protocol.stages:
        for index, step in enumerate(plan.steps):
            if step.name == name:
                order = (STAGES.index(plan.stage), index)
                forwards = order >= (STAGES.index(place.stage), place.step)
                return Place(plan.stage, index) if forwards else replace(place, detours=())
    return place


def _following(place: Place) -> Place:
    if place.detours:
        last = place.detours[-1]
        on = Detour(last.branch, last.step + 1, last.then, last.cause)
        return Place(place.stage, place.step, (*place.detours[:-1], on), place.due)
    return Place(place.stage, place.step + 1)


def _left_out(protocol: Protocol, here: Place, there: Place) -> list[tuple[str, str]]:
    """The steps of the main way that a branch which leads to another stage passes over."""
    if not here.detours or here.stage == there.stage:
        return []
    stages = STAGES[STAGES.index(here.stage) : STAGES.index(there.stage)]
    steps = [step for stage in stages for step in protocol.steps(stage)[here.step if stage == here.stage else 0 :]]
    return [(step.name, f"left out: {here.detours[-1].branch}") for step in steps]


def _behind_the_end(protocol: Protocol, here: Position) -> Arrival:
    """What comes when a branch or a stage has no more steps; kind 'on' means: look at the place given."""
    place, ledger = here.place, here.ledger
    if place.detours:
        over = place.detours[-1]
        branch: Branch = protocol.branch(over.branch)
        questions = (*branch.ask, *_asked_by_breach(protocol, place.stage, over))
        number = over.step - len(branch.steps)
        outer = replace(place, detours=place.detours[:-1])
        if (
            number < len(questions)
            and questions[number] in {"where", "skin"}
            and (here.placed or over.cause.startswith(KNOWN))
        ):
            return Arrival("on", _following(place), ledger)
        if number >= len(questions):
            return Arrival("on", _then_place(protocol, here.at(outer), over.then, over.cause), ledger)
        known = {"piece": pieces, "gloves": _gloves}.get(questions[number], pieces)(protocol, here)
        if questions[number] == "gloves" or (questions[number] == "piece" and len(known) < 2):
            there = _torn_way(protocol, here, known[0]) if known else here.at(_following(place))
            return Arrival("on", there.place, there.ledger)
        question = {"piece": "torn-piece"}.get(questions[number], questions[number])
        return Arrival("question", place, ledger, question=question, about=over.branch)
    later = STAGES.index(place.stage) + 1
    if later == len(STAGES):
        return Arrival("question", replace(place, step=len(protocol.steps(place.stage))), ledger, question="end")
    return Arrival("on", Place(STAGES[later], 0), ledger)


def _asked_by_breach(protocol: Protocol, stage: str, over: Detour) -> tuple[str, ...]:
    if not over.cause.startswith("breach: "):
        return ()
    rule = breach_rule(protocol, over.cause.removeprefix("breach: "), stage)
    return rule.ask if rule and rule.branch == over.branch else ()


def _alone(protocol: Protocol, here: Position) -> bool:
    """Whether nobody else is there to be spoken to; somebody has come when the wearer is down."""
    helped = bool(here.place.detours) and here.place.detours[-1].branch == protocol.wearer_down
    return here.mode == "solo" and not helped


def _undoing(here: Position) -> bool:
    """Whether removal is only the undoing of dressing: nobody went in."""
    return here.cancelled and here.place.stage == "undress"
