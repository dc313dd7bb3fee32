"""What an event can come to: a trigger of the table, and what goes with it. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from voicecoach.protocol.ledger import Ledger
from voicecoach.protocol.navigation import Arrival, again, breach_arrival, step_at
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState


@dataclass(frozen=True, slots=True)
class Intent:
    """What an event comes to.

    trigger: a row of the table, '' for nothing. arrival: where it leads. question, about: what is asked next. word: the
    kind, fault, place, role or hint that it carries.
    """

    trigger: str
    arrival: Arrival | None = None
    question: str = ""
    about: str = ""
    word: str = ""


NOTHING = Intent("")
UNCLEAR = Intent("unclear")


def after_step(setup: Setup, state: SessionState) -> Ledger:
    """The ledger when the acts of the present step are done."""
    step = step_at(setup.protocol, state.place)
    return state.ledger.after(step.acts, state.at) if step else state.ledger


def back_to_business(setup: Setup, state: SessionState, word: str) -> Intent:
    """After a question that came in between: what it interrupted."""
    if state.pending is not None:
        return Intent("asked_on", question=state.pending[0], about=state.pending[1], word=word)
    if state.held:
        return Intent("held_on", word=word)
    return Intent("replied", again(setup.protocol, state.position), word=word)


def breached(setup: Setup, state: SessionState, kind: str) -> Intent:
    """A breach of this kind."""
    return Intent("breach", breach_arrival(setup.protocol, state.position, kind), word=kind)
