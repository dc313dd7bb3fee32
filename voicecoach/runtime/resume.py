"""Replays the record of a session that was cut off, to find out where it stood. Rule 21."""

from __future__ import annotations

import time
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from voicecoach.debrief.texts import Texts
from voicecoach.record.read import Session
from voicecoach.session.events import Reopened
from voicecoach.session.machine import Machine
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState

RESUME_WITHIN_S = 12 * 3600.0
"""A session cut off longer ago than this (s), which is longer than any shift, is too old to continue; common practice,
no source."""


def replayed(setup: Setup, session: Session) -> SessionState:
    """The state after a record's events."""
    return replayed_states(setup, session)[-1]


def replayed_states(setup: Setup, session: Session) -> tuple[SessionState, ...]:
    """The states that the other files may describe, the last one last.

    A kill may keep the effects of the last event from the disk. If the session was then taken up and killed again at
    once, that event is no longer the last; so the states go back to before the last event that is not a `Reopened`.
    """
    machine = Machine(setup)
    state = machine.start()
    states = [state]
    for event in session.events:
        if not isinstance(event, Reopened):
            states = [state]
        with suppress(Exception):  # what crashed the session must not crash it again and again
            state, _ = machine.step(state, event)
        states.append(state)
    return tuple(states)


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
