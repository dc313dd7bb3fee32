"""Marks a session's folder, or the machine's voice, as used by a living process; the mark ends with the process."""

from __future__ import annotations

import errno
import json
import os
import stat
import time
from contextlib import suppress
from datetime import datetime
from pathlib import Path

try:
    import fcntl
except ImportError:  # Windows has no flock
    fcntl = None  # type: ignore[assignment]

NAME = "lock"
VOICE = "voice.lock"
_FLAGS = os.O_RDWR | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)


class Lock:
    """A lock file with the process number and the time, held by the system's own file lock.

    The file's contents are for people. The system says whether the holder lives, so that a number reused after a kill
    or a reboot cannot deceive. A link, or anything else but a plain file, is replaced and not followed.
    """

    def __init__(self, folder: Path, name: str = NAME) -> None:
        self._path = folder / name
        self._fd: int | None = None

    def take(self, now: datetime, wait_s: float = 0.1, **about: str) -> bool:
        """Take the lock; False if a living process holds it. An unwritable disk is no reason to refuse.

        wait_s: how long another may hold it before that counts (s). about: what else people should read in the file.
        """
        for _ in range(max(1, round(wait_s / 0.02))):
            try:
                fd = _open(self._path)
            except OSError:
                return True
            if _hold(fd) and _is(fd, self._path):
                break
            os.close(fd)
            time.sleep(0.02)  # somebody may just be asking who holds it
        else:
            return False
        self._fd = fd
        self.annotate(now, **about)
        return True

    def annotate(self, now: datetime, **about: str) -> None:
        """Write who holds it."""
        fd = self._fd
        if fd is None:
            return
        text = json.dumps({"pid": os.getpid(), "since": now.isoformat(timespec="seconds"), **about})
        with suppress(OSError):
            os.ftruncate(fd, 0)
            os.lseek(fd, 0, os.SEEK_SET)
            os.write(fd, text.encode())

    def release(self) -> None:
        """Release it; safe to call twice."""
        if self._fd is not None:
            os.close(self._fd)
            self._fd = None


def holder(folder: Path, name: str = NAME) -> str | None:
    """Who holds it ('process 4711 since ...'); None if no living process does."""
    try:
        fd = os.open(folder / name, _FLAGS)
    except OSError:
        return None
    try:
        if not stat.S_ISREG(os.fstat(fd).st_mode) or _hold(fd):
            return None
        with suppress(OSError, ValueError, KeyError, TypeError):
            data = json.loads(os.read(fd, 4000))
            record = f", record {data['record']}" if data.get("record") else ""
            return f"process {data['pid']} since {data['since']}{record}"
        return "another process"
    finally:
        os.close(fd)


def _open(path: Path) -> int:
    """The lock file, created if missing. Anything but a plain file with one name is removed first."""
    for _ in range(3):
        try:
            fd = os.open(path, _FLAGS | os.O_CREAT, 0o600)
        except OSError as error:
            if error.errno not in {errno.ELOOP, errno.ENXIO, errno.EMLINK}:
                raise
        else:
            found = os.fstat(fd)
            if stat.S_ISREG(found.st_mode) and found.st_nlink <= 1:
                return fd
            os.close(fd)
        path.unlink()
    raise OSError(errno.EAGAIN, "keeps being replaced", str(path))


def _is(fd: int, path: Path) -> bool:
    """Whether the open file is still the one of that name."""
    try:
        return os.path.samestat(os.fstat(fd), path.stat(follow_symlinks=False))
    except OSError:
        return False


def _hold(fd: int) -> bool:
    if fcntl is None:
        import msvcrt  # noqa: PLC0415 exists on Windows only

        try:
            os.lseek(fd, 1 << 20, os.SEEK_SET)
            msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined, unused-ignore]
        except OSError:
            return False
        finally:
            os.lseek(fd, 0, os.SEEK_SET)
        return True
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        # a file system without locks must not prevent a session
        return error.errno not in (errno.EWOULDBLOCK, errno.EACCES)
    return True
