"""Continues from the last good lines of a damaged or old session. Pure.

Nobody knows what happened after those lines: every piece is asked for, the hands count as dirty, and the session leads
to removal, never into a dressing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from voicecoach.protocol.ledger import Ledger, Worn
from voicecoach.protocol.place import Place
from voicecoach.session.actions.wearing import say_worn, update_ledger
from voicecoach.session.events import Salvaged
from voicecoach.session.notes import NoteKind
from voicecoach.session.turn import Turn


def take_over(turn: Turn) -> None:
    """Say that a session was found, and what is worn by its last good lines."""
    event = turn.event
    assert isinstance(event, Salvaged)
    turn.set(
        mode=event.mode,
        ear=event.ear,
        audio=event.audio,
        training_only=True,
        independent=event.independent,
        place=Place("work", 0),
        salvaged=True,
    )
    state = turn.state
    turn.note(NoteKind.OPENED, mode=state.mode, ear=state.ear, audio=state.audio, training_only=True)
    turn.note(NoteKind.GAP, part="session", why=f"goes on from {event.record}, which is {event.why}")
    update_ledger(turn, _as_told(state.ledger, event))
    turn.hush()
    turn.aside("found-old" if event.why == "old" else "found-damaged")
    if turn.state.ledger.on():  # an empty ledger would only be a guess
        turn.aside("found-worn")
        say_worn(turn)


def _as_told(ledger: Ledger, event: Salvaged) -> Ledger:
    on, off = event.on.split(","), event.off.split(",")

    def worn(item: str) -> Worn:
        return "on" if item in on else "off" if item in off else "never"

    return replace(ledger, items=tuple((item, worn(item)) for item, _ in ledger.items), hands="not-rubbed")


ACTIONS: dict[str, Callable[[Turn], None]] = {"take_over": take_over}
