"""What an event means in a state: the name of a trigger, and where it leads. Pure; decides nothing by itself."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from voicecoach.protocol.navigation import again, arrive, onward, step_at
from voicecoach.session.setup import Setup
from voicecoach.session.events import (
    Event,
    Heard,
    Opened,
    PartBack,
    PartLost,
    PromptEnded,
    Reopened,
    SpeechStarted,
    SpeechUnending,
    TimerFired,
)
from voicecoach.session.interpret.answers import answer
from voicecoach.session.interpret.intent import NOTHING, UNCLEAR, Meaning, after_step, back_to_business, breached
from voicecoach.session.interpret.live import CLOSED, asking, danger, live, replies
from voicecoach.session.interpret.replies import not_answered, reply
from voicecoach.session.state import SessionState


def meaning(setup: Setup, state: SessionState, event: Event) -> Meaning:
    """What `event` means in `state`."""
    find = _FINDERS.get(type(event))
    return find(setup, state, event) if find is not None and state.status not in CLOSED else NOTHING


def _prompt_ended(setup: Setup, state: SessionState, _: Event) -> Meaning:
    if state.speech:
        return NOTHING
    if state.status == "opening":
        return Meaning("introduced", again(setup.protocol, state.position))
    if state.status == "breached":
        return Meaning("first_words_over", again(setup.protocol, state.position))
    return Meaning("read_out")


def _reopened(_: Setup, state: SessionState, __: Event) -> Meaning:
    if state.status == "opening":
        return Meaning("opened")
    if state.place.step < 0:
        return Meaning("reopened", question="reason" if state.mode == "solo" else "right")
    return Meaning("reopened", question="right")


def _timer(setup: Setup, state: SessionState, event: TimerFired) -> Meaning:
    timer = event.timer
    plain = {
        "window": Meaning("window_over"),
        "rub": Meaning("rub_over"),
        "wear": Meaning("wear_due"),
        "hold": Meaning("hold_asked"),
        "silence": Meaning("silent", question="all-right"),
        "check": Meaning("check_due", question="all-right"),
    }
    if timer not in state.timers:
        return NOTHING
    if timer == "near":
        found = breached(setup, state, state.about or "breach")
    elif timer == "quiet":
        found = Meaning("quiet_over", onward(setup.protocol, state.position, after_step(setup, state)))
    elif timer == "pace":
        found = _paced(setup, state)
    else:
        found = plain.get(timer, NOTHING)
    return found


def _paced(setup: Setup, state: SessionState) -> Meaning:
    """Without ears nothing waits for ever. What is assumed is not taken for seen."""
    step = step_at(setup.protocol, state.place)
    if state.status == "asking":
        return not_answered(setup, state)
    if state.status in {"frozen", "paused"}:
        return Meaning("paced_on", question="right")
    if step is None:
        return NOTHING
    acts = tuple(act for act in step.acts if act.kind != "inspect")
    return Meaning("paced", onward(setup.protocol, state.position, state.ledger.after(acts, state.at).unsure()))


def _heard(setup: Setup, state: SessionState, event: Heard) -> Meaning:
    command = event.command
    dangers = danger(setup, state)
    if command is not None and command in dangers:
        return breached(setup, state, command)
    if command is None and event.near:
        return _near(setup, state, event.near, near_danger=event.near in dangers)
    pressed = command == "stop" and event.source == "key" and bool(state.listening)  # no prompt is taken for a key
    if command is None or (command not in live(setup, state) and not pressed):
        return UNCLEAR
    if command in {"stop", "false-alarm"}:
        return Meaning("stopped") if command == "stop" else _false_alarm(setup, state)
    if asking(state) and command in replies(setup, state):
        return reply(setup, state, event, command)
    return _way(setup, state, event, command)


def _near(setup: Setup, state: SessionState, near: str, *, near_danger: bool) -> Meaning:
    """A word just under its floor: a danger is asked about, asked twice is heard; a doubtful 'stop' only stops."""
    if state.status == "breached":
        return NOTHING
    if near == "stop":
        return Meaning("stopped")
    if not near_danger:
        return UNCLEAR
    if asking(state) and state.question == "near-breach":
        return breached(setup, state, near)
    return Meaning("near_breach", question="near-breach", about=near)


def _false_alarm(setup: Setup, state: SessionState) -> Meaning:
    if asking(state) and state.question == "near-breach":
        return back_to_business(setup, state, "false-alarm")
    place = state.before or state.place
    if place.stage == "work" and not place.detours:
        # rule 12: back to the patient only on a second person's word
        return Meaning("return_asked", question="return") if state.mode == "pair" else Meaning("no_return")
    return Meaning("false_alarm", arrive(setup.protocol, place, state.ledger, state.mode))


def _way(setup: Setup, state: SessionState, event: Heard, command: str) -> Meaning:
    """Words that are no answer to a question and no danger."""
    simple = {
        "repeat": Meaning("repeated"),
        "pause": Meaning("paused"),
        "resume": Meaning("resumed", question="right"),
        "touched": Meaning("touched", question="touched"),
        "start-removal": Meaning("removal_asked", question="removal-area"),
        "end-session": Meaning("end_asked", question="end"),
        "no-audio": Meaning("sound_refused"),
        "back": Meaning("back_asked", question="back"),
        "help": Meaning("told", word="help"),
        "where-am-i": Meaning("told", word="where-am-i"),
        "time": Meaning("told", word="time"),
    }
    if command in simple:
        return simple[command]
    if command == "go-on":
        return _go_on(setup, state)
    if command == "done" and state.status == "working":
        return simple["start-removal"]
    return answer(setup, state, event, command)


def _go_on(setup: Setup, state: SessionState) -> Meaning:
    if state.pending is not None:
        return Meaning("went_back_to", question=state.pending[0], about=state.pending[1])
    return Meaning("went_on", again(setup.protocol, state.position))


def _lost(_: Setup, state: SessionState, event: PartLost) -> Meaning:
    if event.part == "signal" and not state.ledger.on():
        return Meaning("told_to_end")
    return Meaning("part_lost", word=event.part)


def _back(_: Setup, state: SessionState, event: PartBack) -> Meaning:
    return Meaning("ears_back") if event.part == "ears" and state.paced else Meaning("part_back")


_FINDERS: dict[type[Event], Callable[[Setup, SessionState, Any], Meaning]] = {
    Heard: _heard,
    PromptEnded: _prompt_ended,
    TimerFired: _timer,
    Reopened: _reopened,
    SpeechStarted: lambda _, __, ___: Meaning("voice_over"),
    SpeechUnending: lambda _, __, ___: Meaning("babble"),
    Opened: lambda _, __, ___: Meaning("opened"),
    PartLost: _lost,
    PartBack: _back,
}
