"""What an event means in a state: a trigger of the table and where it leads. Pure; changes nothing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from voicecoach.protocol.navigation.moves import again, breach_if_touched, called_off, onward, without_optional
from voicecoach.protocol.navigation.position import airless, step_at
from voicecoach.session.events import (
    PRESSED,
    Event,
    Heard,
    Opened,
    PartBack,
    PartLost,
    PromptEnded,
    Reopened,
    Salvaged,
    SoundTrouble,
    SpeechStarted,
    SpeechUnending,
    TimerFired,
)
from voicecoach.session.interpret.answers import answer, looked_at, piece_said
from voicecoach.session.interpret.intent import (
    NOTHING,
    UNCLEAR,
    Intent,
    breached,
    cleared_of_incident,
    resume_interrupted,
)
from voicecoach.session.interpret.live_commands import (
    CLOSED,
    asking,
    awaited,
    danger,
    live,
    matters_to_both,
    replies,
    words_to_try,
)
from voicecoach.session.interpret.replies import not_answered, removal, reply
from voicecoach.session.interpret.word_tried import checked_first, word_tried
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState
from voicecoach.session.vocabulary import NATURAL, PLACES
from voicecoach.session.voice_check import VOICE_CHECK


def interpret(setup: Setup, state: SessionState, event: Event) -> Intent:
    """The meaning of `event` in `state`."""
    find = _FINDERS.get(type(event))
    if find is None or state.status in CLOSED:
        return NOTHING
    return checked_first(setup, state, find(setup, state, event))


def answered_late(setup: Setup, state: SessionState, event: Event) -> SessionState:
    """The state before 'Are you all right?', if this is the word that was awaited then.

    Whoever was missing may come: the awaited answer ends the alarm, and so does any other word of that wait (rule 33).
    """
    before = awaited(state)
    if before is None or not isinstance(event, Heard) or event.command is None:
        return state
    asked = {*replies(setup, state), *danger(setup, state), "stop", "repeat", "pause", "false-alarm"}
    if event.command in asked or event.command not in live(setup, before):
        return state
    return replace(before, speech=state.speech)


def read_ahead(setup: Setup, state: SessionState, event: Event) -> SessionState:
    """The state once what is printed has been said, if a typed word answers that: who types has read it.

    Only on a screen, where nothing is spoken. A voice over a prompt is early, and so is a foot-switch (rule 4).
    """
    if not isinstance(event, Heard) or event.source != "key" or event.phrase == PRESSED:
        return state
    if state.ear != "typed" or not state.speech or state.status not in {"prompting", "asking"}:
        return state
    step = step_at(setup.protocol, state.place)
    ahead = replace(state, speech=(), answers_from=state.at)
    if state.status == "prompting":
        loop = step is not None and matters_to_both(step, state)
        ahead = replace(ahead, status="acknowledging" if loop else "awaiting")
    always = {*danger(setup, ahead), "stop"} - words_to_try(setup, ahead)
    return ahead if event.command in set(live(setup, ahead)) - always else state


def introduction_read(setup: Setup, state: SessionState, event: Event) -> bool:
    """Whether somebody types into the introduction: it is on the screen, so it is over, and the word counts after it.

    An empty line ends it too. A danger word and "stop" keep their meaning.
    """
    if not isinstance(event, Heard) or event.source != "key" or state.ear != "typed":
        return False
    urgent = {*danger(setup, state), "stop"}
    return state.status == "opening" and bool(state.speech) and event.command not in urgent


def came_back(state: SessionState, event: Event) -> SessionState:
    """The state in a pair again, once the missing person speaks on a channel or key of their own, or says "observer
    here" (rule 33).
    """
    if not state.left_alone or not isinstance(event, Heard) or event.command is None:
        return state
    known = event.role in {"observer", "assistant"} or event.command == "observer-here"
    return replace(state, mode="pair", left_alone=False) if known else state


def _prompt_ended(setup: Setup, state: SessionState, _: Event) -> Intent:
    if state.speech:
        return NOTHING
    if state.status == "opening":
        return Intent("introduced", again(setup.protocol, state.position))
    if state.status == "breached":
        return Intent("first_words_over", again(setup.protocol, state.position))
    return Intent("read_out")


def _reopened(setup: Setup, state: SessionState, __: Event) -> Intent:
    if state.status == "opening":
        return Intent("opened")
    if state.place.step < 0:
        return Intent("reopened", question="reason" if state.mode == "solo" else "right")
    if state.place.detours and airless(setup.protocol, state.place, state.ledger):
        return Intent("reopened_airless", again(setup.protocol, state.position))  # the hood, before any list
    return Intent("reopened", question="right")


def _salvaged(setup: Setup, state: SessionState, _: Event) -> Intent:
    if state.status != "opening" or state.prompts:
        return NOTHING
    return Intent("salvaged", question="item", about=setup.protocol.items[0].name)


def _timer(setup: Setup, state: SessionState, event: TimerFired) -> Intent:
    timer = event.timer
    plain = {
        "window": Intent("window_over"),
        "rub": Intent("rub_over"),
        "wear": Intent("wear_due"),
        "hold": Intent("hold_quiet"),
        "silence": Intent("silent", question="all-right"),
        "check": Intent("check_due", question="all-right"),
    }
    if timer not in state.timers:
        return NOTHING
    if timer == "near":
        found = breached(setup, state, state.about or "breach")
    elif timer == "quiet":
        found = Intent("quiet_over")
    elif timer == "pace":
        found = _paced(setup, state)
    else:
        found = plain.get(timer, NOTHING)
    return found


def _paced(setup: Setup, state: SessionState) -> Intent:
    """Without a recogniser nothing waits for ever. What is assumed does not count as seen."""
    step = step_at(setup.protocol, state.place)
    if state.status == "asking":
        return not_answered(setup, state)
    if state.status in {"frozen", "paused"}:
        return Intent("hold_over", question="right")
    if step is None:
        return NOTHING
    acts = tuple(act for act in step.acts if act.kind != "inspect")
    return Intent("pace_over", onward(setup.protocol, state.position, state.ledger.after(acts, state.at).unsure()))


def _heard(setup: Setup, state: SessionState, event: Heard) -> Intent:
    command = event.command
    dangers = danger(setup, state)
    item = piece_said(setup, state, event)
    if command is not None and (command in dangers or (item and not looked_at(setup, state, item))):
        return breached(setup, state, command, item)
    if asking(state) and state.question == VOICE_CHECK and (said := word_tried(setup, state, event)) is not None:
        return said
    if command is None and event.near:
        return _near(setup, state, event.near, near_danger=event.near in dangers)
    pressed = command == "stop" and event.source == "key" and bool(state.listening)  # a prompt cannot press a key
    if command is None or (command not in live(setup, state) and not pressed):
        return UNCLEAR
    return _meant(setup, state, event, command)


def _meant(setup: Setup, state: SessionState, event: Heard, command: str) -> Intent:
    """The meaning of a live word that is no danger."""
    if command in {"stop", "false-alarm"} and command not in words_to_try(setup, state):
        return Intent("stopped") if command == "stop" else _false_alarm(setup, state)
    if asking(state) and command in replies(setup, state):
        return reply(setup, state, event, command)
    if command in PLACES:
        return Intent("placed", word=command)
    return _steering(setup, state, event, command)


def _near(setup: Setup, state: SessionState, near: str, *, near_danger: bool) -> Intent:
    """A word just below its floor: a danger is asked about, and the second time it counts; a doubtful 'stop' only
    stops.
    """
    if state.status == "breached":
        return NOTHING
    if near == "stop":
        return Intent("stopped")
    if not near_danger:
        return UNCLEAR
    if asking(state) and state.question == "near-breach":
        return breached(setup, state, near)
    return Intent("near_breach", question="near-breach", about=near)


def _false_alarm(setup: Setup, state: SessionState) -> Intent:
    if asking(state) and state.question == "near-breach":
        return resume_interrupted(setup, state, "false-alarm")
    struck = state.incident_place
    if struck is not None and struck.stage == "work" and not struck.detours:
        # rule 12: returning to the patient takes a second person's word
        return Intent("return_asked", question="return") if state.mode == "pair" else Intent("no_return")
    here = cleared_of_incident(state, setup.protocol).position
    return Intent("false_alarm", called_off(setup.protocol, here, struck))


def _steering(setup: Setup, state: SessionState, event: Heard, command: str) -> Intent:
    """Words that steer the session and answer no question: 'repeat', 'back', 'pause' and the like."""
    simple = {
        "repeat": Intent("repeated"),
        "pause": Intent("paused"),
        "resume": Intent("resumed", question="right"),
        "no-audio": Intent("sound_refused"),
        "back": Intent("back_asked", question="back"),
        "help": Intent("information_asked", word="help"),
        "where-am-i": Intent("information_asked", word="where-am-i"),
        "time": Intent("information_asked", word="time"),
    }
    if state.status in {"paused", "frozen"} and command in {"go-on", "clear", "done", "help", *NATURAL}:
        return _held(setup, state, command)
    if command == "repeat" and state.status == "paused":
        return _held(setup, state, command)
    if command in simple:
        return simple[command]
    if command == "touched":
        return _touched(setup, state)
    return _led(setup, state, event, command) or answer(setup, state, event, command)


def _touched(setup: Setup, state: SessionState) -> Intent:
    """A place is asked for. Under a hood without air, and amid a silent act, it is a breach: there the acts come before
    any question (rules 5 and 30).
    """
    step = step_at(setup.protocol, state.place)
    silent = step is not None and step.quiet_s > 0 and state.status not in {"frozen", "paused"}
    if silent or breach_if_touched(setup.protocol, state.position):
        return breached(setup, state, "breach")
    return Intent("touched", question="touched")


def _led(setup: Setup, state: SessionState, event: Heard, command: str) -> Intent | None:
    """Words that lead to another part of the session; None for any other word."""
    if command == "start-removal" or (command == "done" and state.status == "working"):
        return removal(setup, state, event)
    if command == "end-session":
        return _end(setup, state)
    if command == "skip":
        return Intent("skipped", without_optional(setup.protocol, state.position), word=event.role)
    return None


def _end(setup: Setup, state: SessionState) -> Intent:
    """Two people may end a session with something on; a wearer alone is led out instead (rule 31)."""
    if not state.ledger.on():
        return Intent("end_asked", question="end")
    if state.mode == "pair" and state.independent:
        return Intent("end_asked", question="end-both")
    if state.place.stage == "work":
        return Intent("end_asked", question="removal-area")
    cancelled = state.position._replace(cancelled=state.place.stage in {"prepare", "dress"})
    return Intent("led_out", again(setup.protocol, cancelled))


def _held(setup: Setup, state: SessionState, command: str) -> Intent:
    """A word during a stop or pause: one that goes on, or any other, which gets a hint (rule 32)."""
    if state.status == "frozen":
        return _go_on(setup, state) if command == "go-on" else Intent("misplaced", word="frozen-ask")
    if command in {"go-on", "yes"}:
        return Intent("resumed", question="right")
    return Intent("misplaced", word="paused")


def _go_on(setup: Setup, state: SessionState) -> Intent:
    if state.pending is not None:
        return Intent("went_back_to", question=state.pending[0], about=state.pending[1])
    return Intent("went_on", again(setup.protocol, state.position))


def _lost(_: Setup, state: SessionState, event: PartLost) -> Intent:
    if event.part == "signal" and not state.ledger.on():
        return Intent("shutdown_asked")
    return Intent("part_lost", word=event.part)


def _back(_: Setup, state: SessionState, event: PartBack) -> Intent:
    return Intent("ears_back") if event.part == "ears" and state.paced else Intent("part_back")


_FINDERS: dict[type[Event], Callable[[Setup, SessionState, Any], Intent]] = {
    Heard: _heard,
    PromptEnded: _prompt_ended,
    TimerFired: _timer,
    Reopened: _reopened,
    Salvaged: _salvaged,
    SpeechStarted: lambda _, __, ___: Intent("voice_over"),
    SpeechUnending: lambda _, __, ___: Intent("babble"),
    SoundTrouble: lambda _, __, event: Intent("sound_trouble", word=event.what),
    Opened: lambda _, __, ___: Intent("opened"),
    PartLost: _lost,
    PartBack: _back,
}
