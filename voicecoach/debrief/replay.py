"""Runs the events of a record again and compares the effects."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, TypeVar

from voicecoach.errors import RecordError
from voicecoach.record import disk
from voicecoach.record.manifest import LARGEST_COPY, digest
from voicecoach.record.read import Session, read
from voicecoach.session import effects as effect_values
from voicecoach.session.effects import Effect
from voicecoach.session.events import Event, Reopened

StateT = TypeVar("StateT")


class Replayable(Protocol[StateT]):
    """The session's machine, as far as a replay needs it."""

    def start(self) -> StateT:
        """The state before the first event."""

    def step(self, state: StateT, event: Event) -> tuple[StateT, tuple[Effect, ...]]:
        """The state after `event`, and its effects."""


@dataclass(frozen=True, slots=True)
class ReplayResult:
    """The result of a replay.

    events, effects: how many were compared. difference: the first one, as a sentence; None if there is none.
    cut: events whose effects are incomplete because the process ended there, which is not a difference.
    """

    events: int
    effects: int
    difference: str | None
    cut: int = 0

    @property
    def same(self) -> bool:
        """Whether the machine did what the record says."""
        return self.difference is None


def replay(folder: Path, machine_factory: Callable[[Session], Replayable[StateT]]) -> ReplayResult:
    """Feed a recorded session through a machine again and compare the effects.

    Args:
        folder: the session's folder. machine_factory: makes a machine from the record, whose folder holds copies of
            protocol, grammar and site file.

    Raises:
        RecordError: the record can't be read.
    """
    return compare(read(folder), machine_factory)


def compare(session: Session, machine_factory: Callable[[Session], Replayable[StateT]]) -> ReplayResult:
    """Like `replay`, for a record already read."""
    if session.broken_at is not None:
        return ReplayResult(0, 0, f"The record is damaged at line {session.broken_at}: it cannot be replayed.")
    machine = machine_factory(session)
    state = machine.start()
    recorded = session.effects
    steps = [line for line in session.lines if line.event is not None]
    effects = cut = 0
    for index, line in enumerate(steps):
        assert line.event is not None
        state, made = machine.step(state, line.event)
        now = [json.loads(json.dumps(effect_values.to_json(effect))) for effect in made]
        then = [dict(data) for data in recorded[line.seq]]
        ended = index + 1 == len(steps) or isinstance(steps[index + 1].event, Reopened)
        if ended and len(then) < len(now) and _same(now[: len(then)], then):
            cut += 1
        elif not _same(now, then):
            where = f"Event {line.seq} ({line.event.kind}, at {line.at_s:.2f} s)"
            return ReplayResult(index + 1, effects, f"{where}: {_first_difference(then, now)}.", cut)
        effects += len(then)
    return ReplayResult(len(steps), effects, None, cut)


def read_copy(session: Session, name: str) -> str | None:
    """The text of a copy beside the manifest (such as 'site.yaml'); None if the session had none.

    Raises:
        RecordError: it is missing, or no longer what the manifest says.
    """
    if name not in session.manifest.copies:
        return None
    path = session.folder / name
    raw = disk.read_file(path, LARGEST_COPY)
    if digest(raw) != session.manifest.copies[name]:
        raise RecordError(
            "is not the file that the session was made with",
            where=str(path),
            expected="a copy with the digest that the manifest has",
            mend=f"voicecoach verify {session.folder} says what else was changed",
        )
    return raw.decode("utf-8", "replace")


def _same(one: Any, other: Any) -> bool:
    # compared as text, so that 1 and 1.0 differ and a NaN equals itself
    return json.dumps(one, sort_keys=True) == json.dumps(other, sort_keys=True)


def _first_difference(then: list[dict[str, Any]], now: list[dict[str, Any]]) -> str:
    for recorded, made in zip(then, now, strict=False):
        if not _same(recorded, made):
            return f"the record has {_describe(recorded)}, the replay {_describe(made)}"
    if len(then) < len(now):
        return f"the replay also has {_describe(now[len(then)])}"
    return f"the replay lacks {_describe(then[len(now)])}"


def _describe(effect: Mapping[str, Any]) -> str:
    rest = ", ".join(f"{key} {json.dumps(value)}" for key, value in effect.items() if key != "effect")
    return f"{effect.get('effect')} ({rest})" if rest else str(effect.get("effect"))
