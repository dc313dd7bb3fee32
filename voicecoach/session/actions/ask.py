"""Actions about the coach's own questions: asking them, setting them aside, taking the reply. Pure."""

from __future__ import annotations

from collections.abc import Callable

from voicecoach.protocol.ledger import Worn
from voicecoach.protocol.navigation.moves import unasked
from voicecoach.protocol.navigation.position import step_at
from voicecoach.session.actions.exposures import note_exposed, note_suspects
from voicecoach.session.actions.stepping import AGAIN_S, leave, remember_branch
from voicecoach.session.actions.wearing import correct, say_list, say_worn
from voicecoach.session.events import Heard
from voicecoach.session.exposure import UNKNOWN, place_meant
from voicecoach.session.notes import NoteKind
from voicecoach.session.turn import STEP_TIMERS, Turn
from voicecoach.session.vocabulary import FAULTS, PLACES
from voicecoach.session.voice_check import VOICE_CHECK, next_word
from voicecoach.session.voice_check import sentence as voice_sentence

ASIDE = ("all-right", "down", "near-breach", "go-alone")
"""Questions that are about another, not about the session."""
WAITED_IN = ("acknowledging", "awaiting", "drying", "confirming")
"""States in which an answer is waited for that counts even after somebody was asked whether they are all right."""
IN_PASSING = (
    "all-right",
    "down",
    "near-breach",
    "end",
    "end-both",
    "removal-area",
    "all-clear",
    "missing",
    "return",
    "back",
    "still-on",
    "go-alone",
)
"""Questions that are not asked again when something else came in between."""


def ask(turn: Turn) -> None:
    """Ask the intent's question at once."""
    turn.hush()
    ask_on(turn)


def ask_on(turn: Turn) -> None:
    """Ask it after what is being said."""
    turn.cancel(*STEP_TIMERS)
    question, about = turn.intent.question, turn.intent.about
    turn.set(question=question, about=about, false_interruptions=0, hinted=False, silence=0, waiting_since=None)
    if turn.state.pending == (question, about):
        turn.set(pending=None)
    say_question(turn)
    if not turn.state.speech:  # an earlier record's grammar may lack the question
        turn.timer("silence", AGAIN_S)


def say_question(turn: Turn) -> None:
    """Say the open question."""
    state, protocol = turn.state, turn.setup.protocol
    question = state.question
    if question in {"item", "still-on"}:
        turn.aside("ask-item", label=protocol.item(state.about).label)
    elif question == "end" and state.owed:
        turn.aside("still-owed", "ask-end-owed")
    elif question == "end":
        dressed = any(worn != "never" for _, worn in state.ledger.items)
        if dressed and state.place.stage == "close" and state.place.step >= len(protocol.steps("close")):
            say_all_done(turn)
        turn.aside("ask-end")
    elif question == VOICE_CHECK:
        if not state.tries:
            turn.aside("voice-start")
        turn.say(voice_sentence(turn.setup, next_word(turn.setup, state.tries)[1]))
    elif question == "touched":
        turn.aside("keep-still", "ask-where")
    elif question == "right":
        say_worn(turn)
        turn.aside("ask-right")
    elif question == "back":
        _say_step_behind(turn)
        turn.aside("ask-back")
    else:
        turn.aside(f"ask-{question}")


def say_all_done(turn: Turn) -> None:
    """Say what comes afterwards, with the site's own sentences."""
    site = turn.setup.site
    turn.aside("all-done")
    turn.say(site.waste, site.reusable, site.tell, site.follow_up if turn.state.exposures else "")


def _say_step_behind(turn: Turn) -> None:
    """Rule 9: the sentence of the step before. Rule 41: if that took something off, what is off instead."""
    state, protocol = turn.state, turn.setup.protocol
    step = step_at(protocol, state.behind) if state.behind is not None else None
    if step is None:
        return
    off = tuple(act.target for act in step.acts if act.kind == "doff" and state.ledger.worn(act.target) == "off")
    if off:
        say_list(turn, off, "off")
    else:
        turn.say(step.words(state.mode)[1])


