from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from voicecoach.record.journal import Journal, Manifest
from voicecoach.record.read import Session, read
from voicecoach.session.effects import Effect
from voicecoach.session.events import Event


class Wall:
    """A wall clock that the test owns: a second a look."""

    def __init__(self) -> None:
        self.now = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now


@pytest.fixture
def wall() -> Wall:
    return Wall()


@pytest.fixture
def made_with() -> Manifest:
    return Manifest("typed", "pair", "clips", "gown 1", "en 1", ("wearer", "observer"), {"voicecoach": "0.1.0"})


Steps = list[tuple[Event, tuple[Effect, ...]]]


@pytest.fixture
def record(tmp_path: Path, made_with: Manifest, wall: Wall) -> Callable[[Steps], Session]:
    """Writes a session of these events and effects, and reads it back."""

    def make(steps: Steps, name: str = "session") -> Session:
        journal = Journal.create(tmp_path / name, made_with, {"protocol.yaml": b"protocol: gown\n"}, wall=wall)
        for event, effects in steps:
            journal.write_effects(journal.write(event).seq, effects)
        assert journal.close()
        return read(tmp_path / name)

    return make
