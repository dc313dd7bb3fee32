"""Actions on a step: reading it, taking its answer, timing it, leaving it. Pure."""

from __future__ import annotations

from collections.abc import Callable

from voicecoach.protocol.model import Step
from voicecoach.protocol.navigation.position import UNDONE, steps_named
from voicecoach.protocol.place import Place
from voicecoach.session.actions.exposures import note_owed, note_suspects, record_exposure
from voicecoach.session.actions.wearing import update_ledger
from voicecoach.session.events import Heard
from voicecoach.session.exposure import UNKNOWN, interrupted, paid
from voicecoach.session.notes import NoteKind
from voicecoach.session.setup import Setup
from voicecoach.session.turn import STEP_TIMERS, Turn

AT_THE_EYES = ("eyes", "face", "mouth", UNKNOWN)
"""Places for which the site's sentence about its eyewash is said before a wash."""
TRAIL = 30
"""How many steps 'back' can go."""


def say_step(turn: Turn) -> None:
    """Say the warning first, then the prompt (rule 1)."""
    step = turn.step
    assert step is not None
    turn.say(*step.words(turn.state.mode))


def read_step(turn: Turn) -> None:
    """Read out the step at the place."""
    step, place = turn.step, turn.state.place
    assert step is not None
    turn.note(
        NoteKind.STEP, step=step.name, stage=place.stage, branch=place.detours[-1].branch if place.detours else ""
    )
    site = turn.setup.site
    if (
        step.pays == "wash"
        and not turn.state.ledger.on()
        and any(one.place in AT_THE_EYES for one in turn.state.exposures)
    ):
        turn.say(site.eyewash)
    say_step(turn)
    if step.pays == "report":
        turn.say(site.tell)


def acknowledge(turn: Turn) -> None:
    """The wearer has understood a step that matters and now acts (rule 16)."""
    turn.note(NoteKind.ACKNOWLEDGED, step=turn.step_name)
    _taken(turn)


def note_half_answer(turn: Turn) -> None:
    """One role has answered; the other is still to answer."""
    turn.set(answered=(*turn.state.answered, turn.intent.word))
    turn.note(NoteKind.ANSWERED, step=turn.step_name, role=turn.intent.word)
    _note_shared(turn)
    _taken(turn)


def _taken(turn: Turn) -> None:
    """Acknowledge with a short tone; the silence ladder starts again."""
    turn.hush()
    turn.tone("taken")
    turn.cancel("silence", "pace")
    turn.set(silence=0, waiting_since=turn.state.at, hinted=False)
    turn.timer("silence" if not turn.state.paced else "pace", AGAIN_S)


AGAIN_S = 45.0
"""After a tone that leaves the step where it is; as the ladder's first rung."""


def early(turn: Turn) -> None:
    """Rule 4: an answer over the prompt, or before the time is up, gets its own sound and does not count."""
    turn.tone("early")
    turn.note(NoteKind.EARLY_ANSWER, step=turn.step_name, word=turn.intent.word)


def start_time(turn: Turn) -> None:
    """The time of the rub or wipe starts now."""
    step = turn.step
    assert step is not None
    turn.cancel(*STEP_TIMERS)
    turn.hush()
    turn.tone("taken")
    turn.note(NoteKind.TIME_STARTED, step=step.name, role=turn.intent.word)
    turn.timer("rub", turn.setup.contact_s(step))


def call_time(turn: Turn) -> None:
    """Say that the time is over."""
    step = turn.step
    assert step is not None
    turn.note(NoteKind.TIME_UP, step=step.name, seconds=turn.setup.contact_s(step))
    turn.set(answers_from=turn.state.at, false_interruptions=0, hinted=False, silence=0, waiting_since=None)
    turn.hush()
    turn.tone("time-up")
    turn.aside("time-up")


def hint(turn: Turn) -> None:
    """Say why this word does not answer the step; nothing moves.

    The first such word at a step starts the silence ladder again. Further ones do not, or a room that talks would hold
    the ladder down for ever.
    """
    turn.note(NoteKind.STEP_REFUSED, step=turn.step_name, why="not the word this step needs")
    if not turn.state.hinted:
        turn.cancel("silence")
        turn.set(silence=0, waiting_since=None, hinted=True)
    turn.hush()
    turn.aside(turn.intent.word)


def note_refused(turn: Turn) -> None:
    """Record that another role answered, which does not count (rule 15)."""
    why = f"only the {turn.intent.word} answers this"
    by = turn.speaker
    turn.note(NoteKind.STEP_REFUSED, step=turn.step_name, why=why, by=by)