def hold(turn: Turn) -> None:
    """Remember what a question interrupts. Somebody's silence never discards an open question."""
    remember_question(turn)
    open_question = turn.state.question
    if turn.intent.trigger == "silent" and open_question in IN_PASSING and open_question not in ASIDE:
        turn.set(pending=(open_question, turn.state.about))
    if turn.before.status in {"frozen", "paused"}:
        turn.set(held=turn.before.status)
    if turn.before.status in WAITED_IN:
        turn.set(waiting_in=turn.before.status)


def remember_question(turn: Turn, *, near_too: bool = False) -> None:
    """Remember an open question that would otherwise be lost; 'is it still on' starts from 'right?' again."""
    state = turn.state
    question = "right" if state.question == "item" else state.question
    if question and (question not in IN_PASSING or (near_too and question == "near-breach")):
        turn.set(pending=(question, "" if question == "right" else state.about))


def return_to_hold(turn: Turn) -> None:
    """Go back to 'frozen' or 'paused'."""
    turn.cancel(*STEP_TIMERS)
    held = turn.state.held
    turn.hush()
    turn.set(question="", about="", held="", pending=None, silence=0, waiting_since=None)
    turn.aside("frozen-ask" if held == "frozen" else "paused")


def note_reply(turn: Turn) -> None:
    """Record the reply and who gave it, and change the ledger accordingly."""
    state, word = turn.state, turn.intent.word
    by = turn.speaker
    turn.note(NoteKind.REPLY, question=state.question, about=state.about, answer=word, by=by)
    if isinstance(turn.event, Heard):
        turn.tone("taken")
    if state.question == "all-clear" and state.mode == "pair" and by != "observer":
        turn.note(NoteKind.NOT_INDEPENDENT, step="all-clear", why="said on a shared microphone or not at all")
    seen = state.question in {"piece", "fault"} and word in PLACES
    if seen or (state.question in {"where", "touched", "skin"} and place_meant(word)):
        note_exposed(turn, place_meant(word), state.question)
    elif state.question == "down" and word == "yes" and (cut_off := unasked(turn.setup.protocol, state.position, "")):
        note_exposed(turn, UNKNOWN, cut_off)
    elif state.question == "torn-piece" and turn.intent.about:
        turn.note(NoteKind.DEVIATION, step=turn.step_name, item=turn.intent.about, fault="torn", by=by)
        note_suspects(turn, "torn", (turn.intent.about,))
    elif state.question in {"item", "still-on"} and word in {"yes", "no"}:
        worn: Worn = "on" if word == "yes" else "off"
        correct(turn, state.about, worn)
    elif state.question == "mirror" and word == "no":
        turn.aside("mirror-missing")
        turn.note(NoteKind.DEVIATION, what="no mirror")
    elif state.question == "removal-area" and word == "no":
        turn.aside("not-yet")
    elif state.question in {"piece", "fault"} and word in FAULTS:
        _fault(turn, word, by)


def note_alone(turn: Turn) -> None:
    """Rule 33: nobody came, and the wearer goes on alone; what only a second person can see stays unconfirmed."""
    state, step = turn.state, turn.step
    acted = state.place.observer_due
    if step is not None and (acted or (state.answered and state.pending is None)):
        turn.note(NoteKind.JUMP, step=step.name, cause="goes on alone: nobody came")
        turn.note(NoteKind.NOT_CONFIRMED, step=step.name, why="goes on alone: nobody came")
        leave(turn, again=not acted)
    turn.note(NoteKind.DEVIATION, step=step.name if step else "", what="goes on alone: nobody came")
    turn.set(mode="solo", left_alone=True)
    turn.aside("alone-now")


def _fault(turn: Turn, fault: str, by: str) -> None:
    """Record what the observer saw (rule 16); a tear or soil is dated back (rule 14)."""
    step, item = turn.step, turn.state.about
    targets = (item,) if item else tuple(act.target for act in step.acts) if step else ()
    turn.note(NoteKind.DEVIATION, step=step.name if step else "", item=",".join(targets), fault=fault, by=by)
    if step is not None:
        remember_branch(turn, step)
    note_suspects(turn, fault, tuple(name for name in targets if turn.state.ledger.worn(name) == "on"))


ACTIONS: dict[str, Callable[[Turn], None]] = {
    action.__name__: action for action in (ask, ask_on, hold, return_to_hold, note_reply, note_alone)
}
