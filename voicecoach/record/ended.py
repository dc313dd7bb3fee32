"""The mark of a session that a person ended by hand, when nothing was worn and it could not be continued.

The mark is beside the session's folder, so that a record that is damaged or cannot be written stays as it is.
"""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path

from voicecoach.errors import RecordError
from voicecoach.record import disk, worn
from voicecoach.record.journal import iso, now_utc

NAME = "ended.json"
LARGEST = 10_000


def end(folder: Path, why: str) -> None:
    """Mark the session as over.

    Raises:
        RecordError: the mark cannot be written.
    """
    path = worn.apart(folder, NAME)
    text = json.dumps({"session": folder.name, "wall": iso(now_utc()), "why": why})
    try:
        path.parent.mkdir(mode=0o700, exist_ok=True)
        disk.write_whole(path, text.encode() + b"\n")
    except OSError as error:
        raise RecordError(f"cannot be written: {error.strerror or error}", where=str(path)) from None


def is_ended(folder: Path) -> bool:
    """Whether the session is marked as over."""
    with suppress(RecordError, ValueError, TypeError, KeyError):
        data = json.loads(disk.read_file(worn.apart(folder, NAME), LARGEST))
        return bool(data["session"] == folder.name)
    return False
