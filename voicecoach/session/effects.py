"""The effects of a session: what its edges are asked to do, in this order. Pure values."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any, ClassVar


@dataclass(frozen=True, slots=True)
class Effect:
    """Root of all effects."""

    kind: ClassVar[str] = ""


@dataclass(frozen=True, slots=True)
class Say(Effect):
    """Queue a prompt. `prompt` numbers rise through a session; PromptEnded names them.

    skip_s: seconds of the rendered prompt to leave out at its start (it was interrupted there).
    """

    kind: ClassVar[str] = "say"
    prompt: int
    text: str
    skip_s: float = 0.0


@dataclass(frozen=True, slots=True)
class StopSpeaking(Effect):
    """Fade out what is playing and drop what is queued, within 0.3 s."""

    kind: ClassVar[str] = "stop-speaking"


@dataclass(frozen=True, slots=True)
class Tone(Effect):
    """Queue one of the coach's own sounds: 'taken', 'early', 'window', 'time-up', 'again', 'outward-alarm'."""

    kind: ClassVar[str] = "tone"
    tone: str


@dataclass(frozen=True, slots=True)
class Listen(Effect):
    """Accept only these commands from now on."""

    kind: ClassVar[str] = "listen"
    commands: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SetFloors(Effect):
    """Use these floors for these commands in this session, in the recogniser's unit."""

    kind: ClassVar[str] = "set-floors"
    floors: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class SetTimer(Effect):
    """Fire `timer` after `after_s` seconds; if it is running, it starts again."""

    kind: ClassVar[str] = "set-timer"
    timer: str
    after_s: float


@dataclass(frozen=True, slots=True)
class CancelTimer(Effect):
    """Stop `timer`."""

    kind: ClassVar[str] = "cancel-timer"
    timer: str


@dataclass(frozen=True, slots=True)
class Note(Effect):
    """An entry for the record. what: a `notes.NoteKind`; details: pairs of texts."""

    kind: ClassVar[str] = "note"
    what: str
    details: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Close(Effect):
    """The session is over."""

    kind: ClassVar[str] = "close"
    reason: str


EFFECTS: tuple[type[Effect], ...] = (Say, StopSpeaking, Tone, Listen, SetFloors, SetTimer, CancelTimer, Note, Close)


def to_json(effect: Effect) -> dict[str, Any]:
    """The effect as a flat mapping with its kind under 'effect'; tuples become lists."""
    data: dict[str, Any] = {"effect": effect.kind}
    for field in dataclasses.fields(effect):
        value = getattr(effect, field.name)
        data[field.name] = (
            [list(v) if isinstance(v, tuple) else v for v in value] if isinstance(value, tuple) else value
        )
    return data
