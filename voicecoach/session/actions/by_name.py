"""The actions by their names in the table, and those that lead from one place to another. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from voicecoach.protocol.model import ENDS_ENTRY, OWED_AT_ONCE
from voicecoach.protocol.navigation.moves import unasked
from voicecoach.protocol.navigation.position import breach_rule, steps_here, washes
from voicecoach.protocol.place import Place
from voicecoach.session.actions import aside, ask, exposures, stepping, take_over, voice_verdict, wait, wearing
from voicecoach.session.actions.ask import say_all_done, say_question
from voicecoach.session.effects import Close, StopSpeaking
from voicecoach.session.events import Heard, Opened
from voicecoach.session.exposure import UNKNOWN, led
from voicecoach.session.interpret.intent import cleared_of_incident
from voicecoach.session.notes import NoteKind
from voicecoach.session.turn import STEP_TIMERS, Turn


def introduce(turn: Turn) -> None:
    """Rule 24: say what this is, what is recorded, which recogniser listens, and whether it is training only."""
    event = turn.event
    if isinstance(event, Opened):
        turn.set(
            mode=event.mode,
            ear=event.ear,
            audio=event.audio,
            # a site that has approved nothing can only train
            training_only=event.training_only or not turn.setup.site.approved,
            independent=event.independent,
        )
    state = turn.state
    turn.note(NoteKind.OPENED, mode=state.mode, ear=state.ear, audio=state.audio, training_only=state.training_only)
    turn.hush()
    turn.aside("intro-training" if state.training_only else "intro-order")
    if f"intro-ear-{state.ear}" in dict(turn.setup.grammar.says):
        turn.aside(f"intro-ear-{state.ear}")
    turn.aside(f"intro-audio-{state.audio}")
    if state.mode == "solo":
        turn.aside("intro-solo")
    elif not state.independent:
        turn.aside("intro-one-microphone")
        turn.note(NoteKind.NOT_INDEPENDENT, why="one microphone: roles are told apart by their words only")
    turn.aside("intro-words")


def arrive(turn: Turn) -> None:
    """Go to the intent's arrival and say what comes there."""
    arrival = turn.intent.arrival
    assert arrival is not None
    turn.cancel(*STEP_TIMERS)
    for name, reason in arrival.passed:
        turn.note(NoteKind.JUMP, step=name, cause=reason)
    wearing.update_ledger(turn, arrival.ledger)
    stepping.go_to(turn, arrival.place)
    turn.set(question="", about="", held="", pending=None, waiting_in="", silence=0, waiting_since=None)
    turn.set(false_interruptions=0, hinted=False, babble_noted=False, answered=(), answers_from=turn.state.at)
    protocol = turn.setup.protocol
    amid_one = protocol.wash in {one.branch for one in turn.before.place.detours}  # what happens then gets its own
    if washes(protocol, arrival.place) and not amid_one:
        turn.set(exposures=led(turn.state.exposures))
    if arrival.kind == "question":
        turn.set(question=arrival.question, about=arrival.about)
        say_question(turn)
    elif arrival.kind == "confirm":
        if turn.intent.trigger != "observer_due" or not stepping.asks_with_read_back(turn):
            turn.aside("ask-observer")
    elif arrival.kind == "work":
        _work(turn)
    else:
        stepping.read_step(turn)


def _work(turn: Turn) -> None:
    turn.note(NoteKind.WORK)
    turn.timer("check", turn.setup.site.check_s)
    was = turn.before.place
    if was.stage != "work" or was.detours:
        turn.aside(wait.checks_finished(turn))
        turn.say(*(step.say for step in steps_here(turn.setup.protocol, turn.state.place)))
        if turn.state.paced:
            turn.aside("ears-lost-work")
    elif turn.before.question in {"right", "touched"}:
        turn.aside("noted")  # silence after a break would leave open whether anything goes on


