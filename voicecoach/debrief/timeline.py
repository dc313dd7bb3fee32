"""The timeline of a record: who said what, what was heard and decided, and what went wrong. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

from voicecoach.debrief.story import DANGER, MARKS, Utterance, clock, recorded_note, utterances
from voicecoach.debrief.stretches import of_incidents
from voicecoach.record.read import RecordLine, Session
from voicecoach.session.events import (
    CLOCK_HZ,
    Heard,
    Opened,
    PartBack,
    PartLost,
    PromptEnded,
    Reopened,
    SoundTrouble,
    SpeechUnending,
    TimerFired,
)
from voicecoach.session.notes import NoteKind

HearingVerdict = Literal["understood", "wrong", "missed", "rightly ignored", "chatter taken", "nothing said"]
STEP_NOTES = frozenset({NoteKind.STEP, NoteKind.STEP_CONFIRMED, NoteKind.STEP_REFUSED, NoteKind.JUMP})
SLACK_S = 0.5
"""How far apart what was said and what was heard may be and still belong together (s), since utterances have pads."""


@dataclass(frozen=True, slots=True)
class TimelineRow:
    """One line of a timeline.

    at_s: seconds on the session clock. who: coach, a role, or record. what: prompt, cut, tone, heard, refused, step,
    note, session, lost, back or gap. mark: what makes it stand out ('' for nothing).
    """

    at_s: float
    who: str
    what: str
    text: str
    mark: str = ""

    @property
    def time(self) -> str:
        """mm:ss.s."""
        return clock(self.at_s)


class SpokenText(NamedTuple):
    """What was really said: first and end sample, the words, and the command that they mean (None: chatter)."""

    begin: int
    end: int
    text: str
    meant: str | None


class ComparedUtterance(NamedTuple):
    """Something said (or nothing) beside what it was taken for. at_s: when it began (s)."""

    at_s: float
    said: str
    meant: str | None
    heard: str
    verdict: HearingVerdict


def rows(session: Session, *, incidents_only: bool = False) -> tuple[TimelineRow, ...]:
    """The timeline's rows in the order of the record, without timers and lists of live commands."""
    found = _rows(session)
    return tuple(of_incidents(session, found, lambda row: row.at_s)) if incidents_only else found


def _rows(session: Session) -> tuple[TimelineRow, ...]:
    found = []
    for line in session.lines:
        if line.event is not None:
            row = _event_row(line)
        elif line.kind == "effect":
            row = _effect_row(line)
        elif line.kind == "gap":
            first, last, late_s = (line.data.get(key) for key in ("first", "last", "late_s"))
            row = TimelineRow(
                line.at_s, "record", "gap", f"lines {first}-{last} reached the disk {late_s} s late", "gap"
            )
        else:
            row = None
        if row is not None:
            found.append(row)
    return tuple(found)


def heard_against_said(
    session: Session, said: Sequence[SpokenText | tuple[int, int, str, str | None]]
) -> tuple[ComparedUtterance, ...]:
    """Match what was said with what was heard by time, and judge each.

    An utterance belongs to whatever overlaps it most (within SLACK_S). A wrong command is wrong even if the right one
    was heard as well. A command that belongs to nothing has the verdict "nothing said".
    """
    true = [SpokenText(*one) for one in said]
    of: dict[int, list[Utterance]] = {index: [] for index in range(len(true))}
    stray: list[Utterance] = []
    for one in utterances(session):
        best = max(range(len(true)), key=lambda index: _overlap(one, true[index]), default=None)
        if best is not None and _overlap(one, true[best]) > 0:
            of[best].append(one)
        elif one.heard.command is not None:
            stray.append(one)
    found = [
        ComparedUtterance(one.begin / CLOCK_HZ, one.text, one.meant, _describe_all(of[index]), _judge(one, of[index]))
        for index, one in enumerate(true)
    ]
    found += [ComparedUtterance(one.begin_s, "", None, _describe_heard(one.heard), "nothing said") for one in stray]
    return tuple(sorted(found, key=lambda row: row.at_s))


