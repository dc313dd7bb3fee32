"""What the rows of the table do, by name: each deed changes a turn. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from voicecoach.session import deeds_aside, deeds_step
from voicecoach.session.effects import Close, StopSpeaking
from voicecoach.session.events import CLOCK_HZ, Heard, Opened, PartBack, PartLost, Reopened
from voicecoach.session.live import in_breach
from voicecoach.session.turn import STEP_TIMERS, Turn
from voicecoach.session.way import breach_rule, step_at, steps_here
from voicecoach.session.words import PLACES

WINDOW_S = 3.0
"""How long a voice over a prompt is waited for before the prompt goes on."""
NEAR_MISS_S = 3.0
"""Silence after 'Breach?' for so long counts as yes (rule 13)."""
STOPPED_S = 6.0
"""How long 'stop' keeps quiet before the coach asks what happened."""
PACED_QUESTION_S = 12.0
"""Without ears a question is left after so long; longer than its words, common practice, no source."""
FIRST_SILENCE_S, SECOND_SILENCE_S, THIRD_SILENCE_S = 45.0, 45.0, 10.0
"""The ladder of rule 20: the prompt again, 'Are you all right?' 90 s in all, the alarm 10 s later."""
ALARM_AGAIN_S = 15.0


def introduce(turn: Turn) -> None:
    """Rule 24: what this is, what is recorded, which ear, and whether it is training only."""
    event = turn.event
    if isinstance(event, Opened):
        turn.set(
            mode=event.mode,
            ear=event.ear,
            audio=event.audio,
            training_only=event.training_only,
            independent=event.independent,
        )
    state = turn.state
    turn.note("opened", mode=state.mode, ear=state.ear, audio=state.audio, training_only=state.training_only)
    turn.hush()
    if state.training_only:
        turn.say(turn.own("intro-training"))
    turn.say(turn.own("intro-order"), turn.own(f"intro-ear-{state.ear}"), turn.own(f"intro-audio-{state.audio}"))
    if state.mode == "solo":
        turn.say(turn.own("intro-solo"))
    elif not state.independent:
        turn.say(turn.own("intro-one-microphone"))
        turn.note("not-independent", why="one microphone: roles are told apart by word only")


def arrive(turn: Turn) -> None:
    """Go where the meaning leads and say what stands there."""
    arrival = turn.meaning.arrival
    assert arrival is not None
    turn.cancel(*STEP_TIMERS)
    for name, reason in arrival.passed:
        turn.note("jump", step=name, cause=reason)
    deeds_step.keep_books(turn, arrival.ledger)
    left_breach = in_breach(replace(turn.state, status="prompting"))
    turn.set(place=arrival.place, ledger=arrival.ledger, question="", about="", held="", pending=None, silence=0)
    turn.set(vain=0, hinted=False, babbled=False, answered=())
    if left_breach and not in_breach(turn.state):
        turn.set(before=None)
    if arrival.kind == "question":
        turn.set(question=arrival.question, about=arrival.about)
        say_question(turn)
    elif arrival.kind == "confirm":
        turn.say(turn.own("ask-observer"))
    elif arrival.kind == "work":
        turn.note("work")
        if turn.before.place.stage != "work" or turn.before.place.detours:
            turn.say(turn.own("work-begins"), *(step.say for step in steps_here(turn.rules.protocol, arrival.place)))
        turn.timer("check", turn.rules.site.check_s)
    else:
        deeds_step.read_step(turn)


def ask(turn: Turn) -> None:
    """Ask the question that the meaning carries."""
    turn.cancel(*STEP_TIMERS)
    if turn.meaning.trigger != "reopened":
        turn.hush()
    question, about = turn.meaning.question, turn.meaning.about
    turn.set(question=question, about=about, vain=0, hinted=False, silence=0)
    if turn.state.pending == (question, about):
        turn.set(pending=None)
    say_question(turn)


def say_question(turn: Turn) -> None:
    """Say the question that is open."""
    state = turn.state
    protocol = turn.rules.protocol
    key = f"ask-{state.question}"
    if state.question in {"item", "still-on"}:
        turn.say(turn.own("ask-item", label=protocol.item(state.about).label))
    elif state.question == "end":
        if state.ledger.on():
            turn.say(turn.own("ask-end-on"))
        else:
            at_end = state.place.stage == "close" and state.place.step >= len(protocol.steps("close"))
            turn.say(turn.own("all-done") if at_end else "", turn.own("ask-end"))
    elif state.question == "touched":
        turn.say(turn.own("ask-where"))
    elif state.question == "right":
        turn.say(*deeds_aside.worn_sentences(turn), turn.own("ask-right"))
    elif state.question == "back":
        before = step_at(protocol, state.trail[-1]) if state.trail else None
        turn.say(before.say if before else "", turn.own("ask-back"))
    else:
        turn.say(turn.own(key))
    if state.question == "near-breach":
        turn.timer("near", NEAR_MISS_S + 2.0)  # counted anew when the question has been said


def wait(turn: Turn) -> None:
    """Everything has been said: wait for an answer, with the ladder of silence or the pace of a deaf coach."""
    state, step = turn.state, turn.step
    if state.status == "working":
        return
    if state.status == "asking" and state.question == "near-breach":
        turn.timer("near", NEAR_MISS_S)
    elif state.status == "awaiting" and step is not None and step.quiet_s:
        turn.timer("quiet", step.quiet_s)
    elif state.paced and state.status in {"acknowledging", "awaiting", "drying", "confirming", "asking"}:
        deeds_step.pace(turn, PACED_QUESTION_S)
    elif state.status in {"acknowledging", "awaiting", "drying", "confirming", "asking", "frozen", "paused"}:
        if "silence" not in state.timers:
            after = (FIRST_SILENCE_S, SECOND_SILENCE_S)[min(state.silence, 1)]
            turn.timer("silence", THIRD_SILENCE_S if state.question == "all-right" else after)


def duck(turn: Turn) -> None:
    """Rule 7: a voice over a prompt stops it and opens a window."""
    turn.effects.append(StopSpeaking())
    turn.cancel("near")
    turn.set(vain=turn.state.vain + 1)
    turn.timer("window", WINDOW_S)


def speak_on(turn: Turn) -> None:
    """Nothing came: the prompt goes on where it was cut."""
    turn.cancel("window")
    turn.speak_on()
    if not turn.state.speech:
        wait(turn)


def speak_through(turn: Turn) -> None:
    """A room full of voices: the prompt goes on and is not stopped again."""
    turn.set(vain=99)
    speak_on(turn)


def read_again(turn: Turn) -> None:
    """The same prompt again: on 'repeat', or on the first rung of silence."""
    state = turn.state
    silent = turn.meaning.trigger == "silent"
    turn.cancel("silence", "window")
    turn.set(silence=state.silence + 1 if silent else 0)
    turn.hush()
    if state.question:
        say_question(turn)
    elif state.status == "confirming":
        turn.say(turn.own("ask-observer"))
    elif state.status == "frozen":
        turn.say(turn.own("frozen-ask"))
    elif state.status == "paused":
        turn.say(turn.own("paused"))
    elif state.status == "working":
        turn.say(turn.own("work-begins"))
    elif turn.step is not None:
        if silent and turn.step.role == "assistant":
            turn.say(turn.own("assistant-please"))
        deeds_step.say_step(turn)


def sound_breach(turn: Turn) -> None:
    """Rule 11: the first words are an act. Everything else waits."""
    arrival, kind = turn.meaning.arrival, turn.meaning.word
    assert arrival is not None
    state = turn.state
    rule = breach_rule(turn.rules.protocol, kind, state.place.stage)
    if isinstance(turn.event, Heard) and turn.event.source == "voice" and turn.event.role == "unknown":
        turn.note("not-independent", step="breach", why="who said it is not known")
    asked = state.question == "near-breach"
    turn.note("breach", kind=kind, stage=state.place.stage, step=turn.step.name if turn.step else "", asked_first=asked)
    turn.cancel(*STEP_TIMERS)
    turn.effects.append(StopSpeaking())
    turn.set(speech=(), question="", about="", held="", pending=None, silence=0, vain=0)
    turn.set(before=state.before if in_breach(replace(state, status="prompting")) and state.before else state.place)
    turn.set(place=arrival.place, ledger=replace(arrival.ledger, hands="not-rubbed"))
    turn.say(rule.first if rule else turn.own("breach-default"))
    deeds_step.note_suspects(turn, kind)


def note_false_alarm(turn: Turn) -> None:
    """It was none: on record, and back to the same step; a timed one starts from zero."""
    turn.note("false-alarm", step=turn.step.name if turn.step else "")
    turn.say(turn.own("noted"))
    turn.set(before=None)


def close(turn: Turn) -> None:
    """The end, confirmed."""
    turn.cancel(*STEP_TIMERS, "wear")
    turn.hush()
    turn.say(turn.own("closed"))
    on = ",".join(turn.state.ledger.on())
    turn.note("end", still_on=on, training_only=turn.state.training_only)
    turn.effects.append(Close("abandoned with items on" if on else "ended"))


def note_reply(turn: Turn) -> None:
    """What was answered to which question; a place is an exposure."""
    state, word = turn.state, turn.meaning.word
    by = turn.event.role if isinstance(turn.event, Heard) else ""
    turn.note("reply", question=state.question, about=state.about, answer=word, by=by)
    if isinstance(turn.event, Heard):
        turn.tone("taken")
        if state.question == "all-clear" and state.mode == "pair" and turn.event.role != "observer":
            turn.note("not-independent", step="all-clear", why="said on a shared microphone")
    if state.question in {"where", "touched"} and word in PLACES:
        turn.note("exposure", place=word, cause=state.question, step=turn.step.name if turn.step else "")
        deeds_step.note_suspects(turn, "touched")
        turn.set(ledger=replace(state.ledger, hands="not-rubbed"))
    if state.question == "skin" and word in {"yes", "not answered"}:
        turn.note("exposure", place="skin", cause=state.about, answer=word)
    if state.question in {"item", "still-on"} and word in {"yes", "no"}:
        deeds_step.correct(turn, state.about, "on" if word == "yes" else "off")
    if state.question == "mirror" and word == "no":
        turn.say(turn.own("mirror-missing"))
        turn.note("deviation", what="no mirror")
    if state.question == "removal-area" and word == "no":
        turn.say(turn.own("not-yet"))
    if state.question == "what":
        turn.note("deviation", step=turn.step.name if turn.step else "", fault=word, by="observer saw it")


def lose(turn: Turn) -> None:
    """Rule 19: a part is gone; said, shown, recorded, and the guidance goes on in what is left."""
    event = turn.event
    assert isinstance(event, PartLost)
    if event.part in turn.state.lost:
        return
    turn.set(lost=(*turn.state.lost, event.part))
    turn.note("gap", part=event.part, why=event.why)
    if event.part in {"ears", "disk"}:
        turn.say(turn.own(f"{event.part}-lost"))
    if event.part == "ears":
        turn.set(paced=True)
        turn.cancel("silence")
        if not turn.state.speech:
            wait(turn)


def find(turn: Turn) -> None:
    """A part is back."""
    event = turn.event
    assert isinstance(event, PartBack)
    if event.part not in turn.state.lost:
        return
    turn.set(lost=tuple(part for part in turn.state.lost if part != event.part))
    turn.note("gap-over", part=event.part)
    if event.part in {"ears", "disk"}:
        turn.say(turn.own(f"{event.part}-back"))
    if event.part == "ears":
        turn.set(paced=False)
        turn.cancel("pace")


def note_gap(turn: Turn) -> None:
    """Rule 21: the session goes on after it was cut off."""
    event = turn.event
    gap_s = event.gap_s if isinstance(event, Reopened) else 0.0
    turn.note("gap", part="session", gap_s=round(gap_s, 1), why=event.why if isinstance(event, Reopened) else "")
    turn.cancel(*STEP_TIMERS, "wear")
    turn.set(speech=(), held="", pending=None, lost=(), paced=False)
    turn.say(turn.own("stopped"))
    if turn.state.worn_since is not None:
        deeds_aside.set_wear_timer(turn, worn_s=(turn.state.at - turn.state.worn_since) / CLOCK_HZ)


DEEDS: dict[str, Callable[[Turn], None]] = {
    **deeds_step.DEEDS,
    **deeds_aside.DEEDS,
    **{
        deed.__name__: deed
        for deed in (
            introduce, arrive, ask, wait, duck, speak_on, speak_through, read_again, sound_breach, note_false_alarm, close,
            note_reply, lose, find, note_gap,
        )
    },
}  # fmt: skip
