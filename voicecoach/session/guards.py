"""The conditions of the table, by name. Pure; each looks at a turn and answers yes or no."""

from __future__ import annotations

from collections.abc import Callable

from voicecoach.session.turn import Turn

SPOKEN_THROUGH = 2
"""After so many voices for nothing a prompt is spoken through (rule 7)."""


def observer_due(turn: Turn) -> bool:
    """A second person must confirm this step, and there is one."""
    return turn.state.mode == "pair" and turn.step is not None and turn.step.observer


def loop_due(turn: Turn) -> bool:
    """A step that matters is acknowledged before it is acted on, where two people are there (rule 16)."""
    step = turn.step
    return turn.state.mode == "pair" and step is not None and step.matters and not step.quiet_s and not turn.state.paced


def helper_waited_for(turn: Turn) -> bool:
    """The step waits for somebody other than the wearer."""
    on_step = turn.state.status in {"acknowledging", "awaiting", "drying"}
    return on_step and turn.state.mode == "pair" and turn.step is not None and turn.step.role == "assistant"


def _to(kind: str) -> Callable[[Turn], bool]:
    def guard(turn: Turn) -> bool:
        return turn.meaning.arrival is not None and turn.meaning.arrival.kind == kind

    guard.__doc__ = f"The way leads to: {kind}."
    return guard


GUARDS: dict[str, Callable[[Turn], bool]] = {
    "to_step": _to("step"),
    "to_work": _to("work"),
    "to_question": _to("question"),
    "to_confirm": _to("confirm"),
    "alone": lambda turn: turn.meaning.arrival is None,
    "in_pair": lambda turn: turn.meaning.arrival is not None,
    "loop_due": loop_due,
    "no_loop_due": lambda turn: not loop_due(turn),
    "observer_due": observer_due,
    "no_observer_due": lambda turn: not observer_due(turn),
    "may_duck": lambda turn: turn.state.sounding and turn.state.vain < SPOKEN_THROUGH,
    "over_step": lambda turn: turn.state.question == "",
    "over_question": lambda turn: turn.state.question != "",
    "not_hinted": lambda turn: not turn.state.hinted and not turn.state.sounding,
    "not_babbled": lambda turn: not turn.state.babbled,
    "has_trail": lambda turn: bool(turn.state.trail),
    "no_trail": lambda turn: not turn.state.trail,
    "held_frozen": lambda turn: turn.state.held == "frozen",
    "held_paused": lambda turn: turn.state.held == "paused",
    "nothing_on": lambda turn: not turn.state.ledger.on(),
    "something_on": lambda turn: bool(turn.state.ledger.on()),
    "first_silence": lambda turn: turn.state.silence == 0 and turn.state.question != "all-right",
    "helper_silent": lambda turn: turn.state.silence == 1 and helper_waited_for(turn),
    "second_silence": lambda turn: (
        turn.state.silence >= 1
        and turn.state.question != "all-right"
        and not (turn.state.silence == 1 and helper_waited_for(turn))
    ),
    "third_silence": lambda turn: turn.state.question == "all-right",
}
