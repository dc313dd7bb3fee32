"""What a record contains for a reader: prompts, utterances, notes, steps, items worn, gaps. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from voicecoach.protocol.model import DANGERS
from voicecoach.record.read import RecordLine, Session
from voicecoach.session.events import CLOCK_HZ, Heard, Opened, PartBack, PartLost, PromptEnded, Reopened
from voicecoach.session.notes import NoteKind, label_of

DANGER = frozenset(DANGERS) - {"torn"}
"""Words that stand out wherever they are said; "torn" does not, as an ordinary answer to an inspection."""

MARKS: Mapping[str, str] = {
    NoteKind.BREACH: "breach",
    NoteKind.EXPOSURE: "breach",
    NoteKind.DEVIATION: "deviation",
    NoteKind.STEP_REFUSED: "refused",
    NoteKind.NOT_INDEPENDENT: "not-independent",
    NoteKind.GAP: "gap",
    NoteKind.JUMP: "jump",
    NoteKind.FALSE_ALARM: "false-alarm",
    NoteKind.EARLY_ANSWER: "early",
}
"""Notes that should catch a reader's eye, with their marks."""


@dataclass(frozen=True, slots=True)
class SpokenPrompt:
    """A prompt that was spoken. begin_s, end_s: when (s, session clock). complete: it was not cut short."""

    number: int
    text: str
    begin_s: float
    end_s: float
    complete: bool


@dataclass(frozen=True, slots=True)
class Utterance:
    """Something a person said or keyed. begin_s, end_s: the utterance (s); at_s: when it was decided on (s)."""

    begin_s: float
    end_s: float
    at_s: float
    seq: int
    heard: Heard


@dataclass(frozen=True, slots=True)
class RecordedNote:
    """A note in the record. of: seq of the event that led to it."""

    at_s: float
    what: str
    details: Mapping[str, str]
    of: int

    @property
    def title(self) -> str:
        """Its label."""
        return label_of(self.what)

    @property
    def seconds(self) -> float:
        """Its detail `seconds` (s); 0 if there is none, or an impossible one."""
        try:
            value = float(self.details.get("seconds", ""))
        except ValueError:
            return 0.0
        return value if 0 < value < 1e6 else 0.0

    def describe(self) -> str:
        """The note in words."""
        details = ", ".join(value if key in _SELF_EVIDENT else f"{key} {value}" for key, value in self.details.items())
        return f"{self.title}: {details}" if details else self.title


_SELF_EVIDENT = frozenset({"step", "why", "cause", "kind"})


@dataclass(frozen=True, slots=True)
class Stretch:
    """A named stretch of time (s): a step, a gap in hearing, an item being worn."""

    begin_s: float
    end_s: float
    name: str
    why: str = ""


def clock(at_s: float) -> str:
    """A time as mm:ss.s; minutes do not stop at 59."""
    tenths = max(0, round(at_s * 10))
    return f"{tenths // 600:02d}:{tenths % 600 // 10:02d}.{tenths % 10}"


def end_s(session: Session) -> float:
    """The time of the last line (s)."""
    return max((line.at_s for line in session.lines), default=0.0)


def prompts(session: Session) -> tuple[SpokenPrompt, ...]:
    """Every prompt, by time. If its end is not recorded, it ends where it begins."""
    ended: dict[int, PromptEnded] = {}
    for event in session.events:
        if isinstance(event, PromptEnded):
            ended[event.prompt] = event
    found = []
    for line in session.lines:
        if line.kind != "effect" or line.data.get("effect") != "say":
            continue
        number, text = line.data.get("prompt"), str(line.data.get("text", ""))
        end = ended.get(number) if isinstance(number, int) else None
        if end is None:
            found.append(SpokenPrompt(_int(number), text, line.at_s, line.at_s, complete=False))
        else:
            stop = end.at / CLOCK_HZ
            begin = min(stop, max(line.at_s, stop - _float(end.played_s)))
            found.append(SpokenPrompt(_int(number), text, begin, stop, bool(end.complete)))
    return tuple(sorted(found, key=lambda prompt: prompt.begin_s))


def utterances(session: Session) -> tuple[Utterance, ...]:
    """Every utterance, in the order of the decisions on them."""
    found = []
    for line in session.lines:
        if isinstance(line.event, Heard):
            begin, end = _int(line.event.begin), _int(line.event.end)
            if not 0 < end <= line.at or begin > end:  # keys and typed words have no length
                begin = end = line.at
            found.append(Utterance(begin / CLOCK_HZ, end / CLOCK_HZ, line.at_s, line.seq, line.event))
    return tuple(found)


