"""The sound that is kept: short clips around utterances, all of it, or none; and none from work in any case.

Each piece is recorded in the journal with its digest, so that it cannot be changed or silenced later. When the record
loses its folder and goes on elsewhere, so do the clips; earlier ones stay where they were.
"""

from __future__ import annotations

import io
import os
import queue
import threading
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Literal, NamedTuple

import numpy as np

from voicecoach.audio.line import RATE_HZ, Block, Samples
from voicecoach.record.box import SUFFIX, Box
from voicecoach.record.refuge import PLACE_LOST
from voicecoach.record.sound import HEADER_BYTES, header

Setting = Literal["clips", "full", "none"]
PAD_S = 0.5
KEEP_S = 12.0
"""How much sound is held in memory (s): longer than any utterance with its pads."""
FULL_PART_S = 1.0
WAITING = 16
"""How many pieces may wait for a slow disk; more are dropped and reported."""

Pair = tuple[int, Samples]
OnWritten = Callable[[str, int, bytes], None]
OnDeleted = Callable[[list[str], str], None]


class ClipKeeper:
    """Takes the line's blocks and the times of utterances; a thread of its own writes the files.

    Nothing here raises into the session; `trouble` says what went wrong last.

    Args:
        folder: where the files go ('audio' in the session's folder), or a function that says where they go now.
        setting: clips, full or none. on_written: called with the file, the position of its first new byte and the new
        bytes. on_deleted: called with the files that were deleted, and why. box: encrypts the sound. pad_s: kept before
        and after an utterance (s). keep_s: held in memory (s).
    """

    def __init__(
        self,
        folder: Path | Callable[[], Path],
        setting: Setting,
        *,
        on_written: OnWritten = lambda _file, _begin, _raw: None,
        on_deleted: OnDeleted = lambda _files, _why: None,
        box: Box | None = None,
        pad_s: float = PAD_S,
        keep_s: float = KEEP_S,
    ) -> None:
        self.setting: Setting = setting
        self.trouble: str | None = None
        self._place: Callable[[], Path] = (lambda: folder) if isinstance(folder, Path) else folder
        self._places: list[Path] = []
        self._on_written, self._on_deleted, self._box = on_written, on_deleted, box
        self._pad, self._keep = int(pad_s * RATE_HZ), int(keep_s * RATE_HZ)
        self._ring: deque[Pair] = deque()
        self._due: list[tuple[int, int]] = []
        self._part: list[Samples] = []
        self._part_at = self._part_frames = 0
        self._off = False
        self._full: _FullFile | None = None
        self._jobs: queue.Queue[_SoundPart | _Forget | None] = queue.Queue(WAITING)
        self._late: deque[_SoundPart | _Forget] = deque()
        self._writer: threading.Thread | None = None

    @property
    def held(self) -> int:
        """Frames held in memory for clips."""
        return sum(len(heard) for _, heard in self._ring)

    def feed(self, block: Block) -> None:
        """Take the next block of the line."""
        if self._off or self.setting == "none" or not len(block.heard):
            return
        if self.setting == "full":
            self._feed_full(block)
            return
        if self._ring and self._end() != block.at:  # there is a gap in the line: what came before ends there
            self._drop()
        self._ring.append((block.at, block.heard.copy()))
        while self._ring and self._end() - self._ring[0][0] > self._keep:
            self._ring.popleft()
        ready = [one for one in self._due if one[1] <= self._end()]
        self._due = [one for one in self._due if one[1] > self._end()]
        for begin, end in ready:
            self._cut(begin, end)

    def utterance(self, begin: int, end: int) -> None:
        """Somebody spoke from sample `begin` to `end`: keep that and its pads."""
        if self.setting == "clips" and not self._off and end > begin:
            self._due.append((max(0, begin - self._pad), end + self._pad))

    def work(self, on: bool) -> None:
        """Work begins or ends; during work nothing is kept, not even in memory."""
        if on != self._off:
            self._drop()
            self._off = on

    def no_audio(self) -> None:
        """Keep nothing from now on: drop what is in memory and delete what is on the disk."""
        self._ring.clear()
        self._due.clear()
        self._part.clear()
        self._part_frames = 0
        with suppress(queue.Empty):
            while True:
                self._jobs.get_nowait()
        self.setting = "none"
        self._put(_Forget())

    def close(self, wait_s: float = 2.0) -> None:
        """Write what is due and stop, waiting no longer than `wait_s` (s)."""
        self._drop()
        if self._writer is not None:
            with suppress(queue.Full):
                self._jobs.put(None, timeout=wait_s)
            self._writer.join(wait_s)

    def _end(self) -> int:
        at, heard = self._ring[-1]
        return at + len(heard)

    def _drop(self) -> None:
        for begin, end in self._due:
            self._cut(begin, end)
        self._due.clear()
        self._ring.clear()
        self._hand_part()

    def _cut(self, begin: int, end: int) -> None:
        cuts = (heard[max(0, begin - at) : max(0, end - at)] for at, heard in self._ring)
        if sound := [cut for cut in cuts if len(cut)]:
            first = max(begin, self._ring[0][0])
            self._hand(first, np.concatenate(sound), full=False)

    def _feed_full(self, block: Block) -> None:
        if self._part_frames and self._part_at + self._part_frames != block.at:
            self._hand_part()
        if not self._part_frames:
            self._part_at = block.at
        self._part.append(block.heard.copy())
        self._part_frames += len(block.heard)
        if self._part_frames >= FULL_PART_S * RATE_HZ:
            self._hand_part()

    def _hand_part(self) -> None:
        if self._part:
            self._hand(self._part_at, np.concatenate(self._part), full=True)
        self._part_at += self._part_frames
        self._part.clear()
        self._part_frames = 0

    def _hand(self, at: int, heard: Samples, *, full: bool) -> None:
        self._put(_SoundPart(at, heard, full))

    def _put(self, job: _SoundPart | _Forget) -> None:
        if self._writer is None:
            self._writer = threading.Thread(target=self._run, name="clips", daemon=True)
            self._writer.start()
        try:
            self._jobs.put_nowait(job)
        except queue.Full:
            self.trouble = "the disk is slow: sound was dropped"

    def _run(self) -> None:
        while (job := self._jobs.get()) is not None:
            if isinstance(job, _Forget):
                self._late.clear()
            self._late.append(job)
            self._do_waiting()
        self._do_waiting()
        if self._full is not None:
            self._full.close()

    def _do_waiting(self) -> None:
        """Do what is waiting. A part that a lost place refuses is tried again: the record may have moved by then."""
        while self._late:
            job = self._late[0]
            try:
                self._do(job)
            except OSError as error:
                self.trouble = f"sound cannot be kept: {error.strerror or error}"
                self._full = None
                if error.errno in PLACE_LOST and isinstance(job, _SoundPart) and len(self._late) < WAITING:
                    return
            else:
                self.trouble = None
            self._late.popleft()

    def _do(self, job: _SoundPart | _Forget) -> None:
        if isinstance(job, _Forget):
            self._delete()
            return
        folder = self._place()
        folder.mkdir(mode=0o700, exist_ok=True)
        if folder not in self._places:
            self._places.append(folder)
        if job.full:
            self._write_full(folder, job.at, job.heard)
        else:
            self._write_clip(folder, job.at, job.heard)

    def _write_clip(self, folder: Path, at: int, heard: Samples) -> None:
        raw = _pcm(heard)
        raw = self._boxed(raw, 0, heard.shape[1]) if self._box else header(heard.shape[1], len(raw)) + raw
        name, file = _open_new(folder / f"clip-{at:012d}-{at + len(heard):012d}{self._suffix}")
        try:
            with file:
                file.write(raw)
        except OSError:
            (folder / name).unlink(missing_ok=True)  # half a clip is worse than none
            raise
        self._on_written(name, 0, raw)

    def _write_full(self, folder: Path, at: int, heard: Samples) -> None:
        full = self._full
        if full is None or (full.folder, full.end, full.channels) != (folder, at, heard.shape[1]):
            if full is not None:
                full.close()
            path = folder / f"full-{at:012d}{self._suffix}"
            self._full = full = _FullFile(path, at, heard.shape[1], head=self._box is None)
        raw = _pcm(heard)
        begin = full.size
        if self._box is not None:
            raw = self._boxed(raw, begin, full.channels)
        full.append(raw)
        full.end += len(heard)
        self._on_written(full.name, begin, raw)

    @property
    def _suffix(self) -> str:
        return ".wav" if self._box is None else f".wav{SUFFIX}"

    def _boxed(self, pcm: bytes, begin: int, channels: int) -> bytes:
        assert self._box is not None
        return self._box.frame(bytes([channels]) + pcm, begin)

    def _delete(self) -> None:
        if self._full is not None:
            self._full.close()
            self._full = None
        deleted, wrong = [], None
        for folder in dict.fromkeys((*self._places, self._place())):
            try:
                for path in sorted(folder.iterdir()):
                    path.unlink()
                    deleted.append(path.name)
            except FileNotFoundError:
                continue
            except OSError as error:
                wrong = error
        if deleted:
            self._on_deleted(deleted, "no audio")
        if wrong is not None:
            raise wrong


