"""The debrief as a page and as plain text."""

from __future__ import annotations

import base64
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from voicecoach.debrief.contents import Debrief, debrief
from voicecoach.debrief.course import StepRun
from voicecoach.debrief.drawing import inline_picture
from voicecoach.debrief.incidents import Incident
from voicecoach.debrief.moments import Moment, between, moments, samples_of, wav_bytes
from voicecoach.debrief.pages.html import clean, data_json, render, safe
from voicecoach.debrief.pages.phrases import TRAINING_ONLY, length
from voicecoach.debrief.story import clock
from voicecoach.debrief.texts import Wording
from voicecoach.debrief.transcript import transcript
from voicecoach.errors import RecordError
from voicecoach.record.read import Session

INSIDE_MOST = 8_000_000
"""Sound of up to so many bytes (four minutes of one microphone) is put into the page itself; more goes beside it. The
page grows by a third more than that and still opens at once."""
AROUND_S = 8.0
"""What was said around an incident: so long before and after it (s)."""
MOST_CLIPS = 12
"""A press plays at most so many sounds, one after the other."""


class SoundPlace(StrEnum):
    """Where a page's sound goes."""

    AUTO = "auto"
    INSIDE = "inside"
    BESIDE = "beside"
    NONE = "none"


class StepRow(NamedTuple):
    """A row of the list of steps."""

    at_s: float
    say: str
    took: str
    by: str
    remark: str
    clips: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Page:
    """A page, and the sound files that go into the folder `folder` beside it (none when the sound is inside)."""

    html: str
    folder: str = ""
    files: dict[str, bytes] = field(default_factory=dict)


def page(
    session: Session, *, incidents_only: bool = False, sound: SoundPlace = SoundPlace.AUTO, name: str = "debrief"
) -> Page:
    """The debrief as one page that loads nothing from elsewhere.

    Args:
        session: the record. incidents_only: without coaching, times, timeline and words. sound: inside the page, beside
            it in a folder, or none; 'auto' goes by INSIDE_MOST. name: of the page's file, without its ending.
    """
    told, kept = debrief(session), moments(session) if sound != "none" else ()
    placed = _Sounds(session, kept, sound, f"{name}.audio")

    def clips(begin_s: float, end_s: float) -> tuple[int, ...]:
        return placed.number(between(kept, begin_s, end_s))[:MOST_CLIPS]

    def clips_of(step: str, at_s: float) -> tuple[int, ...]:
        run = next((run for run in told.steps if run.name == step and run.begin_s == at_s), None)
        return clips(run.begin_s, run.end_s) if run else ()

    whole = not incidents_only
    html = render(
        "debrief.html",
        styles=("page.css", "timeline.css"),
        scripts=("debrief.js",),
        media="'self' file:" if placed.beside else "",
        d=told,
        training_only=TRAINING_ONLY,
        incidents_only=incidents_only,
        clock=clock,
        length=length,
        particulars=lambda note: told.words.particulars(note.details),
        clips_near=lambda at_s: clips(at_s - AROUND_S / 4, at_s + AROUND_S),
        clips_of=clips_of,
        picture=safe(inline_picture(session, clips)) if whole else "",
        steps=[_row(told, run, clips(run.begin_s, run.end_s)) for run in told.steps] if whole else [],
        transcript=transcript(session, clips) if whole else [],
        sound_note=_sound_note(session, kept, placed),
        clips=data_json(placed.listed()),
    )
    return Page(html, placed.folder if placed.files else "", placed.files)


class _Sounds:
    """The sounds that a page refers to: numbered as they are first asked for."""

    def __init__(self, session: Session, kept: Sequence[Moment], sound: SoundPlace, folder: str) -> None:
        size = sum(2 * (moment.end - moment.begin) for moment in kept)
        self.beside = sound == "beside" or (sound == "auto" and size > INSIDE_MOST)
        self.folder = folder
        self.files: dict[str, bytes] = {}
        self.unreadable = 0
        self._session, self._kept = session, kept
        self._numbers: dict[int, int | None] = {}
        self._sources: list[dict[str, str]] = []

    def number(self, places: Sequence[int]) -> tuple[int, ...]:
        """The page's numbers of these kept sounds; those that can't be read are left out."""
        found = [self._number(place) for place in places]
        return tuple(number for number in found if number is not None)

    def _number(self, place: int) -> int | None:
        if place not in self._numbers:
            self._numbers[place] = self._take(self._kept[place])
        return self._numbers[place]

    def _take(self, moment: Moment) -> int | None:
        try:
            data = wav_bytes(samples_of(self._session, moment))
        except RecordError:
            self.unreadable += 1
            return None
        if self.beside:
            name = f"{moment.begin:012d}-{moment.end:012d}.wav"
            self.files[name] = data
            source = f"{self.folder}/{name}"
        else:
            source = "data:audio/wav;base64," + base64.b64encode(data).decode()
        self._sources.append({"src": source, "time": clock(moment.begin_s)})
        return len(self._sources) - 1

    def listed(self) -> list[dict[str, str]]:
        """Address and time of each sound, by number."""
        return self._sources


