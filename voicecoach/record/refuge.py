"""Moves a record whose folder is lost while it is being written: it is written again, there or elsewhere."""

from __future__ import annotations

import errno
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path

from voicecoach.errors import RecordError
from voicecoach.record import disk
from voicecoach.record.lines import FILE
from voicecoach.system import files

AGAIN = "-again"
"""Suffix of the new folder of a session whose folder was lost."""
LARGEST = 4_000_000
PLACE_LOST = frozenset(
    number
    for name in ("ENOENT", "ENOTDIR", "EROFS", "EACCES", "EPERM", "EIO", "ESTALE", "ENODEV", "ENXIO", "EISDIR", "ELOOP")
    if (number := getattr(errno, name, None)) is not None
)
"""Errors after which waiting is pointless; a full disk, by contrast, may have room again."""
MOST_KEPT = 64_000_000
"""How many bytes of lines are held in memory for rewriting (a day of talk has less)."""


class ChangedError(OSError):
    """The journal's file is no longer what was written."""


def roots(folder: Path) -> tuple[Path, ...]:
    """Where a record may be rewritten, in order of preference."""
    return (folder.parent, files.data_folder() / "sessions", Path(tempfile.gettempdir()) / "voicecoach-sessions")


class Refuge:
    """What is needed to rewrite a record: its small files and every line so far.

    Args:
        folder: the session's. lines: the valid bytes of its journal.
    """

    def __init__(self, folder: Path, lines: bytes | None) -> None:
        self._name = folder.name
        self._roots = roots(folder)
        self._small = _small(folder)
        self._lines: bytearray | None = bytearray(lines) if lines is not None else None

    @property
    def lines(self) -> bytes | None:
        """Every line so far; None if there were too many to keep."""
        return bytes(self._lines) if self._lines is not None else None

    def add(self, data: bytes) -> None:
        """Keep what has reached the disk."""
        if self._lines is not None:
            self._lines += data
            if len(self._lines) > MOST_KEPT:
                self._lines = None

    def begin_anew(self) -> Path:
        """Create a folder with the small files; returns its path.

        Raises:
            OSError: no place can be written.
        """
        wrong: OSError = OSError(errno.ENOENT, "there is no other place")
        for root in self._roots:
            try:
                return self._make(root)
            except OSError as error:
                wrong = error
        raise wrong

    def _make(self, root: Path) -> Path:
        root.mkdir(mode=0o700, parents=True, exist_ok=True)
        folder, count = root / f"{self._name}{AGAIN}", 1
        while folder.exists() or folder.is_symlink():
            count += 1
            folder = root / f"{self._name}{AGAIN}-{count}"
        folder.mkdir(mode=0o700)
        for name, data in self._small.items():
            disk.write_new(folder / name, data)
        disk.sync_folder(root)
        return folder


def set_aside(path: Path) -> None:
    """Rename whatever is at the journal's path."""
    for count in range(1, 100):
        other = path.with_name(f"foreign-{count}.bin")
        if not other.exists():
            path.rename(other)
            return


def _small(folder: Path) -> Mapping[str, bytes]:
    return dict(_readable(folder))


def _readable(folder: Path) -> Iterator[tuple[str, bytes]]:
    with suppress(OSError):
        for path in sorted(folder.iterdir()):
            if path.name not in {FILE, "lock"}:
                with suppress(RecordError):
                    yield path.name, disk.read_file(path, LARGEST)
