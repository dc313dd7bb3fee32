"""Replays the record of a session that was cut off, to find out where it stood. Rule 21."""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from voicecoach.debrief.texts import Texts
from voicecoach.record.read import Session
from voicecoach.session.machine import Machine
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState

RESUME_WITHIN_S = 12 * 3600.0
"""A session cut off longer ago than this (s), which is longer than any shift, is too old to continue; common practice,
no source."""


def replayed(setup: Setup, session: Session) -> SessionState:
    """The state after a record's events."""
    return replayed_with_last(setup, session)[1]


def replayed_with_last(setup: Setup, session: Session) -> tuple[SessionState, SessionState]:
    """The states before and after the last event, whose effects may not have reached the disk."""
    machine = Machine(setup)
    before = state = machine.start()
    for event in session.events:
        before = state
        try:
            state, _ = machine.step(state, event)
        except Exception:  # noqa: BLE001, S112 what crashed the session must not crash it again and again
            continue
    return before, state


def wall_s(iso: str) -> float:
    """A wall time of a record in seconds since 1970; the current time if it cannot be read."""
    try:
        return datetime.fromisoformat(iso).timestamp()
    except ValueError:
        return time.time()


@dataclass(frozen=True, slots=True)
class OpenSession:
    """A session that was cut off, with its state then."""

    folder: Path
    session: Session
    texts: Texts
    setup: Setup
    state: SessionState