def _sound_note(session: Session, kept: Sequence[Moment], placed: _Sounds) -> str:
    if not kept:
        return (
            "No sound was kept of this session." if session.manifest.audio == "none" else "There is no sound to play."
        )
    told = "Press a step or a word, or a time below, to hear it. Arrow keys go from one to the next, Escape stops."
    if placed.beside:
        told += f" The sound lies in the folder {placed.folder} beside this page."
    if placed.unreadable:
        told += f" {placed.unreadable} of the kept sounds cannot be read."
    return told


def _row(told: Debrief, run: StepRun, clips: tuple[int, ...]) -> StepRow:
    return StepRow(
        run.begin_s,
        told.words.step(run.name),
        f"{run.took_s:.0f} s",
        run.by or "nobody",
        "; ".join(remarks_on(run, told.words)),
        clips,
    )


def remarks_on(run: StepRun, words: Wording) -> Iterator[str]:
    """What is to be said of one reading of a step, a few words each."""
    if run.outcome == "passed over":
        yield f"passed over: {words.plain(run.why)}" if run.why else "passed over"
    elif run.outcome == "left":
        yield "left before it was confirmed"
    elif run.outcome == "open":
        yield "not finished"
    if not run.independent:
        yield "not independently confirmed"
    if run.rubs_cut:
        yield "rub cut short" if run.rubs_cut == 1 else f"rub cut short {run.rubs_cut} times"
    for count, once, often in (
        (run.early, "answered too early", "answered too early {} times"),
        (run.refused, "an answer not taken", "{} answers not taken"),
        (run.unheard, "something not understood", "{} things not understood"),
    ):
        if count:
            yield once if count == 1 else often.format(count)


def text(session: Session, *, incidents_only: bool = False) -> str:
    """The debrief as plain text."""
    told = debrief(session)
    lines = [*_head(told), "", *_titled("Incidents")]
    for one in told.incidents:
        lines += _incident(told, one)
    lines += ["No incident was recorded."] * (not told.incidents)
    if not incidents_only:
        lines += _body(told)
    return "\n".join(clean(line) for line in [*lines, "", *told.cautions]) + "\n"


def _head(told: Debrief) -> Iterator[str]:
    title = f"Debrief: {told.title}"
    yield title
    yield "=" * len(title)
    yield f"{told.begun}, {length(told.length_s)}. {told.ended}."
    people = [f"{role} {code or 'without a code'}" for role, code in told.people]
    yield f"{told.protocol}; {', '.join(people)}; room {told.room or 'not given'}; {told.mode}."
    if told.training_only:
        yield f"! {TRAINING_ONLY}"
    for warning in told.warnings:
        yield f"! {warning}"


def _titled(title: str) -> list[str]:
    return [title, "-" * len(title)]


def _incident(told: Debrief, one: Incident) -> Iterator[str]:
    off = " (false alarm)" if one.false_alarm else ""
    by = f", called by the {one.by}" if one.by else ""
    yield f"{clock(one.at_s)}  {one.title}{off}{by}"
    if one.step:
        yield f"         at: {told.words.step(one.step)}"
    if one.done or not one.false_alarm:
        yield f"         done: {'; '.join(one.done) or 'nothing is on record'}"
    if one.suspects:
        yield f"         touched since it was last seen clear: {', '.join(one.suspects)}"
    for debt in one.open_debts:
        yield f"         OWED: {debt}" + ("" if one.stated else " (the record does not say whether it was done)")
    for debt in one.paid:
        yield f"         done afterwards: {debt}"


def _body(told: Debrief) -> Iterator[str]:
    yield from ("", *_titled("To coach"))
    for number, one in enumerate(told.coaching, start=1):
        yield f"{number}. {clock(one.at_s)}  {one.say}"
        yield f"            {'. '.join(one.what)}. {one.why}"
    if not told.coaching:
        yield "Nothing on record calls for it."
    yield from ("", *_titled("Times against plan"))
    wide = max((len(row.what) for row in told.times), default=0)
    for row in told.times:
        plan = f"   (plan: {row.plan})" if row.plan else ""
        yield f"{'!' if row.good is False else ' '} {row.what:<{wide}}  {row.took}{plan}"
    yield f"  {told.confirmed}."
    yield from ("", *_titled("Steps"))
    for run in told.steps:
        remark = "; ".join(remarks_on(run, told.words))
        yield f"{clock(run.begin_s)}  {run.took_s:5.0f} s  {told.words.step(run.name)}" + (
            f"  [{remark}]" if remark else ""
        )
    if not told.steps:
        yield "No step was read."
    if told.limits:
        yield from ("", *_titled("Where the record may be wrong"))
        yield from (f"{clock(at_s)}  {what}" for at_s, what in told.limits)
    if told.others:
        yield from ("", *_titled("Everything else on record"))
        for note in told.others:
            yield f"{clock(note.at_s)}  {note.title}  {told.words.particulars(note.details)}".rstrip()
