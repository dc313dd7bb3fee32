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
"""Up to this much sound (bytes; four minutes of one microphone) goes into the page itself, more into a folder beside
it. The page grows by a third more than that and still opens at once."""
AROUND_S = 8.0
"""How much before and after an incident its sound covers (s)."""
MOST_CLIPS = 12
"""Most sounds that one press plays, one after the other."""


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
    """A page, and the sound files for the folder `folder` beside it (none if the sound is in the page)."""

    html: str
    folder: str = ""
    files: dict[str, bytes] = field(default_factory=dict)


def page(
    session: Session, *, incidents_only: bool = False, sound: SoundPlace = SoundPlace.AUTO, name: str = "debrief"
) -> Page:
    """The debrief as one page that loads nothing from elsewhere.

    Args:
        session: the record. incidents_only: without coaching, times, timeline and words. sound: in the page, in a
            folder beside it, or none; 'auto' goes by INSIDE_MOST. name: of the page's file, without its extension.
    """
    contents, sounds = debrief(session), moments(session) if sound != "none" else ()
    placed = _Sounds(session, sounds, sound, f"{name}.audio")

    def clips(begin_s: float, end_s: float) -> tuple[int, ...]:
        return placed.number(between(sounds, begin_s, end_s))[:MOST_CLIPS]

    def clips_of(step: str, at_s: float) -> tuple[int, ...]:
        run = next((run for run in contents.steps if run.name == step and run.begin_s == at_s), None)
        return clips(run.begin_s, run.end_s) if run else ()

    whole = not incidents_only
    html = render(
        "debrief.html",
        styles=("page.css", "timeline.css"),
        scripts=("debrief.js",),
        media="'self' file:" if placed.beside else "",
        d=contents,
        training_only=TRAINING_ONLY,
        incidents_only=incidents_only,
        clock=clock,
        length=length,
        particulars=lambda note: contents.words.particulars(note.details),
        clips_near=lambda at_s: clips(at_s - AROUND_S / 4, at_s + AROUND_S),
        clips_of=clips_of,
        picture=safe(inline_picture(session, clips)) if whole else "",
        steps=[_row(contents, run, clips(run.begin_s, run.end_s)) for run in contents.steps] if whole else [],
        transcript=transcript(session, clips) if whole else [],
        sound_note=_sound_note(session, sounds, placed),
        clips=data_json(placed.listed()),
    )
    return Page(html, placed.folder if placed.files else "", placed.files)


class _Sounds:
    """The sounds that a page refers to, numbered in the order in which they are first used."""

    def __init__(self, session: Session, sounds: Sequence[Moment], sound: SoundPlace, folder: str) -> None:
        size = sum(2 * (moment.end - moment.begin) for moment in sounds)
        self.beside = sound == "beside" or (sound == "auto" and size > INSIDE_MOST)
        self.folder = folder
        self.files: dict[str, bytes] = {}
        self.unreadable = 0
        self._session, self._sounds = session, sounds
        self._numbers: dict[int, int | None] = {}
        self._sources: list[dict[str, str]] = []

    def number(self, places: Sequence[int]) -> tuple[int, ...]:
        """The page's numbers of these sounds; those that cannot be read are left out."""
        found = [self._number(place) for place in places]
        return tuple(number for number in found if number is not None)

    def _number(self, place: int) -> int | None:
        if place not in self._numbers:
            self._numbers[place] = self._take(self._sounds[place])
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
        """URL and time of each sound, by number."""
        return self._sources


def _sound_note(session: Session, sounds: Sequence[Moment], placed: _Sounds) -> str:
    if not sounds:
        return (
            "No sound was kept of this session." if session.manifest.audio == "none" else "There is no sound to play."
        )
    note = "Press a step or a word, or a time below, to hear it. The arrow keys move to the next, Escape stops."
    if placed.beside:
        note += f" The sound is in the folder {placed.folder} beside this page."
    if placed.unreadable:
        note += f" {placed.unreadable} of the kept sounds cannot be read."
    return note