def say_first_words(turn: Turn) -> None:
    """Rule 11: the first words are an act; everything else waits."""
    arrival, kind = turn.intent.arrival, turn.intent.word
    assert arrival is not None
    state = turn.state
    rule = breach_rule(turn.setup.protocol, kind, state.place.stage)
    turn.effects.append(StopSpeaking())
    turn.cancel(*STEP_TIMERS)
    turn.set(speech=())
    turn.say(rule.words(state.mode) if rule else turn.own("breach-default"))
    step = turn.step_name
    cut_off = unasked(turn.setup.protocol, state.position, kind)
    by = turn.event.role if isinstance(turn.event, Heard) else "nobody: not answered in time"
    asked = state.question == "near-breach"
    turn.note(NoteKind.BREACH, kind=kind, stage=state.place.stage, step=step, by=by, asked_first="yes" if asked else "")
    if step and _leaves(state.place, arrival.place):
        turn.note(NoteKind.JUMP, step=step, cause=f"breach: {kind}")
    for name, reason in arrival.passed:
        turn.note(NoteKind.JUMP, step=name, cause=reason)
    if turn.intent.about:
        turn.note(NoteKind.DEVIATION, step=step, item=turn.intent.about, fault=kind, by=by)
    exposures.note_suspects(turn, kind, (turn.intent.about,) if turn.intent.about else ())
    first = not turn.before.handling or state.incident_place is None
    # the same cry, while its first words sound
    again = turn.before.status == "breached" and state.incident_place is not None
    if state.question == "item" and isinstance(turn.event, Heard) and turn.event.command in {"yes", "no"}:
        wearing.correct(turn, state.about, "on" if turn.event.command == "yes" else "off")
    wearing.update_ledger(turn, replace(arrival.ledger, hands="not-rubbed"))
    turn.set(incident_at=state.at if first else state.incident_at)
    if not again:
        turn.set(incident_place=state.place, called_at=state.at)
    if kind in ENDS_ENTRY and state.place.stage in {"prepare", "dress"}:
        turn.set(no_entry=kind)
    if cut_off:
        exposures.record_exposure(turn, UNKNOWN, cut_off)
    if kind in OWED_AT_ONCE:
        exposures.record_exposure(turn, UNKNOWN, kind)
    stepping.go_to(turn, arrival.place)
    turn.set(question="", about="", held="", pending=None, silence=0, waiting_since=None, false_interruptions=0)


def _leaves(here: Place, there: Place) -> bool:
    """Whether going there leaves the step here for good, instead of returning to it after a detour."""
    same_step = (here.stage, here.step) == (there.stage, there.step)
    return not same_step or there.detours[: len(here.detours)] != here.detours


def note_false_alarm(turn: Turn) -> None:
    """Record a false alarm and return to the same step; a timed one starts from zero (rule 13)."""
    by = turn.speaker
    turn.note(NoteKind.FALSE_ALARM, step=turn.step_name, by=by, returned="yes")
    turn.tone("taken")
    turn.aside("noted")
    if turn.state.owed and not cleared_of_incident(turn.state, turn.setup.protocol).owed:
        turn.note(NoteKind.OWED, what="nothing any more: false alarm")
    turn.state = replace(cleared_of_incident(turn.state, turn.setup.protocol), incident_place=None)


def note_no_return(turn: Turn) -> None:
    """Rule 12: returning to the patient takes a second person's word, and there is no second person."""
    turn.note(NoteKind.FALSE_ALARM, step=turn.step_name, returned="no, there is no second person")
    turn.aside("no-return")


def close(turn: Turn) -> None:
    """The session is over, as confirmed."""
    turn.hush()
    _over(turn)


def finish(turn: Turn) -> None:
    """The last step was answered, and nothing is worn or owed: the last words, and the session is over."""
    assert turn.intent.arrival is not None
    stepping.go_to(turn, turn.intent.arrival.place)
    say_all_done(turn)
    _over(turn)


def _over(turn: Turn) -> None:
    turn.cancel(*STEP_TIMERS, "wear")
    turn.set(question="", about="", held="", pending=None)
    turn.aside("closed")
    on, owed = ",".join(turn.state.ledger.on()), ", ".join(turn.state.owed)
    if owed:
        turn.aside("still-owed")
    turn.note(NoteKind.END, still_on=on, training_only=turn.state.training_only, owed=owed)
    turn.effects.append(Close("abandoned with items on" if on else f"ended, still owed: {owed}" if owed else "ended"))


ACTIONS: dict[str, Callable[[Turn], None]] = {
    **stepping.ACTIONS,
    **wearing.ACTIONS,
    **exposures.ACTIONS,
    **ask.ACTIONS,
    **wait.ACTIONS,
    **aside.ACTIONS,
    **take_over.ACTIONS,
    **voice_verdict.ACTIONS,
    "hush": Turn.hush,
    **{
        action.__name__: action
        for action in (introduce, arrive, say_first_words, note_false_alarm, note_no_return, close, finish)
    },
}
