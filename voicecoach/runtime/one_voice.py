"""One session at a time speaks on a machine: a lock for each user, wherever the records are."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from voicecoach.errors import InputError
from voicecoach.record.journal import now_utc
from voicecoach.record.lock import VOICE, Lock, holder
from voicecoach.system import files

WAIT_S = 1.5
"""So long a voice that is just falling silent is waited for (s)."""


class InUseError(InputError):
    """Another session is already speaking."""


class OneVoice:
    """The right to speak. It ends with the process that holds it, however that ends."""

    def __init__(self, folder: Path | None = None) -> None:
        self._folder = files.runtime_folder() if folder is None else folder
        self._lock = Lock(self._folder, VOICE)

    def take(self, record: str = "") -> None:
        """Take it.

        Raises:
            InUseError: names the process that holds it, and that process's record.
        """
        with suppress(OSError):
            self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if self._lock.take(now_utc(), WAIT_S, record=record):
            return
        raise InUseError(
            f"a session is running already: {holder(self._folder, VOICE) or 'another process'}",
            expected="one voice on one machine",
            mend="go on with that one",
        )

    def about(self, record: Path) -> None:
        """State which record it speaks for."""
        self._lock.annotate(now_utc(), record=str(record))

    def release(self) -> None:
        """Give it back."""
        self._lock.release()
