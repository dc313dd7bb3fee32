"""Actions between a prompt and its answer: waiting, voices over a prompt, and the silence ladder. Pure."""

from __future__ import annotations

from collections.abc import Callable

from voicecoach.protocol.navigation.position import airless
from voicecoach.session.actions.ask import say_question
from voicecoach.session.actions.stepping import say_step
from voicecoach.session.effects import StopSpeaking
from voicecoach.session.events import CLOCK_HZ, Heard
from voicecoach.session.interpret.answers import hint as hint_of
from voicecoach.session.notes import NoteKind
from voicecoach.session.turn import Turn
from voicecoach.session.vocabulary import REPLIES, WELL

WINDOW_S = 3.0
"""How long an interrupted prompt waits for a word before it is resumed (s)."""
NEAR_MISS_S = 3.0
"""This much silence after 'Breach?' counts as yes (s; rule 13)."""
FIRST_SILENCE_S, SECOND_SILENCE_S, THIRD_SILENCE_S = 45.0, 90.0, 10.0
"""The ladder of rule 20: the prompt again; after 90 s in all, 'Are you all right?'; 10 s later the alarm (scene S1)."""
AIRLESS_S = 10.0
"""The length of each rung under a hood without air (s; rule 30); common practice, no source."""
WORK_SILENCE_S = 20.0
"""The length of each rung at work (s): the alarm rings beside the patient after a minute, not before (rule 34)."""
ALARM_AGAIN_S = 15.0
HELPER_AGAIN_S = 45.0
PAUSED_SILENCE_S = 120.0
"""The same in a pause, which somebody asked for (s); common practice, no source."""
LOUDER_FROM = 2
"""From this rung on the alarm names the room and sounds twice."""
NOTHING_ON_S = 300.0
"""With nothing on nobody is in danger, and the prompt is repeated at this interval (s) without an alarm; common
practice, no source."""
PACE_S = 20.0
"""Without a recogniser: the time for an act (s); slow, common practice, no source."""
PACED_QUESTION_S = 12.0
"""Without a recogniser: the time for a reply (s); longer than its words take, common practice, no source."""
PACED_HOLD_S = 30.0
"""Without a recogniser: the length of a stop or pause (s), since no word can end it; common practice, no source."""


def take_answers(turn: Turn) -> None:
    """The prompt has ended: from now on a word is an answer."""
    turn.cancel("window")
    turn.set(answers_from=turn.state.at)
    wait(turn)


def wait(turn: Turn) -> None:
    """Nothing is being said: run the timer that fits what is waited for."""
    state, step = turn.state, turn.step
    if state.window or state.sounding or state.status in {"opening", "timing", "breached", "working"}:
        return
    if state.status == "frozen" and "hold" in state.timers:
        return
    name, after_s = "silence", _patience_s(turn)
    if state.status == "asking" and state.question == "near-breach":
        name, after_s = "near", NEAR_MISS_S
    elif state.paced:
        name, after_s = "pace", _pace_s(turn)
    elif state.status == "awaiting" and step is not None and step.quiet_s and not state.hinted:
        name, after_s = "quiet", step.quiet_s
    if name in state.timers:
        return
    if name == "silence" and state.waiting_since is None:
        turn.set(waiting_since=state.at)
    turn.timer(name, after_s)


def _patience_s(turn: Turn) -> float:
    """How long silence lasts before the next rung of the ladder (s)."""
    state = turn.state
    if state.question in WELL:
        if state.place.stage == "work" and not state.place.detours:
            return WORK_SILENCE_S
        return THIRD_SILENCE_S if state.ledger.on() else NOTHING_ON_S
    if state.status == "paused":
        return PAUSED_SILENCE_S
    breathless = bool(state.place.detours and airless(turn.setup.protocol, state.place, state.ledger))
    if state.silence <= 1 and breathless:
        return AIRLESS_S
    waited_s = 0.0 if state.waiting_since is None else (state.at - state.waiting_since) / CLOCK_HZ
    rungs_s = (FIRST_SILENCE_S, max(1.0, SECOND_SILENCE_S - waited_s), HELPER_AGAIN_S)
    if state.silence > 0 and state.question == "end" and not state.ledger.on():
        return NOTHING_ON_S
    return rungs_s[min(state.silence, 2)]


def _pace_s(turn: Turn) -> float:
    """How long the coach waits before it goes on without a recogniser (s)."""
    state, step = turn.state, turn.step
    if state.status in {"frozen", "paused"}:
        return PACED_HOLD_S
    if state.status == "asking":
        return NOTHING_ON_S if state.question == "end" and not state.ledger.on() else PACED_QUESTION_S
    if step is None or state.status in {"confirming", "drying"}:
        return PACE_S
    return PACE_S + turn.setup.contact_s(step) + step.quiet_s


def interrupt(turn: Turn) -> None:
    """Rule 7: a voice over a prompt stops it and opens a window."""
    turn.effects.append(StopSpeaking())
    turn.cancel("near")
    turn.set(false_interruptions=turn.state.false_interruptions + 1)
    turn.timer("window", WINDOW_S)


