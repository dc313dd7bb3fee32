"""The incidents of a session: what happened where, what was done about it, and what is still owed. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from voicecoach.protocol.model import DEBTS
from voicecoach.session.exposure import UNKNOWN
from voicecoach.session.notes import NoteKind

if TYPE_CHECKING:  # a review that reads no new record does not need these
    from voicecoach.debrief.story import RecordedNote
    from voicecoach.debrief.texts import Wording

KINDS = {
    "breach": "Breach called",
    "splash": "Splash",
    "needle": "Needle or cut",
    "no-air": "No air",
    "torn": "Torn",
    "soiled": "Soiled",
    "unwell": "Unwell",
    "collapse": "Collapse",
    "touched": "Touched something",
    "exposure": "Exposure",
    "alarm": "Nobody answered: the alarm sounded",
    "fault": "Fault seen",
}
"""Kind -> its name on a page."""
PLACE_QUESTIONS = frozenset({"where", "touched", "skin", "piece", "fault"})


@dataclass(slots=True)
class Incident:
    """One incident."""

    at_s: float
    """When it happened (s)."""
    kind: str
    step: str = ""
    """The step during which it happened."""
    by: str = ""
    """Who called it; '' for nobody."""
    places: list[str] = field(default_factory=list)
    """Places on the body."""
    items: list[str] = field(default_factory=list)
    """The pieces concerned."""
    suspects: list[str] = field(default_factory=list)
    """What was touched since the piece was last seen clear."""
    done: list[str] = field(default_factory=list)
    """What followed, in order."""
    owed: list[str] = field(default_factory=list)
    """What it owed, of 'wash' and 'report'."""
    paid: list[str] = field(default_factory=list)
    """What of that has been done."""
    stated: bool = False
    """Whether the record says what is owed and paid. If it does not, an exposure owes both."""
    false_alarm: bool = False
    """Called off at once."""
    until_s: float = math.inf
    """When the session returned to the list of steps (s); infinite if the record ends before that."""

    @property
    def title(self) -> str:
        """Its name on a page, with its place or piece."""
        about = [*self.places, *self.items]
        return KINDS.get(self.kind, self.kind.replace("-", " ").capitalize()) + (
            f": {', '.join(about)}" if about else ""
        )

    @property
    def open_debts(self) -> tuple[str, ...]:
        """What is still owed."""
        return tuple(debt for debt in self.owed if debt not in self.paid)


class _Book:
    """Follows the notes of a session, and adds to the incident that is being handled."""

    def __init__(self, words: Wording) -> None:
        self.words = words
        self.found: list[Incident] = []
        self.now: Incident | None = None
        self.debts: list[Incident] = []

    def begin(self, note: RecordedNote, kind: str) -> Incident:
        by = note.details.get("by", note.details.get("role", ""))
        self.leave(note.at_s)
        self.now = Incident(note.at_s, kind, note.details.get("step", ""), by)
        self.found.append(self.now)
        return self.now

    def leave(self, at_s: float) -> None:
        if self.now is not None:
            self.now.until_s = at_s
        self.now = None

    def take(self, note: RecordedNote) -> None:
        details, what = note.details, note.what
        if what == NoteKind.BREACH:
            self.begin(note, details.get("kind", "breach"))
        elif what == NoteKind.TOUCHED:
            self.begin(note, "touched")
        elif what == NoteKind.ALARM:
            if self.now is None or self.now.kind != "alarm":
                self.begin(note, "alarm")
        elif what == NoteKind.BRANCH and details.get("cause") in {"torn", "soiled"}:
            self.begin(note, details["cause"])
        elif what == NoteKind.DEVIATION and "fault" in details:
            incident = self.begin(note, "fault")
            incident.items += [details["fault"].replace("-", " "), *self._items(details.get("item", ""))]
        elif what == NoteKind.EXPOSURE:
            self._expose(note)
        elif what == NoteKind.FALSE_ALARM:
            if self.now is not None:
                self.now.false_alarm = True
        elif what in {NoteKind.OWED, NoteKind.PAID}:
            self._debt(note)
        elif self.now is not None:
            self._follow(self.now, note)

    def _expose(self, note: RecordedNote) -> None:
        incident = self.now if self.now is not None and self.now.kind != "alarm" else self.begin(note, "exposure")
        place = note.details.get("place", "").replace("-", " ")
        if place and place not in incident.places:
            incident.places = exposed_places([*incident.places, place])
        if not incident.stated:
            incident.owed = [debt for debt in DEBTS if debt not in incident.paid]
        if incident not in self.debts:
            self.debts.append(incident)

    def _debt(self, note: RecordedNote) -> None:
        """An OWED note says what all exposures together owe, a PAID note what has just been done about them."""
        names = [name for name in _list(note.details.get("what", "")) if name in DEBTS]
        if note.what == NoteKind.PAID:
            for incident in self.debts:
                incident.paid += [name for name in names if name in incident.owed and name not in incident.paid]
        elif "false alarm" in note.details.get("what", ""):
            for incident in self.debts:
                if incident is self.now or incident.false_alarm:
                    incident.owed = []
        elif set(names) - {name for incident in self.debts for name in incident.open_debts}:
            incident = self.now or self.begin(note, "exposure")
            incident.owed += [name for name in names if name not in incident.owed]
            if incident not in self.debts:
                self.debts.append(incident)
        for incident in self.debts:
            incident.stated = True

    def _follow(self, incident: Incident, note: RecordedNote) -> None:
        details, what = note.details, note.what
        if what == NoteKind.SUSPECT:
            touched = self._items(details.get("touched", ""))
            incident.suspects += [name for name in touched if name not in incident.suspects]
            item = self.words.item(details.get("item", ""))
            if item and item not in incident.items:
                incident.items.append(item)
        elif what == NoteKind.REPLY and details.get("question") in PLACE_QUESTIONS:
            answer = details.get("answer", "").replace("-", " ")
            if details["question"] == "touched" and answer not in incident.places:
                incident.places.append(answer)
            elif answer == "no":
                incident.done.append("Asked whether skin was reached: no")
        elif what == NoteKind.STEP and not details.get("branch"):
            self.leave(note.at_s)
        elif what == NoteKind.STEP_CONFIRMED:
            incident.done.append(self.words.step(details.get("step", "")))
        elif what in {NoteKind.WORK, NoteKind.END}:
            self.leave(note.at_s)

    def _items(self, text: str) -> list[str]:
        return [self.words.item(name) for name in _list(text)]


def exposed_places(recorded: Iterable[str]) -> list[str]:
    """The places of exposures that stand on record in this order. One that is named later is that of the exposure
    recorded before it was known, so it takes that one's place.
    """
    places: list[str] = []
    for place in recorded:
        if place != UNKNOWN:
            places = [one for one in places if one != UNKNOWN]
        places.append(place)
    return places


def incidents(notes: Sequence[RecordedNote], words: Wording) -> tuple[Incident, ...]:
    """Every incident, in the order of the session."""
    book = _Book(words)
    for note in notes:
        book.take(note)
    return tuple(book.found)


def _list(text: str) -> list[str]:
    return [name.strip() for name in text.split(",") if name.strip()]