def refuse(turn: Turn) -> None:
    """Say which role has to answer."""
    turn.hush()
    turn.aside(f"{turn.intent.word}-must")


def note_acted(turn: Turn) -> None:
    """The acting role has answered: what came off is off, and the second person is due."""
    event, step = turn.event, turn.step
    assert step is not None
    turn.note(NoteKind.ANSWERED, step=step.name, role=turn.intent.word)
    _note_shared(turn)
    turn.tone("taken")
    if step.matters and isinstance(event, Heard) and event.command:
        turn.say(read_back(turn.setup, step, event.command, checked=True))
    turn.set(since=(*turn.state.since, (turn.state.at, step.name)))


def confirm_step(turn: Turn) -> None:
    """The step is done: record by whom and how surely, and read it back if it matters."""
    step, state, event = turn.step, turn.state, turn.event
    assert step is not None
    confirmed = turn.intent.trigger == "confirmed"
    command = event.command or "" if isinstance(event, Heard) else ""
    turn.note(
        NoteKind.STEP_CONFIRMED,
        step=step.name,
        stage=state.place.stage,
        role=turn.intent.word,
        answer=command,
        by=_by(turn),
    )
    _note_shared(turn)
    if state.mode == "solo" and (step.observer or step.role != "wearer"):
        turn.note(NoteKind.NOT_INDEPENDENT, step=step.name, why="no observer")
    if step.asks_for:
        turn.note(
            NoteKind.STEP_CONFIRMED, step=step.asks_for, stage=state.place.stage, role=turn.intent.word, later="yes"
        )
    leave(turn, again=not confirmed)
    if step.pays and state.owed:
        turn.set(exposures=paid(state.exposures, step.pays, state.at))
        turn.note(NoteKind.PAID, what=step.pays, step=step.name)
        note_owed(turn)
    if any(act.kind == "inspect" for act in step.acts):
        turn.note(NoteKind.FOUND_CLEAR, step=step.name)
    if step.matters and not confirmed and command:
        turn.say(read_back(turn.setup, step, command))
    else:
        turn.tone("taken")


def _by(turn: Turn) -> str:
    return turn.event.source if isinstance(turn.event, Heard) else ""


def _note_shared(turn: Turn) -> None:
    """Rule 15: people who share one microphone cannot be told apart."""
    step = turn.step
    event = turn.event
    if turn.state.mode == "pair" and isinstance(event, Heard) and event.role == "unknown" and step is not None:
        turn.note(NoteKind.NOT_INDEPENDENT, step=step.name, why="said on a shared microphone")


def read_back(setup: Setup, step: Step, command: str, *, checked: bool = False) -> str:
    """An answer as the coach repeats it: a piece by its one name, other words as they were said.

    checked: with the request to the observer in the same sentence.
    """
    if step.asks_for and not command.endswith(("-on", "-off")):
        command = step.answers[0]  # "confirm", to a question about a piece
    kind, _, how = command.rpartition("-")
    acts = (*step.acts, *(steps_named(setup.protocol)[step.asks_for].acts if step.asks_for else ()))
    pieces = [setup.protocol.item(act.target) for act in acts if act.kind in {"don", "doff", "change"}]
    label = next((item.label for item in pieces if item.say == kind), "")
    if label and how in {"on", "off"}:
        sentence = setup.grammar.say(f"item-{how}-check" if checked else f"item-{how}").format(label=label)
        return sentence[:1].upper() + sentence[1:]
    known = setup.grammar.command(command)
    words = setup.grammar.say("read-back").format(words=known.phrases[0] if known else command)
    return words[:1].upper() + words[1:]


def asks_with_read_back(turn: Turn) -> bool:
    """Whether the read-back already asked the observer."""
    step, event = turn.step, turn.event
    command = event.command or "" if isinstance(event, Heard) else ""
    return step is not None and step.matters and command.endswith(("-on", "-off"))


def note_unasked(turn: Turn) -> None:
    """Rule 5: the step is left without an answer, since none may be asked for now; a later step asks."""
    step = turn.step
    assert step is not None
    turn.note(NoteKind.JUMP, step=step.name, cause="no speech is asked for during this act; asked later")
    leave(turn)


def move_on(turn: Turn) -> None:
    """Go to the next step without reading it, because its first word has been said."""
    arrival = turn.intent.arrival
    assert arrival is not None
    for name, reason in arrival.passed:
        turn.note(NoteKind.JUMP, step=name, cause=reason)
    update_ledger(turn, arrival.ledger)
    go_to(turn, arrival.place)
    turn.set(false_interruptions=0, hinted=False, babble_noted=False, answered=(), answers_from=turn.state.at)
    step = turn.step
    assert step is not None
    turn.note(NoteKind.STEP, step=step.name, stage=turn.state.place.stage, branch="")