def _overlap(one: Utterance, true: SpokenText) -> float:
    begin, end = true.begin / CLOCK_HZ - SLACK_S, true.end / CLOCK_HZ + SLACK_S
    return min(one.end_s, end) - max(one.begin_s, begin) + 1e-6


def _judge(true: SpokenText, heard: Sequence[Utterance]) -> HearingVerdict:
    commands = {one.heard.command for one in heard} - {None}
    if true.meant is None:
        return "chatter taken" if commands else "rightly ignored"
    if commands - {true.meant}:
        return "wrong"
    return "understood" if commands else "missed"


def _describe_all(heard: Sequence[Utterance]) -> str:
    return "; ".join(_describe_heard(one.heard) for one in heard)


def _describe_heard(heard: Heard) -> str:
    if heard.source != "voice":
        return f"{heard.command or heard.phrase} ({heard.source})"
    score = f"{heard.score:.1f}, floor {heard.floor:.1f}"
    if heard.command is not None:
        return f"{heard.command} ({score})"
    near = f", near {heard.near}" if heard.near else ""
    return f"refused: {heard.phrase or 'nothing like a command'} ({score}{near})"


def _event_row(line: RecordLine) -> TimelineRow | None:
    event, at_s = line.event, line.at_s
    row = None
    if isinstance(event, Heard):
        mark = "breach" if event.command in DANGER else "taken" if event.command else "near" if event.near else ""
        row = TimelineRow(at_s, str(event.role), "heard" if event.command else "refused", _describe_heard(event), mark)
    elif isinstance(event, Opened):
        kind = "training only" if event.training_only else "in use"
        row = TimelineRow(
            at_s, "record", "session", f"{event.mode}, recogniser {event.ear}, audio {event.audio}, {kind}"
        )
    elif isinstance(event, PromptEnded) and not event.complete:
        row = TimelineRow(at_s, "coach", "cut", f"prompt {event.prompt} after {event.played_s:.1f} s")
    elif isinstance(event, SpeechUnending):
        row = TimelineRow(at_s, "record", "note", f"speech without a pause on channel {event.channel}", "gap")
    elif isinstance(event, SoundTrouble):
        row = TimelineRow(at_s, "record", "note", f"poor sound on channel {event.channel}: {event.what}", "gap")
    elif isinstance(event, PartLost):
        row = TimelineRow(at_s, "record", "lost", f"{event.part}: {event.why}", "gap")
    elif isinstance(event, PartBack):
        row = TimelineRow(at_s, "record", "back", str(event.part))
    elif isinstance(event, Reopened):
        row = TimelineRow(at_s, "record", "session", f"continued after {event.gap_s:.1f} s: {event.why}", "gap")
    elif isinstance(event, TimerFired) and event.timer == "silence":
        row = TimelineRow(at_s, "record", "note", "silence")
    return row


def _effect_row(line: RecordLine) -> TimelineRow | None:
    kind = line.data.get("effect")
    if kind == "say":
        return TimelineRow(line.at_s, "coach", "prompt", str(line.data.get("text", "")))
    if kind == "tone":
        return TimelineRow(line.at_s, "coach", "tone", str(line.data.get("tone", "")))
    if kind == "close":
        return TimelineRow(line.at_s, "record", "session", f"closed: {line.data.get('reason')}")
    if kind == "note":
        note = recorded_note(line)
        what = "step" if note.what in STEP_NOTES else "note"
        return TimelineRow(line.at_s, "record", what, note.describe(), MARKS.get(note.what, ""))
    return None


def counts(compared: Sequence[ComparedUtterance]) -> Iterator[tuple[HearingVerdict, int]]:
    """How often each verdict was given, leaving out those that were not."""
    verdicts: tuple[HearingVerdict, ...] = (
        "understood",
        "rightly ignored",
        "missed",
        "wrong",
        "chatter taken",
        "nothing said",
    )
    for verdict in verdicts:
        count = sum(row.verdict == verdict for row in compared)
        if count:
            yield verdict, count
