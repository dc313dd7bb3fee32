"""Writes lines to the disk in a thread of its own, so that a slow disk delays nobody."""

from __future__ import annotations

import os
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Generic, NamedTuple, TypeVar

from voicecoach.errors import RecordError
from voicecoach.record import disk, manifest
from voicecoach.record.lines import FILE
from voicecoach.record.refuge import MOST_KEPT, PLACE_LOST, ChangedError, Refuge, set_aside

Tag = TypeVar("Tag")
TRIES = 3
"""While a record is being closed, how often it is written again elsewhere when its place fails."""


class Gap(NamedTuple):
    """Lines `first` to `last` (by number) reached the disk `late_s` late because of `why`."""

    why: str
    first: int
    last: int
    late_s: float


class Spool(Generic[Tag]):
    """Keeps what the disk refuses, tries again every `retry_s`, and writes everything in order.

    Args:
        folder: the session's. size: valid bytes of the file; what follows is cut off. torn: bytes of a torn last line,
            saved in a file of their own before the next line. on_late: called when late lines have reached the disk.
            on_saved: called in the spool's thread with the marks of each batch of lines that has reached the disk.
            on_idle: called after `idle_s` without a line. on_moved: called with the new folder when the lines' own
            place is lost.
    """

    def __init__(
        self,
        folder: Path,
        *,
        size: int,
        torn: bytes,
        opener: disk.Opener,
        retry_s: float,
        on_late: Callable[[Gap], None],
        on_saved: Callable[[tuple[Tag, ...]], None],
        on_idle: Callable[[], None],
        idle_s: float,
        on_moved: Callable[[Path], None] = lambda _: None,
    ) -> None:
        self.turn = threading.Condition()
        """Held while lines are numbered and handed over, so that they are in the file's order."""
        self.trouble: str | None = None
        self._folder, self._size, self._torn = folder, size, torn
        self._opener, self._retry_s = opener, retry_s
        self._on_late, self._on_saved, self._on_idle, self._idle_s = on_late, on_saved, on_idle, idle_s
        self._on_moved = on_moved
        self._refuge = Refuge(folder, _lines(folder, size))
        self._file: disk.LineFile | None = None
        self._queue: deque[tuple[bytes, int, Tag]] = deque()
        self._handed = self._saved = 0
        self._trouble_since = 0.0
        self._trouble_first = 0
        self._closing = self._replaced = False
        self._writer = threading.Thread(target=self._run, name="journal", daemon=True)

    def start(self) -> None:
        """Start writing."""
        self._writer.start()

    @property
    def unsaved(self) -> int:
        """Lines that have not reached the disk."""
        return self._handed - self._saved

    def hand(self, raw: bytes, number: int, mark: Tag) -> int:
        """Queue a line; `turn` must be held. Returns how many lines have been queued."""
        self._queue.append((raw, number, mark))
        self._handed += 1
        self.turn.notify_all()
        return self._handed

    def wait(self, count: int, number: int, patience_s: float) -> bool:
        """Wait until `count` lines are on the disk, unless there is trouble; False if they are not."""
        with self.turn:
            if self.trouble is None:
                self.turn.wait_for(lambda: self._saved >= count or self.trouble is not None, patience_s)
                if self._saved < count and self.trouble is None:
                    self._begin_trouble("the disk is slow", number)
            return self._saved >= count

    def drain(self, wait_s: float) -> None:
        """Wait until all lines are on the disk and the trouble is over, for at most `wait_s`."""
        with self.turn:
            self.turn.wait_for(lambda: self._saved == self._handed and self.trouble is None, wait_s)

    def close(self, wait_s: float) -> None:
        """Write what is left, for at most `wait_s`."""
        with self.turn:
            self._closing = True
            self.turn.notify_all()
        self._writer.join(wait_s)

    def _begin_trouble(self, what: str, number: int) -> None:
        self.trouble, self._trouble_since, self._trouble_first = what, time.monotonic(), number

    def _run(self) -> None:
        tries = 0
        while True:
            with self.turn:
                if not self.turn.wait_for(lambda: bool(self._queue) or self._closing, self._idle_s):
                    self._on_idle()
                batch = tuple(self._queue)
                if not batch:
                    if self._closing:
                        break
                    continue
            try:
                self._save(b"".join(raw for raw, _, _ in batch))
            except (OSError, ValueError) as error:
                recovered = self._failed(error) and tries < TRIES
                tries += 1
                if self._closing and not recovered:
                    break
                continue
            tries = 0
            with self.turn:
                for _ in batch:
                    self._queue.popleft()
                self._saved += len(batch)
                if self.trouble is not None:
                    self._end_trouble(batch[-1][1])
                self.turn.notify_all()
            self._on_saved(tuple(mark for _, _, mark in batch))
        if self._file is not None:
            with suppress(OSError):
                self._file.close()

    def _save(self, data: bytes) -> None:
        if self._torn:
            name = f"torn-{manifest.digest(self._torn)[:12]}.bin"
            disk.write_whole(self._folder / name, self._torn)
            self._torn = b""
        if self._file is None:
            self._file = self._opened()
        elif not self._file.is_at(self._folder / FILE):
            raise ChangedError(None, "its file was removed or replaced")
        elif self._file.size() != self._size:
            raise ChangedError(None, "its file was shortened or written to by somebody else")
        self._file.write(data)
        self._file.sync()
        self._size += len(data)
        self._refuge.add(data)

    def _opened(self) -> disk.LineFile:
        """The open file, holding all lines so far and nothing else."""
        path = self._folder / FILE
        if self._replaced and os.path.lexists(path):
            set_aside(path)
        self._replaced = False
        file = self._opener(path)
        size = file.size()
        if size > self._size:  # part of a line from a failed attempt, or a torn line that was saved elsewhere
            file.cut(self._size)
        elif size < self._size:
            before = self._refuge.lines
            if before is not None:
                file.cut(0)
                file.write(before)
            self._size = len(before) if before is not None else size
        return file

    def _move(self) -> Path | None:
        """Continue elsewhere; the new folder, or None if no place can be written."""
        try:
            self._folder = self._refuge.begin_anew()
        except OSError:
            return None
        self._on_moved(self._folder)
        return self._folder

    def _failed(self, error: Exception) -> bool:
        """Note the error; True if the record has a sound place again and can be written at once."""
        recovered = isinstance(error, ChangedError)
        why = f"the record cannot be written: {getattr(error, 'strerror', None) or error}"
        if isinstance(error, ChangedError):
            self._replaced = "replaced" in str(error)
        elif getattr(error, "errno", None) in PLACE_LOST:
            new = self._move()
            why += f"; it continues in {new}" if new is not None else ""
            recovered = new is not None
        with self.turn:
            if self.trouble is None:
                self._begin_trouble("", self._queue[0][1])
            self.trouble = why
            self.turn.notify_all()
        # after a failed sync the file's contents cannot be trusted: open it again, truncate, rewrite
        if self._file is not None:
            with suppress(OSError, ValueError):
                self._file.close()
            self._file = None
        with self.turn:
            self.turn.wait_for(lambda: self._closing, self._retry_s)
        return recovered

    def _end_trouble(self, last: int) -> None:
        gap = Gap(str(self.trouble), self._trouble_first, last, round(time.monotonic() - self._trouble_since, 3))
        self.trouble = None
        self._on_late(gap)


def _lines(folder: Path, size: int) -> bytes | None:
    """The lines of a session that is continued."""
    if not size:
        return b""
    try:
        return disk.read_file(folder / FILE, MOST_KEPT)[:size]
    except RecordError:
        return None