def note_not_off(turn: Turn) -> None:
    """Rule 36: the piece did not come off; the ledger follows, and the act is asked for again."""
    arrival = turn.intent.arrival
    assert arrival is not None
    by = turn.speaker
    turn.note(NoteKind.DEVIATION, step=turn.step_name, item=turn.intent.about, what="still on", by=by)
    turn.tone("taken")


def note_unconfirmed(turn: Turn) -> None:
    """Rule 19: read at a set pace, and not confirmed."""
    step = turn.step
    assert step is not None
    turn.note(NoteKind.JUMP, step=step.name, cause="no recogniser: read on at a set pace")
    turn.note(NoteKind.NOT_CONFIRMED, step=step.name, why="no recogniser: read at a set pace")
    leave(turn)


def leave(turn: Turn, *, again: bool = True) -> None:
    """Leave the step; remember it for 'back' and for dating a tear."""
    step, state = turn.step, turn.state
    assert step is not None
    if not state.place.detours:
        turn.set(incident_place=None)  # 'false alarm' counts only right after an incident
    turn.set(trail=(*state.trail, state.place.with_due(False))[-TRAIL:])
    if again:
        turn.set(since=(*state.since, (state.at, step.name)))


def note_skipped(turn: Turn) -> None:
    """Optional steps are left out on request; the arrival records each."""
    turn.note(NoteKind.SKIPPED, step=turn.step_name, role=turn.speaker)
    turn.tone("taken")


def note_called_out(turn: Turn) -> None:
    """The observer calls the wearer out, which is the all-clear for the removal area."""
    turn.note(NoteKind.REPLY, question="all-clear", answer="start removal", by=turn.speaker)
    turn.tone("taken")


def remember_branch(turn: Turn, step: Step) -> None:
    """Remember the branch that `step` calls: if it calls it once more, another may be taken instead (rule 37)."""
    arrival = turn.intent.arrival
    if arrival is not None and arrival.place.detours:
        turn.set(tried=(*turn.state.tried, (step.name, arrival.place.detours[-1].branch)))


def note_branch(turn: Turn) -> None:
    """Record an answer that calls a branch."""
    step = turn.step
    assert step is not None
    remember_branch(turn, step)
    word = turn.intent.word
    turn.note(NoteKind.BRANCH, step=step.name, cause=word, role=turn.speaker)
    turn.note(NoteKind.JUMP, step=step.name, cause=f"answered {word.replace('-', ' ')}")
    turn.tone("taken")
    arrival, wash = turn.intent.arrival, turn.setup.protocol.wash
    if wash and arrival is not None and [one.branch for one in arrival.place.detours[-1:]] == [wash]:  # rule 26
        record_exposure(turn, "skin", word)
    named = (turn.intent.about,) if turn.intent.about else ()
    note_suspects(turn, word, named or tuple(act.target for act in step.acts if act.kind == "inspect"))
    turn.set(since=(*turn.state.since, (turn.state.at, step.name)))


def note_not_clear(turn: Turn) -> None:
    """Record that the observer does not agree."""
    turn.note(NoteKind.NOT_CLEAR, step=turn.step_name)
    turn.tone("taken")


def go_to(turn: Turn, place: Place) -> None:
    """Be at `place`. 'back' never leads past a place entered anew, nor into a stage that is over."""
    trail = turn.state.trail
    if place.stage in {"work", "undress"} and place.stage != turn.state.place.stage:
        trail = ()
    elif place in trail:
        trail = trail[: trail.index(place)]
    undone = any(one.cause == UNDONE for one in place.detours)
    if turn.state.place.stage in {"prepare", "dress"} and (undone or place.stage in {"undress", "close"}):
        turn.set(no_entry=turn.state.no_entry or "led out while dressing")
    wash = turn.setup.protocol.wash
    left = {one.branch for one in turn.state.place.detours} - {one.branch for one in place.detours}
    if wash in left and turn.intent.trigger != "pace_over":  # which goes on without an answer, and not for ever
        turn.set(exposures=interrupted(turn.state.exposures))
    turn.set(place=place, trail=trail)


ACTIONS: dict[str, Callable[[Turn], None]] = {
    action.__name__: action
    for action in (
        acknowledge, note_half_answer, early, start_time, call_time, hint, note_refused, refuse, note_acted,
        confirm_step,
        note_unasked, note_unconfirmed, move_on, note_not_off, note_branch,
        note_not_clear, note_skipped, note_called_out,
    )
}  # fmt: skip
