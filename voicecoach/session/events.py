"""The events of a session. Pure values; each is written to the journal before it is acted on.

`at` is always the session clock: whole samples at `CLOCK_HZ` since the session was opened.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

from voicecoach.errors import RecordError

CLOCK_HZ = 16_000
Role = Literal["wearer", "observer", "assistant", "unknown"]
InputSource = Literal["voice", "key", "typed"]
PRESSED = "foot-switch"
"""The phrase of a press of the foot-switch, which is not a typed word."""
Trouble = Literal["silent", "quiet", "loud", "clipped", "noisy"]
Part = Literal["ears", "voice", "line", "disk", "signal", "clips", "screen", "keys", "supervisor"]


@dataclass(frozen=True, slots=True)
class Event:
    """Root of all events."""

    kind: ClassVar[str] = ""
    at: int


@dataclass(frozen=True, slots=True)
class Opened(Event):
    """The session starts: who takes part, which recogniser listens, how much of the sound is kept."""

    kind: ClassVar[str] = "opened"
    mode: Literal["solo", "pair"]
    ear: str
    audio: Literal["clips", "full", "none"]
    training_only: bool
    independent: bool
    """True when the observer has a channel or key of their own."""


@dataclass(frozen=True, slots=True)
class SpeechStarted(Event):
    """Somebody other than the coach began to speak on `channel`."""

    kind: ClassVar[str] = "speech-started"
    channel: int = 0


@dataclass(frozen=True, slots=True)
class SpeechEnded(Event):
    """That voice ended, and the hang-over has passed."""

    kind: ClassVar[str] = "speech-ended"
    channel: int = 0


@dataclass(frozen=True, slots=True)
class SpeechUnending(Event):
    """Somebody has spoken without a pause for longer than an utterance can last (about 3 s)."""

    kind: ClassVar[str] = "speech-unending"
    channel: int = 0


@dataclass(frozen=True, slots=True)
class SoundTrouble(Event):
    """Words on `channel` cannot be heard well: there is no sound at all, or it is too quiet, too loud, clipped or
    noisy.
    """

    kind: ClassVar[str] = "sound-trouble"
    what: Trouble
    channel: int = 0


@dataclass(frozen=True, slots=True)
class Heard(Event):
    """An utterance was decided on; `command` is None when it was refused."""

    kind: ClassVar[str] = "heard"
    command: str | None
    phrase: str = ""
    """The words taken, or the best guess when refused."""
    begin: int = 0
    """Sample of its first speech."""
    end: int = 0
    """Sample of its last speech."""
    channel: int = 0
    role: Role = "wearer"
    source: InputSource = "voice"
    """'voice', 'key' or 'typed'."""
    engine: str = ""
    score: float = 0.0
    """In the unit of the engine; for the phonemes, log-odds per phone against the best free path."""
    floor: float = 0.0
    """The score that this command needs."""
    near: str | None = None
    """A danger command that scored just below its floor."""
    runner_up: str | None = None


@dataclass(frozen=True, slots=True)
class PromptEnded(Event):
    """Prompt number `prompt` ended after `played_s` seconds; `complete` if it was played to its end."""

    kind: ClassVar[str] = "prompt-ended"
    prompt: int
    played_s: float
    complete: bool


@dataclass(frozen=True, slots=True)
class TimerFired(Event):
    """A timer that an effect set has run out."""

    kind: ClassVar[str] = "timer-fired"
    timer: str


@dataclass(frozen=True, slots=True)
class PartLost(Event):
    """A part of the equipment has failed; the session continues with what is left."""

    kind: ClassVar[str] = "part-lost"
    part: Part
    why: str


@dataclass(frozen=True, slots=True)
class PartBack(Event):
    """A part that failed works again."""

    kind: ClassVar[str] = "part-back"
    part: Part


@dataclass(frozen=True, slots=True)
class Reopened(Event):
    """The session continues in a new process, or after a sleep, `gap_s` seconds after its last line."""

    kind: ClassVar[str] = "reopened"
    gap_s: float
    why: str
    shared: bool = False
    """True when two people had a microphone each and only one is left: they cannot be told apart."""


@dataclass(frozen=True, slots=True)
class Salvaged(Event):
    """A session starts from what is worn by the last good lines of a damaged or old one.

    record: the folder's name. why: 'damaged' or 'old'. on, off: items, separated by commas. The rest is as in Opened.
    """

    kind: ClassVar[str] = "salvaged"
    mode: Literal["solo", "pair"]
    ear: str
    audio: Literal["clips", "full", "none"]
    independent: bool
    record: str
    why: str
    on: str
    off: str = ""


EVENTS: tuple[type[Event], ...] = (
    Opened,
    Salvaged,
    SpeechStarted,
    SpeechEnded,
    SpeechUnending,
    SoundTrouble,
    Heard,
    PromptEnded,
    TimerFired,
    PartLost,
    PartBack,
    Reopened,
)


def to_json(event: Event) -> dict[str, Any]:
    """The event as a flat mapping with its kind under 'event'."""
    return {"event": event.kind, **{f.name: getattr(event, f.name) for f in dataclasses.fields(event)}}


def from_json(data: dict[str, Any]) -> Event:
    """The event that `to_json` made `data` from; unknown keys are ignored.

    Raises:
        RecordError: for an unknown kind or a missing field.
    """
    by_kind = {cls.kind: cls for cls in EVENTS}
    cls = by_kind.get(str(data.get("event")))
    if cls is None:
        raise RecordError(f"event {data.get('event')!r} is unknown", expected="one of " + ", ".join(sorted(by_kind)))
    names = {f.name for f in dataclasses.fields(cls)}
    try:
        return cls(**{name: value for name, value in data.items() if name in names})
    except TypeError as error:
        raise RecordError(f"event {cls.kind!r} is incomplete: {error}") from None
