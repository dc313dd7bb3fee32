"""The meaning of an event: a trigger of the table, and what goes with it. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace

from voicecoach.protocol.ledger import Ledger
from voicecoach.protocol.model import ENDS_ENTRY, OWED_AT_ONCE, Protocol
from voicecoach.protocol.navigation.moves import again, breach_arrival, unasked
from voicecoach.protocol.navigation.position import Arrival, hose, leads_out, step_at, suffered
from voicecoach.session.exposure import UNKNOWN, without
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState


@dataclass(frozen=True, slots=True)
class Intent:
    """What an event means.

    trigger: of a row of the table; '' for nothing. arrival: where it leads. question, about: what is asked next. word:
    the kind, fault, place, role or hint that goes with it.
    """

    trigger: str
    arrival: Arrival | None = None
    question: str = ""
    about: str = ""
    word: str = ""


NOTHING = Intent("")
UNCLEAR = Intent("unclear")


def after_step(setup: Setup, state: SessionState) -> Ledger:
    """The ledger once the acts of the present step are done."""
    step = step_at(setup.protocol, state.place)
    return state.ledger.after(step.acts, state.at) if step else state.ledger


def resume_interrupted(setup: Setup, state: SessionState, word: str) -> Intent:
    """Back to what a question interrupted: another question, a stop or pause, or the step."""
    if state.pending is not None:
        return Intent("asked_on", question=state.pending[0], about=state.pending[1], word=word)
    if state.held:
        return Intent("went_back_to_hold", word=word)
    return Intent("replied", again(setup.protocol, state.position), word=word)


def breached(setup: Setup, state: SessionState, kind: str, item: str = "") -> Intent:
    """An incident of this kind. Some kinds always expose, and are recorded as an exposure at once.

    item: the piece that was named with it.
    """
    kind = suffered(setup.protocol, state.place, state.ledger, kind)
    struck = state if state.handling else replace(state, incident_at=state.at)
    if cut_off := unasked(setup.protocol, state.position, kind):
        struck = struck.exposed(UNKNOWN, cut_off)
    if kind in OWED_AT_ONCE:
        struck = struck.exposed(UNKNOWN, kind)
    if kind in ENDS_ENTRY and state.place.stage in {"prepare", "dress"}:
        struck = replace(struck, no_entry=kind)
    return Intent("breach", breach_arrival(setup.protocol, struck.position, kind, item), about=item, word=kind)


def cleared_of_incident(state: SessionState, protocol: Protocol) -> SessionState:
    """The state without the newest incident, which was a false alarm: nothing is owed for it, air flows, and whoever
    was not on the way out before it may go in.
    """
    left = without(state.exposures, state.called_at)
    struck = state.incident_place or state.place
    on_way_out = struck.stage not in {"prepare", "dress"} or any(leads_out(protocol, one) for one in struck.detours)
    no_entry = state.no_entry if left or on_way_out else ""
    return replace(state, exposures=left, no_entry=no_entry, ledger=state.ledger.forget_tear(hose(protocol)))
