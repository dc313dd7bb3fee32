"""The guards of the table, by name: each examines a turn and answers yes or no. Pure."""

from __future__ import annotations

from collections.abc import Callable

from voicecoach.session.events import Heard
from voicecoach.session.interpret.live_commands import matters_to_both
from voicecoach.session.state import SessionState
from voicecoach.session.turn import Turn
from voicecoach.session.vocabulary import WELL

SPOKEN_THROUGH = 2
"""After this many interruptions for nothing, a prompt is spoken through (rule 7)."""


def loop_due(turn: Turn) -> bool:
    """A step that matters and has an observer is acknowledged before the act (rules 16 and 40)."""
    return turn.step is not None and matters_to_both(turn.step, turn.state)


def may_interrupt(turn: Turn) -> bool:
    """Whether a prompt sounds that has not been interrupted for nothing too often."""
    state = turn.state
    return state.sounding and not state.window and state.false_interruptions < SPOKEN_THROUGH


def may_say_again(turn: Turn) -> bool:
    """Once a step, and not over a prompt. At a step with ways for a fault, somebody known who was not understood twice
    is told what would be: a fault by itself, not "shield missing" (rule 32).

    After 'Breach?' an unclear word is no answer, and that counts as yes.
    """
    state = turn.state
    quiet = not state.sounding and not state.window and state.question != "near-breach"
    return quiet and (not state.hinted or hint_due(turn))


def hint_due(turn: Turn) -> bool:
    """Whether a second word of somebody known was not understood, at a step that has ways for a fault."""
    state, event = turn.state, turn.event
    known = isinstance(event, Heard) and event.role != "unknown"
    faults = turn.step is not None and bool(turn.step.branches)
    return state.hinted and known and faults and not state.question and state.hint_at != state.place


def first_silence(turn: Turn) -> bool:
    """The first rung: say it again. A check at work has this rung too; with nothing on there is no other."""
    state = turn.state
    if not state.ledger.on():
        return state.silence == 0 or state.question in {*WELL, "end"}
    if state.question in WELL:
        return state.place.stage == "work" and state.silence == 0 and not state.place.detours
    return state.silence == 0


def helper_silent(turn: Turn) -> bool:
    """The second rung while the assistant is awaited: the observer is asked to look (scene S3)."""
    state = turn.state
    waited_for = state.status in {"acknowledging", "awaiting", "drying"} and state.mode == "pair"
    by_helper = turn.step is not None and turn.step.role == "assistant"
    return waited_for and by_helper and state.silence == 1 and not first_silence(turn)


def observer_first(turn: Turn) -> bool:
    """At work the observer is warned before the alarm rings beside the patient (rule 34)."""
    state = turn.state
    return state.question in WELL and _at_work(state) and state.silence == 1 and not first_silence(turn)


def _at_work(state: SessionState) -> bool:
    return state.place.stage == "work" and not state.place.detours


def third_silence(turn: Turn) -> bool:
    """'Are you all right?' was not answered either."""
    return turn.state.question in WELL and not first_silence(turn) and not observer_first(turn)


def second_silence(turn: Turn) -> bool:
    """It was said again, and nobody answered."""
    return not (first_silence(turn) or helper_silent(turn) or observer_first(turn) or third_silence(turn))


def _to(kind: str) -> Callable[[Turn], bool]:
    def guard(turn: Turn) -> bool:
        return turn.intent.arrival is not None and turn.intent.arrival.kind == kind

    guard.__doc__ = f"Whether the arrival is a {kind}."
    return guard


def sound_trouble_is_new(turn: Turn) -> bool:
    """Each trouble with the sound is said once, and not into a stop, a breach or somebody's voice."""
    state = turn.state
    return turn.intent.word not in state.sound_announced and state.status not in {"frozen", "breached", "interrupted"}


GUARDS: dict[str, Callable[[Turn], bool]] = {
    "to_step": _to("step"),
    "to_work": _to("work"),
    "to_question": _to("question"),
    "to_confirm": _to("confirm"),
    "loop_due": loop_due,
    "no_loop_due": lambda turn: not loop_due(turn),
    "may_interrupt": may_interrupt,
    "window_open": lambda turn: turn.state.window,
    "over_step": lambda turn: turn.state.question == "",
    "over_question": lambda turn: turn.state.question != "",
    "may_say_again": may_say_again,
    "sound_trouble_is_new": sound_trouble_is_new,
    "not_babbled": lambda turn: not turn.state.babble_noted,
    "has_step_behind": lambda turn: turn.state.behind is not None,
    "no_step_behind": lambda turn: turn.state.behind is None,
    "held_frozen": lambda turn: turn.state.held == "frozen",
    "held_paused": lambda turn: turn.state.held == "paused",
    "nothing_on": lambda turn: not turn.state.ledger.on(),
    "something_on": lambda turn: bool(turn.state.ledger.on()),
    "first_silence": first_silence,
    "helper_silent": helper_silent,
    "second_silence": second_silence,
    "observer_first": observer_first,
    "third_silence": third_silence,
    "hearing": lambda turn: not turn.state.paced,
    "deaf": lambda turn: turn.state.paced,
}
