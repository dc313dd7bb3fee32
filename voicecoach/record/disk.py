"""Reading and writing the files of a record, which only their owner can read from the moment they exist."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Protocol

from voicecoach.errors import RecordError

try:
    import fcntl
except ImportError:  # Windows has none
    fcntl = None  # type: ignore[assignment]

_BINARY = getattr(os, "O_BINARY", 0)
CAREFUL = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
"""Flags for opening a file without following a link or waiting for the other end of a pipe."""


class LineFile(Protocol):
    """A file that grows at its end. Every method may raise OSError."""

    def size(self) -> int:
        """Bytes in the file."""

    def is_at(self, path: Path) -> bool:
        """Whether it is still the file of that name."""

    def cut(self, size: int) -> None:
        """Truncate to `size` bytes."""

    def write(self, data: bytes) -> None:
        """Append all of `data`."""

    def sync(self) -> None:
        """Return when everything is on the disk."""

    def close(self) -> None:
        """Close the file."""


Opener = Callable[[Path], LineFile]


class OwnFile:
    """The real file: mode 0600, created if missing."""

    def __init__(self, path: Path) -> None:
        self._fd = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT | _BINARY, 0o600)

    def size(self) -> int:
        """Bytes in the file."""
        return os.fstat(self._fd).st_size

    def is_at(self, path: Path) -> bool:
        """Whether it is still the file of that name."""
        try:
            return os.path.samestat(os.fstat(self._fd), path.stat(follow_symlinks=False))
        except FileNotFoundError:
            return False

    def cut(self, size: int) -> None:
        """Truncate to `size` bytes."""
        os.ftruncate(self._fd, size)

    def write(self, data: bytes) -> None:
        """Append all of `data`."""
        while data:
            data = data[os.write(self._fd, data) :]

    def sync(self) -> None:
        """Return when everything is on the disk."""
        full = getattr(fcntl, "F_FULLFSYNC", None)
        if full is None:
            os.fsync(self._fd)
        else:  # on macOS fsync leaves the data in the drive's own cache
            fcntl.fcntl(self._fd, full)

    def close(self) -> None:
        """Close the file."""
        os.close(self._fd)


def write_new(path: Path, data: bytes) -> None:
    """Write a new file, readable by its owner only, and sync it."""
    fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, 0o600)
    with os.fdopen(fd, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def write_whole(path: Path, data: bytes) -> None:
    """Write a file atomically, readable by its owner only."""
    new = path.with_name(path.name + ".new")
    with suppress(FileNotFoundError):
        new.unlink()
    write_new(new, data)
    new.replace(path)


def write_over(path: Path, data: bytes, *, sync: bool = False) -> None:
    """Write `data` over the file's bytes, so that the old ones are gone as far as the system allows."""
    fd = os.open(path, os.O_WRONLY | os.O_CREAT | _BINARY | CAREFUL, 0o600)
    try:
        os.write(fd, data)
        os.ftruncate(fd, len(data))
        if sync:
            os.fsync(fd)
    finally:
        os.close(fd)


def read_file(path: Path, largest: int) -> bytes:
    """A plain file's bytes. Links, pipes and devices are not opened.

    Raises:
        RecordError: it is missing, no plain file, larger than `largest` bytes, or unreadable.
    """
    try:
        fd = os.open(path, os.O_RDONLY | _BINARY | CAREFUL)
        with os.fdopen(fd, "rb") as file:
            found = os.fstat(fd)
            if not stat.S_ISREG(found.st_mode):
                raise RecordError("is not a plain file", where=str(path))
            data = file.read(largest + 1) if found.st_size <= largest else b""
    except FileNotFoundError:
        raise RecordError("is missing", where=str(path)) from None
    except (OSError, ValueError) as error:
        link = Path(path).is_symlink() if isinstance(error, OSError) else False
        why = "is a link" if link else f"cannot be read: {getattr(error, 'strerror', None) or error}"
        raise RecordError(why, where=str(path), expected="a plain file") from None
    if found.st_size > largest or len(data) > largest:
        size = max(found.st_size, len(data))
        raise RecordError(f"has {size:,} bytes", where=str(path), expected=f"at most {largest:,}")
    return data


def there(path: Path) -> bool:
    """Whether a plain file of that name exists."""
    try:
        return stat.S_ISREG(path.lstat().st_mode)
    except (OSError, ValueError):
        return False


def sync_folder(folder: Path) -> None:
    """Sync the names in `folder`, where the system can."""
    with suppress(OSError):
        fd = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)