class _SoundPart(NamedTuple):
    """Sound to be written, and the sample at which it begins."""

    at: int
    heard: Samples
    full: bool


class _Forget:
    """A request to delete what is on the disk."""


class _FullFile:
    """A growing file. A WAV file's header is correct after every append, so that a kill loses nothing."""

    def __init__(self, path: Path, at: int, channels: int, *, head: bool) -> None:
        self.folder, self.end, self.channels, self._head = path.parent, at, channels, head
        self.name, self._raw = _open_new(path)
        self.size = HEADER_BYTES if head else 0

    def append(self, raw: bytes) -> None:
        """Append bytes."""
        self._raw.seek(self.size)
        self._raw.write(raw)
        self.size += len(raw)
        if self._head:
            self._raw.seek(0)
            self._raw.write(header(self.channels, self.size - HEADER_BYTES))
        self._raw.flush()

    def close(self) -> None:
        """Close the file; never raises."""
        with suppress(OSError):
            self._raw.close()


def _pcm(heard: Samples) -> bytes:
    return (np.clip(heard, -1, 1) * 32767).astype("<i2").tobytes()


def _open_new(path: Path) -> tuple[str, io.BufferedWriter]:
    count = 1
    stem, _, ending = path.name.partition(".")
    while True:
        try:
            fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600)
        except FileExistsError:
            count += 1
            path = path.with_name(f"{stem}-{count}.{ending}")
        else:
            return path.name, os.fdopen(fd, "wb")
