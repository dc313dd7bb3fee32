"""The mark of a living process on a session folder. It goes with the process, however that ends."""

from __future__ import annotations

import errno
import json
import os
import time
from contextlib import suppress
from datetime import datetime
from pathlib import Path

try:
    import fcntl
except ImportError:  # Windows has no flock
    fcntl = None  # type: ignore[assignment]

NAME = "lock"


class Lock:
    """A lock file with the process number and the time it was taken, held by the system's own file lock.

    The numbers are for people; whether the holder lives is asked of the system, so that a number used again
    after a kill or a reboot can't deceive.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / NAME
        self._fd: int | None = None

    def take(self, now: datetime) -> bool:
        """Take it; False if a living process has it. A disk that can't be written is no reason to refuse."""
        try:
            fd = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o600)
        except OSError:
            return True
        for _ in range(5):
            if _hold(fd):
                break
            time.sleep(0.02)  # somebody may just be asking who has it
        else:
            os.close(fd)
            return False
        with suppress(OSError):
            os.ftruncate(fd, 0)
            text = json.dumps({"pid": os.getpid(), "since": now.isoformat(timespec="seconds")})
            os.pwrite(fd, text.encode(), 0) if hasattr(os, "pwrite") else os.write(fd, text.encode())
        self._fd = fd
        return True

    def release(self) -> None:
        """Let it go; safe to call twice."""
        if self._fd is not None:
            os.close(self._fd)
            self._fd = None


def holder(folder: Path) -> str | None:
    """Who has `folder` ('process 4711 since ...'), or None if no living process has it."""
    try:
        fd = os.open(folder / NAME, os.O_RDWR)
    except OSError:
        return None
    try:
        if _hold(fd):
            return None
        with suppress(OSError, ValueError, KeyError, TypeError):
            data = json.loads(os.read(fd, 400))
            return f"process {data['pid']} since {data['since']}"
        return "another process"
    finally:
        os.close(fd)


def _hold(fd: int) -> bool:
    if fcntl is None:
        import msvcrt  # noqa: PLC0415  only there on Windows

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
        # a file system without locks must not keep a session from going on
        return error.errno not in (errno.EWOULDBLOCK, errno.EACCES)
    return True
