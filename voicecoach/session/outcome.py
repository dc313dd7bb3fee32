"""What an event can come to: a trigger of the table, and what goes with it. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from voicecoach.session.state import Ledger, SessionState
from voicecoach.session.way import Arrival, Rules, again, breach_arrival, step_at


@dataclass(frozen=True, slots=True)
class Meaning:
    """What an event comes to.

    trigger: a row of the table, '' for nothing. arrival: where it leads. question, about: what is asked next. word: the
    kind, fault, place, role or hint that it carries.
    """

    trigger: str
    arrival: Arrival | None = None
    question: str = ""
    about: str = ""
    word: str = ""


NOTHING = Meaning("")
UNCLEAR = Meaning("unclear")


def after_step(rules: Rules, state: SessionState) -> Ledger:
    """The ledger when the acts of the present step are done."""
    step = step_at(rules.protocol, state.place)
    return state.ledger.after(step.acts, state.at) if step else state.ledger


def back_to_business(rules: Rules, state: SessionState, word: str) -> Meaning:
    """After a question that came in between: what it interrupted."""
    if state.pending is not None:
        return Meaning("asked_on", question=state.pending[0], about=state.pending[1], word=word)
    if state.held:
        return Meaning("held_on", word=word)
    return Meaning("replied", again(rules, state), word=word)


def breached(rules: Rules, state: SessionState, kind: str) -> Meaning:
    """A breach of this kind."""
    return Meaning("breach", breach_arrival(rules, state, kind), word=kind)
