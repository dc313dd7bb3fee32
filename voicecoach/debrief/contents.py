"""The contents of a debrief, computed from a session's record. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from voicecoach.debrief.coaching import Coaching, to_coach
from voicecoach.debrief.course import StageSpan, StepRun, course, stage_spans
from voicecoach.debrief.incidents import Incident, incidents
from voicecoach.debrief.pages.phrases import CAUTIONS, length
from voicecoach.debrief.story import RecordedNote, clock, deaf, end_s, recorded_notes, training_only
from voicecoach.debrief.texts import Wording, wording
from voicecoach.record.read import Session
from voicecoach.session.events import SpeechUnending
from voicecoach.session.notes import NoteKind

ON_STEPS = frozenset({NoteKind.STEP, NoteKind.STEP_CONFIRMED, NoteKind.LEDGER, NoteKind.OPENED, NoteKind.TIME_STARTED,
                      NoteKind.TIME_UP, NoteKind.ANSWERED, NoteKind.ACKNOWLEDGED, NoteKind.FOUND_CLEAR})  # fmt: skip
"""Notes that the list of steps already covers."""


@dataclass(frozen=True, slots=True)
class TimeRow:
    """A time against its plan. good: whether the plan was met; None where there is none."""

    what: str
    plan: str
    took: str
    good: bool | None = None


@dataclass(frozen=True, slots=True)
class Debrief:
    """The contents of the page.

    people: (role, code), '' if the record has no code. warnings: to be read first. limits: where the record may be
    wrong, each with its time (s). others: every note that appears nowhere else.
    """

    title: str
    protocol: str
    begun: str
    ended: str
    length_s: float
    mode: str
    room: str
    people: tuple[tuple[str, str], ...]
    training_only: bool
    warnings: tuple[str, ...]
    incidents: tuple[Incident, ...]
    coaching: tuple[Coaching, ...]
    times: tuple[TimeRow, ...]
    confirmed: str
    steps: tuple[StepRun, ...]
    stages: tuple[StageSpan, ...]
    limits: tuple[tuple[float, str], ...]
    others: tuple[RecordedNote, ...]
    made_with: tuple[tuple[str, str], ...]
    words: Wording
    cautions: tuple[str, ...] = CAUTIONS


def debrief(session: Session) -> Debrief:
    """Compute the debrief. Never raises for a record that could be read."""
    notes, words = recorded_notes(session), wording(session)
    runs = course(session, notes)
    made = session.manifest
    found = incidents(notes, words)
    stages = stage_spans(session, notes)
    return Debrief(
        title=words.title,
        protocol=made.protocol,
        begun=moment(made.begun),
        ended=_ended(session, notes, words),
        length_s=end_s(session),
        mode="two people" if made.mode == "pair" else "alone",
        room=made.room,
        people=tuple(_people(session)),
        training_only=training_only(session),
        warnings=tuple(_warnings(session, words)),
        incidents=found,
        coaching=to_coach(runs, words),
        times=tuple(_times(notes, runs, stages, words)),
        confirmed=_confirmed(runs),
        steps=runs,
        stages=stages,
        limits=tuple(_limits(session)),
        others=tuple(note for note in notes if note.what not in ON_STEPS),
        made_with=tuple(_made_with(session)),
        words=words,
    )


def moment(iso: str) -> str:
    """A wall time in words: '5 January 2026, 08:00 UTC'; unchanged if it cannot be read."""
    try:
        at = datetime.fromisoformat(iso)
    except ValueError:
        return iso or "an unknown time"
    return f"{at.day} {at:%B %Y, %H:%M}" + (" UTC" if at.utcoffset() is not None and not at.utcoffset() else "")


def _people(session: Session) -> Iterator[tuple[str, str]]:
    codes = dict(session.manifest.people)
    roles = ["wearer", *(["observer"] if session.manifest.mode == "pair" else [])]
    for role in dict.fromkeys([*roles, *(role for role in codes if isinstance(role, str))]):
        yield role, str(codes.get(role, ""))


def _ended(session: Session, notes: Sequence[RecordedNote], words: Wording) -> str:
    on = ""
    for note in notes:
        if note.what in {NoteKind.LEDGER, NoteKind.END}:
            on = note.details.get("on", note.details.get("still-on", ""))
    named = ", ".join(words.item(item.strip()) for item in on.split(",") if item.strip())
    if not session.closed:
        return f"Not ended: the record stops at {clock(end_s(session))}" + (f" with {named} on" if named else "")
    return f"Ended with {named} still on" if named else "Ended with everything off"


def _warnings(session: Session, words: Wording) -> Iterator[str]:
    yield from session.remarks
    if not session.closed:
        yield "The session did not come to its end: this is what is known about it."
    if words.trouble:
        yield f"Steps are shown by their names in the record, because its protocol cannot be read: {words.trouble}"


def _confirmed(runs: Sequence[StepRun]) -> str:
    done = [run for run in runs if run.outcome == "confirmed"]
    alone = sum(not run.independent for run in done)
    count = f"{len(done)} steps confirmed" if len(done) != 1 else "1 step confirmed"
    return count + (f", {alone} of them only by the person who acted" if alone else "")


def _times(
    notes: Sequence[RecordedNote], runs: Sequence[StepRun], stages: Sequence[StageSpan], words: Wording
) -> Iterator[TimeRow]:
    for span in stages:
        yield TimeRow(words.stage(span.stage), "", length(span.took_s))
    limit_s = words.site.wear_limit_s
    for note in notes:
        if note.what == NoteKind.WEAR_TIME and (worn_s := note.seconds):
            limit = f"at most {length(limit_s)}" if limit_s else ""
            yield TimeRow("In the equipment", limit, length(worn_s), worn_s <= limit_s if limit_s else None)
    rubs = [(run, rub) for run in runs for rub in run.rubs]
    if rubs:
        full = sum(not rub.cut_short for _, rub in rubs)
        yield TimeRow("Rubs and wipes", f"{len(rubs)}, each its full time", f"{full} full", full == len(rubs))
    for run, rub in rubs:
        if rub.cut_short:
            plan_s = words.contact_s(run.name)
            asked = f"{plan_s:g} s" if plan_s else "its full time"
            what = f"{clock(rub.begin_s)}  {words.step(run.name)}"
            yield TimeRow(what, asked, f"cut short after {rub.kept_s:.0f} s", good=False)


def _limits(session: Session) -> Iterator[tuple[float, str]]:
    for gap in deaf(session):
        what = "The coach could not hear" if gap.name.startswith("ears") else "Cut off"
        yield gap.begin_s, f"{what} for {length(gap.end_s - gap.begin_s)}: {gap.why}"
    for line in session.lines:
        if isinstance(line.event, SpeechUnending):
            yield line.at_s, "Somebody spoke without a pause: words may have been missed"
    for line in session.gaps:
        yield line.at_s, f"lines reached the disk {line.data.get('late_s')} s late: {line.data.get('why')}"


def _made_with(session: Session) -> Iterator[tuple[str, str]]:
    made = session.manifest
    yield "Protocol", made.protocol
    yield "Words", made.grammar
    yield "Recogniser", made.engine
    yield "Sound kept", {"clips": "short clips around what was said", "none": "none"}.get(made.audio, made.audio)
    yield "With a microphone or key of their own", ", ".join(str(role) for role in made.roles) or "nobody"
    yield "Versions", ", ".join(f"{name} {version}" for name, version in made.versions.items()) or "not recorded"