def recorded_notes(session: Session) -> tuple[RecordedNote, ...]:
    """Every note."""
    return tuple(recorded_note(line) for line in session.notes)


def training_only(session: Session) -> bool:
    """Whether the session was for training only to its end: it starts that way unless the record says otherwise, and a
    voice check may lift it.
    """
    opened = [event for event in session.events if isinstance(event, Opened)]
    only = not opened or any(event.training_only for event in opened)
    for note in recorded_notes(session):
        if note.what in {NoteKind.VOICE, NoteKind.OPENED} and "training-only" in note.details:
            only = note.details["training-only"] != "False"
    return only


def recorded_note(line: RecordLine) -> RecordedNote:
    """The note in a line."""
    details: dict[str, str] = {}
    pairs = line.data.get("details")
    for pair in pairs if isinstance(pairs, list) else ():
        if isinstance(pair, list) and len(pair) == 2:
            key = str(pair[0])
            details[key] = f"{details[key]}, {pair[1]}" if key in details else str(pair[1])
    of = line.data.get("of")
    return RecordedNote(line.at_s, str(line.data.get("what", "")), details, _int(of))


def steps(session: Session) -> tuple[Stretch, ...]:
    """Each step from the end of the previous one to its confirmation; `why` is who confirmed it."""
    found: list[Stretch] = []
    begin = 0.0
    for note in recorded_notes(session):
        if note.what == NoteKind.STEP:
            begin = note.at_s
        elif note.what == NoteKind.STEP_CONFIRMED:
            by = note.details.get("role", note.details.get("by", ""))
            found.append(Stretch(begin, note.at_s, note.details.get("step", "?"), by))
            begin = note.at_s
    return tuple(found)


def worn(session: Session) -> tuple[Stretch, ...]:
    """Each item for as long as it was on, from the 'ledger' notes (item -> on/off/never, or on -> items)."""
    found: list[Stretch] = []
    since: dict[str, float] = {}
    order: dict[str, int] = {}
    for note in recorded_notes(session):
        if note.what != NoteKind.LEDGER:
            continue
        on = _on(note.details, since)
        found += [Stretch(since.pop(item), note.at_s, item) for item in tuple(since) if item not in on]
        for item in on:
            since.setdefault(item, note.at_s)
            order.setdefault(item, len(order))
    last = end_s(session)
    found += [Stretch(begin, last, item) for item, begin in since.items()]
    return tuple(sorted(found, key=lambda stretch: (stretch.begin_s, order[stretch.name])))


def deaf(session: Session) -> tuple[Stretch, ...]:
    """When the coach could not hear, or the session was not running (s)."""
    return tuple(sorted(_deaf(session), key=lambda stretch: stretch.begin_s))


def _deaf(session: Session) -> Iterator[Stretch]:
    lost: dict[str, tuple[float, str]] = {}
    before = 0.0
    for event in session.events:
        at_s = event.at / CLOCK_HZ
        if isinstance(event, PartLost) and event.part in {"ears", "line"}:
            lost.setdefault(event.part, (at_s, event.why))
        elif isinstance(event, PartBack) and event.part in lost:
            begin, why = lost.pop(event.part)
            yield Stretch(begin, at_s, f"{event.part} lost", why)
        elif isinstance(event, Reopened):
            yield Stretch(
                max(before, at_s - _float(event.gap_s)), at_s, f"{_float(event.gap_s):.0f} s not running", event.why
            )
        before = at_s
    for part, (begin, why) in lost.items():
        yield Stretch(begin, end_s(session), f"{part} lost", why)


def _on(details: Mapping[str, str], known: Mapping[str, float]) -> list[str]:
    if "on" in details:
        return [item.strip() for item in details["on"].split(",") if item.strip()]
    still_on = [item for item in known if details.get(item, "on") == "on"]
    return still_on + [item for item, state in details.items() if state == "on" and item not in known]


def _int(value: object) -> int:
    return value if isinstance(value, int) and abs(value) < 1 << 53 else 0


def _float(value: object) -> float:
    return float(value) if isinstance(value, int | float) and abs(value) < 1e9 else 0.0
