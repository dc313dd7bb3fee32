"""The session that is gone on with after it was cut off: found, read, and led to where it stood. Rule 21."""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from voicecoach.errors import VoicecoachError
from voicecoach.record.journal import now_utc
from voicecoach.record.read import Session, find_open, read
from voicecoach.record.texts import Texts, recorded_texts
from voicecoach.runtime.library import completed
from voicecoach.session.machine import Machine
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState
from voicecoach.session.table import OVER

RESUME_WITHIN_S = 12 * 3600.0
"""A session cut off longer ago than this is not gone on with; longer than any shift, common practice, no source."""


def replayed(setup: Setup, session: Session) -> SessionState:
    """The state that a record's events lead to."""
    machine = Machine(setup)
    state = machine.start()
    for event in session.events:
        try:
            state, _ = machine.step(state, event)
        except Exception:  # noqa: BLE001, S112 what ended the session must not end it again and again
            continue
    return state


def wall_s(iso: str) -> float:
    """A wall time of a record as seconds since 1970; now, for one that cannot be read."""
    try:
        return datetime.fromisoformat(iso).timestamp()
    except ValueError:
        return time.time()


@dataclass(frozen=True, slots=True)
class Open:
    """A session that was cut off, and where it stood."""

    folder: Path
    session: Session
    texts: Texts
    setup: Setup
    state: SessionState


def worth_going_on(root: Path, key: bytes | None = None) -> Open | None:
    """The newest session below `root` that was cut off while something was worn; None if none that can be read."""
    return next((found for folder in find_open(root) if (found := _cut_off(folder, key)) is not None), None)


def _cut_off(folder: Path, key: bytes | None) -> Open | None:
    """Where that session stood; None if there is nothing to go on with."""
    try:
        session = read(folder, key)
        if now_utc().timestamp() - wall_s(session.last_wall) > RESUME_WITHIN_S:
            return None
        texts = recorded_texts(session)
        setup = completed(texts.setup())
    except VoicecoachError:
        return None
    state = replayed(setup, session)
    worn = any(worn != "never" for _, worn in state.ledger.items)
    return Open(folder, session, texts, setup, state) if worn and state.status not in OVER else None
