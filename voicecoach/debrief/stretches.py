"""The stretches of a session around its incidents, for outputs that leave out everything else. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

from voicecoach.debrief.incidents import incidents
from voicecoach.debrief.story import recorded_notes
from voicecoach.debrief.texts import wording
from voicecoach.record.read import Session
from voicecoach.session.notes import NoteKind

BEFORE_S = 10.0
"""How much before an incident is shown (s)."""

DatedRow = TypeVar("DatedRow")


def stretches(session: Session) -> tuple[tuple[float, float], ...]:
    """Begin and end (s) of each incident with what led to it, and of each wash or report done for one."""
    notes = recorded_notes(session)
    found = [(max(0.0, one.at_s - BEFORE_S), one.until_s) for one in incidents(notes, wording(session))]
    found += [(note.at_s, note.at_s) for note in notes if note.what == NoteKind.PAID]
    return tuple(sorted(found))


def of_incidents(session: Session, rows: Iterable[DatedRow], at_s: Callable[[DatedRow], float]) -> Iterator[DatedRow]:
    """The rows within the stretches. at_s: gives the time of a row (s)."""
    wanted = stretches(session)
    return (row for row in rows if any(begin <= at_s(row) <= end for begin, end in wanted))