def _row(contents: Debrief, run: StepRun, clips: tuple[int, ...]) -> StepRow:
    return StepRow(
        run.begin_s,
        contents.words.step(run.name),
        f"{run.took_s:.0f} s",
        run.by or "nobody",
        "; ".join(remarks_on(run, contents.words)),
        clips,
    )


def remarks_on(run: StepRun, words: Wording) -> Iterator[str]:
    """Remarks on one reading of a step, a few words each."""
    if run.outcome == "passed over":
        yield f"skipped: {words.plain(run.why)}" if run.why else "skipped"
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
        (run.refused, "an answer not accepted", "{} answers not accepted"),
        (run.unheard, "something not understood", "{} things not understood"),
    ):
        if count:
            yield once if count == 1 else often.format(count)


def text(session: Session, *, incidents_only: bool = False) -> str:
    """The debrief as plain text."""
    contents = debrief(session)
    lines = [*_head(contents), "", *_titled("Incidents")]
    for one in contents.incidents:
        lines += _incident(contents, one)
    lines += ["No incident was recorded."] * (not contents.incidents)
    if not incidents_only:
        lines += _body(contents)
    return "\n".join(clean(line) for line in [*lines, "", *contents.cautions]) + "\n"


def _head(contents: Debrief) -> Iterator[str]:
    title = f"Debrief: {contents.title}"
    yield title
    yield "=" * min(80, len(title))
    yield f"{contents.begun}, {length(contents.length_s)}. {contents.ended}."
    people = [f"{role} {code or 'without a code'}" for role, code in contents.people]
    yield f"{contents.protocol}; {', '.join(people)}; room {contents.room or 'not given'}; {contents.mode}."
    if contents.training_only:
        yield f"! {TRAINING_ONLY}"
    for warning in contents.warnings:
        yield f"! {warning}"


def _titled(title: str) -> list[str]:
    return [title, "-" * len(title)]


def _incident(contents: Debrief, one: Incident) -> Iterator[str]:
    off = " (false alarm)" if one.false_alarm else ""
    by = f", called by the {one.by}" if one.by else ""
    yield f"{clock(one.at_s)}  {one.title}{off}{by}"
    if one.step:
        yield f"         at: {contents.words.step(one.step)}"
    if one.done or not one.false_alarm:
        yield f"         done: {'; '.join(one.done) or 'nothing is on record'}"
    if one.suspects:
        yield f"         touched since it was last seen clear: {', '.join(one.suspects)}"
    for debt in one.open_debts:
        yield f"         OWED: {debt}" + ("" if one.stated else " (the record does not say whether it was done)")
    for debt in one.paid:
        yield f"         done afterwards: {debt}"


def _body(contents: Debrief) -> Iterator[str]:
    yield from ("", *_titled("To coach"))
    for number, one in enumerate(contents.coaching, start=1):
        yield f"{number}. {clock(one.at_s)}  {one.say}"
        yield f"            {'. '.join(one.what)}. {one.why}"
    if not contents.coaching:
        yield "Nothing on record calls for coaching."
    yield from ("", *_titled("Times against plan"))
    wide = max((len(row.what) for row in contents.times), default=0)
    for row in contents.times:
        plan = f"   (plan: {row.plan})" if row.plan else ""
        yield f"{'!' if row.good is False else ' '} {row.what:<{wide}}  {row.took}{plan}"
    yield f"  {contents.confirmed}."
    yield from ("", *_titled("Steps"))
    for run in contents.steps:
        remark = "; ".join(remarks_on(run, contents.words))
        yield f"{clock(run.begin_s)}  {run.took_s:5.0f} s  {contents.words.step(run.name)}" + (
            f"  [{remark}]" if remark else ""
        )
    if not contents.steps:
        yield "No step was read."
    if contents.limits:
        yield from ("", *_titled("Where the record may be wrong"))
        yield from (f"{clock(at_s)}  {what}" for at_s, what in contents.limits)
    if contents.others:
        yield from ("", *_titled("Everything else on record"))
        for note in contents.others:
            yield f"{clock(note.at_s)}  {note.title}  {contents.words.particulars(note.details)}".rstrip()