def speak_on(turn: Turn) -> None:
    """Nothing followed the voice: resume the prompt where it was cut."""
    turn.cancel("window")
    turn.speak_on()
    wait(turn)


def speak_through(turn: Turn) -> None:
    """Rule 7: in a room full of voices, resume the prompt and do not stop it again."""
    turn.set(false_interruptions=99)
    if turn.before.window:
        speak_on(turn)


def note_babble(turn: Turn) -> None:
    """Say and show, once a step, that speech does not end."""
    first = not turn.state.babble_noted
    turn.set(babble_noted=True)
    if not first:
        return
    turn.note(NoteKind.BABBLE)
    if not turn.state.sounding and turn.state.status not in {"frozen", "timing"}:
        turn.aside("babble")


def say_again(turn: Turn) -> None:
    """Ask for the word again, once a step; after that the repeated prompt has to do."""
    quiet = turn.step is not None and turn.step.quiet_s and not turn.state.question
    if turn.state.status in {"frozen", "paused"} or quiet:
        return
    second = turn.state.hinted
    turn.set(hinted=True, hint_at=turn.state.place if second else turn.state.hint_at)
    turn.tone("again")
    turn.aside(_hint_of_question(turn.state.question) or _hint_of_step(turn, second=second))


def _hint_of_question(question: str) -> str:
    """The key of the sentence that names the kind of word an open question waits for (rule 32)."""
    if question in {"piece", "fault"}:
        return f"ask-{question}"
    if question in {"where", "touched"}:
        return "hint-place"
    if question in {"all-clear", "missing"}:
        return "hint-observer"
    if {"yes", "no"} <= {*REPLIES.get(question, ())}:
        return "hint-yes-no"
    return f"ask-{question}" if question in REPLIES else ""


def _hint_of_step(turn: Turn, *, second: bool) -> str:
    """The same for a step: after a typed word what would be taken is said at once, and a voice is asked again first."""
    event, step = turn.event, turn.step
    typed = isinstance(event, Heard) and event.source == "key"
    if turn.state.question or step is None or not (typed or second):
        return "say-again"
    return "hint-observer" if turn.state.status == "confirming" else hint_of(step, turn.state.status)


def read_again(turn: Turn) -> None:
    """Say the same prompt again: on 'repeat', or at the first rung of silence."""
    silent = turn.intent.trigger == "silent"
    turn.cancel("silence", "window")
    turn.set(silence=turn.state.silence + 1 if silent else 0)
    if not silent:
        turn.set(waiting_since=None)
    turn.hush()
    read_on(turn)


def checks_finished(turn: Turn) -> str:
    """The key of the sentence before entry; it says who decides and claims nothing (rule 35)."""
    return "work-begins" if turn.state.mode == "pair" else "work-begins-alone"


def read_on(turn: Turn) -> None:
    """Say what is waited for."""
    state = turn.state
    fixed = {"confirming": "ask-observer", "frozen": "frozen-ask", "paused": "paused", "drying": "time-up"}
    if state.question:
        say_question(turn)
    elif state.status in fixed:
        turn.aside(fixed[state.status])
    elif state.status == "working":
        turn.aside(checks_finished(turn))
    elif turn.step is not None:
        if turn.intent.trigger == "silent" and turn.step.role == "assistant":
            turn.aside("assistant-please")
        say_step(turn)


def ask_observer_to_look(turn: Turn) -> None:
    """Report another role's silence to the observer, and record it as that role's deviation (scene S3)."""
    step = turn.step
    assert step is not None
    turn.note(NoteKind.DEVIATION, step=step.name, by=step.role, what="went on without answering")
    turn.set(silence=turn.state.silence + 1)
    turn.hush()
    turn.aside("role-silent")


def alarm(turn: Turn) -> None:
    """Rule 20: a loud outward alarm with words for bystanders; the step does not move."""
    turn.hush()
    call_out(turn)
    if turn.state.silence > LOUDER_FROM:
        turn.say(turn.setup.site.alarm)
        turn.tone("outward-alarm")
    turn.set(silence=turn.state.silence + 1)
    turn.timer("silence", ALARM_AGAIN_S)


def warn_observer(turn: Turn) -> None:
    """Warn the second person before anything rings; a wearer alone is called once more."""
    turn.set(silence=turn.state.silence + 1)
    turn.hush()
    turn.aside("look-at-wearer" if turn.state.mode == "pair" else "hear-me")


def remind(turn: Turn) -> None:
    """Rule 36: a silent act takes as long as it takes; say once how to report its end."""
    turn.set(hinted=True)
    turn.aside("take-time-quiet")


def call_out(turn: Turn) -> None:
    """Sound the outward alarm and say its words."""
    turn.note(NoteKind.ALARM, step=turn.step_name)
    turn.tone("outward-alarm")
    turn.aside("alarm-words")


ACTIONS: dict[str, Callable[[Turn], None]] = {
    action.__name__: action
    for action in (
        take_answers, wait, interrupt, speak_on, speak_through, note_babble, say_again, read_again, read_on,
        ask_observer_to_look, alarm, call_out, warn_observer, remind,
    )
}  # fmt: skip
