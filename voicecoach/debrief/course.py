"""A session's course through its steps: every step that was read, its outcome and its duration. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from voicecoach.debrief.story import RecordedNote, end_s, recorded_notes, utterances
from voicecoach.record.read import Session
from voicecoach.session.notes import NoteKind

StepOutcome = Literal["confirmed", "passed over", "left", "open"]


@dataclass(slots=True)
class Rub:
    """A timed rub or wipe. asked_s: its required time (s), 0 if it was cut short; kept_s: how long it lasted (s)."""

    begin_s: float
    kept_s: float = 0.0
    asked_s: float = 0.0

    @property
    def cut_short(self) -> bool:
        """Whether it ended before its time."""
        return self.asked_s == 0


@dataclass(slots=True)
class StepRun:
    """One reading of a step, until the session left it."""

    name: str
    stage: str
    branch: str
    begin_s: float
    """When it was read (s on the session clock)."""
    end_s: float = 0.0
    """When the session left it (s on the session clock)."""
    outcome: StepOutcome = "open"
    """'confirmed', 'passed over', 'left' if something came in between, or 'open' if the record ends in it."""
    by: str = ""
    """Who confirmed it."""
    why: str = ""
    """Why it was skipped."""
    independent: bool = True
    """False if the record says that nobody else vouched for it."""
    refused: int = 0
    """Answers that were not accepted."""
    early: int = 0
    """Answers that came too early."""
    unheard: int = 0
    """Utterances that were not understood."""
    rubs: list[Rub] = field(default_factory=list)
    notes: list[RecordedNote] = field(default_factory=list)
    """What else happened in it."""

    @property
    def took_s(self) -> float:
        """How long it took (s)."""
        return max(0.0, self.end_s - self.begin_s)

    @property
    def rubs_cut(self) -> int:
        """How many rubs were cut short."""
        return sum(rub.cut_short for rub in self.rubs)


@dataclass(frozen=True, slots=True)
class StageSpan:
    """A stage: when it first began (s), and the time spent in it altogether (s)."""

    stage: str
    begin_s: float
    took_s: float


ASIDE = frozenset(
    {
        NoteKind.BREACH, NoteKind.EXPOSURE, NoteKind.TOUCHED, NoteKind.DEVIATION, NoteKind.NOT_CLEAR, NoteKind.ALARM,
        NoteKind.NOT_CONFIRMED, NoteKind.BACK, NoteKind.STOPPED, NoteKind.PAUSED, NoteKind.SUSPECT, NoteKind.BABBLE,
        NoteKind.FALSE_ALARM,
    }
)  # fmt: skip
"""Notes that belong to the step in which they fall."""


class _Course:
    """Follows the notes of a session from step to step."""

    def __init__(self) -> None:
        self.runs: list[StepRun] = []
        self.now: StepRun | None = None
        self.vouched_by_none: set[str] = set()

    def leave(self, at_s: float, outcome: StepOutcome, *, by: str = "", why: str = "") -> None:
        run = self.now
        if run is None:
            return
        run.end_s, run.outcome, run.by, run.why = at_s, outcome, by, why
        if run.rubs and run.rubs[-1].cut_short:
            run.rubs[-1].kept_s = at_s - run.rubs[-1].begin_s
        self.now = None

    def last(self, name: str) -> StepRun | None:
        return next((run for run in reversed(self.runs) if run.name == name), None)

    def take(self, note: RecordedNote) -> None:
        what, at_s, details = note.what, note.at_s, note.details
        run = self.now
        if what == NoteKind.STEP:
            self.leave(at_s, "left")
            self.now = StepRun(details.get("step", ""), details.get("stage", ""), details.get("branch", ""), at_s, at_s)
            self.runs.append(self.now)
        elif what == NoteKind.STEP_CONFIRMED:
            self._confirm(note)
        elif what == NoteKind.JUMP:
            self._jump(note)
        elif what == NoteKind.NOT_INDEPENDENT:
            earlier = self.last(details["step"]) if "step" in details else run
            if earlier is not None:
                earlier.independent = False
            elif "step" in details:
                self.vouched_by_none.add(details["step"])
        elif what == NoteKind.WORK:
            self.leave(at_s, "left")
        elif run is not None:
            self._inside(run, note)

    def _confirm(self, note: RecordedNote) -> None:
        name, by = note.details.get("step", ""), note.details.get("role", note.details.get("by", ""))
        if self.now is not None and self.now.name == name:
            self.leave(note.at_s, "confirmed", by=by)
            return
        earlier = self.last(name)
        if earlier is None:  # an older record, or one damaged before: the step's beginning is not known
            before = self.runs[-1].end_s if self.runs else 0.0
            earlier = StepRun(name, note.details.get("stage", ""), "", before, note.at_s)
            earlier.independent = name not in self.vouched_by_none
            self.runs.append(earlier)
        earlier.outcome, earlier.by = "confirmed", by

    def _jump(self, note: RecordedNote) -> None:
        name, why = note.details.get("step", ""), note.details.get("cause", "")
        if self.now is not None and self.now.name == name:
            self.leave(note.at_s, "passed over", why=why)
        elif name:
            self.runs.append(StepRun(name, "", "", note.at_s, note.at_s, "passed over", why=why))

    def _inside(self, run: StepRun, note: RecordedNote) -> None:
        what = note.what
        if what == NoteKind.STEP_REFUSED:
            run.refused += 1
        elif what == NoteKind.EARLY_ANSWER:
            run.early += 1
        elif what == NoteKind.TIME_STARTED:
            if run.rubs and run.rubs[-1].cut_short:
                run.rubs[-1].kept_s = note.at_s - run.rubs[-1].begin_s
            run.rubs.append(Rub(note.at_s))
        elif what == NoteKind.TIME_UP and run.rubs:
            rub = run.rubs[-1]
            rub.kept_s, rub.asked_s = note.at_s - rub.begin_s, note.seconds
        elif what in ASIDE:
            run.notes.append(note)


def course(session: Session, notes: Sequence[RecordedNote] | None = None) -> tuple[StepRun, ...]:
    """Every reading of a step, in the order in which they began."""
    builder = _Course()
    for note in recorded_notes(session) if notes is None else notes:
        builder.take(note)
    if builder.now is not None:
        builder.now.end_s = end_s(session)
    runs = builder.runs
    number = 0
    for one in utterances(session):
        if one.heard.command is None:
            while number + 1 < len(runs) and runs[number + 1].begin_s <= one.at_s:
                number += 1
            if runs and runs[number].begin_s <= one.at_s <= runs[number].end_s:
                runs[number].unheard += 1
    return tuple(runs)


def stage_spans(session: Session, notes: Sequence[RecordedNote] | None = None) -> tuple[StageSpan, ...]:
    """The time in each stage, in the order in which they began."""
    first: dict[str, float] = {}
    took: dict[str, float] = {}
    now, since = "", 0.0
    for note in recorded_notes(session) if notes is None else notes:
        stage = "work" if note.what == NoteKind.WORK else note.details.get("stage", "")
        if note.what in {NoteKind.STEP, NoteKind.WORK} and stage and stage != now:
            if now:
                took[now] += note.at_s - since
            now, since = stage, note.at_s
            first.setdefault(stage, note.at_s)
            took.setdefault(stage, 0.0)
    if now:
        took[now] += max(0.0, end_s(session) - since)
    return tuple(StageSpan(stage, first[stage], took[stage]) for stage in first)
