"""Lets only one session speak on a machine at a time: one lock per user, wherever the records are."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from voicecoach.errors import InputError
from voicecoach.record.journal import now_utc
from voicecoach.record.lock import VOICE, Lock, holder
from voicecoach.system import files

WAIT_S = 1.5
"""How long to wait for a session that is just ending (s)."""


class InUseError(InputError):
    """Another session is already speaking."""


class OneVoice:
    """The right to speak. It ends with the process that holds it, however that process ends."""

    def __init__(self, folder: Path | None = None) -> None:
        self._folder = files.runtime_folder() if folder is None else folder
        self._lock = Lock(self._folder, VOICE)

    def take(self, record: str = "") -> None:
        """Acquire it.

        Raises:
            InUseError: another process holds it; the message names the process and its record.
        """
        with suppress(OSError):
            self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if self._lock.take(now_utc(), WAIT_S, record=record):
            return
        raise InUseError(
            f"a session is already running: {holder(self._folder, VOICE) or 'another process'}",
            expected="one session per machine",
            mend="continue with that one",
        )

    def about(self, record: Path) -> None:
        """Write down which record it is for."""
        self._lock.annotate(now_utc(), record=str(record))

    def release(self) -> None:
        """Release it."""
        self._lock.release()
