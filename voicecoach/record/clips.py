"""What is kept of the sound: short clips around utterances, all of it, or nothing. Never anything of `work`."""

from __future__ import annotations

import io
import os
import queue
import threading
import wave
from collections import deque
from contextlib import suppress
from pathlib import Path
from typing import Literal

import numpy as np

from voicecoach.audio.line import RATE_HZ, Block, Samples

Setting = Literal["clips", "full", "none"]
PAD_S = 0.5
KEEP_S = 12.0
"""How much sound is held in memory (s): longer than any utterance with its pads."""
FULL_PART_S = 1.0
WAITING = 16
"""Pieces that may wait for a slow disk; those beyond are dropped, and said to be."""

Pair = tuple[int, Samples]


class ClipKeeper:
    """Feed it the line's blocks and tell it what was heard; files are written by a thread of its own.

    Nothing here raises into the session: `trouble` says what went wrong last.

    Args:
        folder: where the files go ('audio' in the session's folder). setting: clips, full or none.
        pad_s: kept before and after an utterance (s). keep_s: held in memory (s).
    """

    def __init__(self, folder: Path, setting: Setting, *, pad_s: float = PAD_S, keep_s: float = KEEP_S) -> None:
        self.setting: Setting = setting
        self.trouble: str | None = None
        self._folder = folder
        self._pad, self._keep = int(pad_s * RATE_HZ), int(keep_s * RATE_HZ)
        self._ring: deque[Pair] = deque()
        self._due: list[tuple[int, int]] = []
        self._part: list[Samples] = []
        self._part_at = self._part_frames = 0
        self._off = False
        self._full: _FullFile | None = None
        self._jobs: queue.Queue[tuple[int, Samples, bool] | None] = queue.Queue(WAITING)
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
        if self._ring and self._end() != block.at:  # the line was away: what lies before ends there
            self._drop()
        self._ring.append((block.at, block.heard.copy()))
        while self._ring and self._end() - self._ring[0][0] > self._keep:
            self._ring.popleft()
        ready = [one for one in self._due if one[1] <= self._end()]
        self._due = [one for one in self._due if one[1] > self._end()]
        for begin, end in ready:
            self._cut(begin, end)

    def utterance(self, begin: int, end: int) -> None:
        """Somebody spoke from sample `begin` to `end`: keep that with its pads."""
        if self.setting == "clips" and not self._off and end > begin:
            self._due.append((max(0, begin - self._pad), end + self._pad))

    def work(self, on: bool) -> None:
        """While the work goes on nothing is kept, and nothing of it stays in memory."""
        if on != self._off:
            self._drop()
            self._off = on

    def no_audio(self) -> None:
        """From now on nothing is kept; what was only in memory is forgotten."""
        self._ring.clear()
        self._due.clear()
        self._part.clear()
        self._part_frames = 0
        with suppress(queue.Empty):
            while True:
                self._jobs.get_nowait()
        self.setting = "none"

    def close(self, wait_s: float = 2.0) -> None:
        """Write what is due and end; gives up on a disk that takes longer than `wait_s` (s)."""
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
        kept = [heard[max(0, begin - at) : max(0, end - at)] for at, heard in self._ring]
        if sound := [part for part in kept if len(part)]:
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
        if self._writer is None:
            self._writer = threading.Thread(target=self._run, name="clips", daemon=True)
            self._writer.start()
        try:
            self._jobs.put_nowait((at, heard, full))
        except queue.Full:
            self.trouble = "the disk is slow: sound was dropped"

    def _run(self) -> None:
        while (job := self._jobs.get()) is not None:
            at, heard, full = job
            try:
                if full:
                    self._write_full(at, heard)
                else:
                    name = f"clip-{at:012d}-{at + len(heard):012d}.wav"
                    one = _WavFile(self._folder / name, heard.shape[1])
                    try:
                        one.append(heard)
                    finally:
                        one.close()
            except (OSError, wave.Error) as error:
                self.trouble = f"sound cannot be kept: {getattr(error, 'strerror', None) or error}"
                self._full = None
            else:
                self.trouble = None
        if self._full is not None:
            self._full.file.close()

    def _write_full(self, at: int, heard: Samples) -> None:
        if self._full is None or self._full.end != at or self._full.file.channels != heard.shape[1]:
            if self._full is not None:
                self._full.file.close()
            self._full = _FullFile(_WavFile(self._folder / f"full-{at:012d}.wav", heard.shape[1]), at)
        self._full.file.append(heard)
        self._full.end = at + len(heard)


class _FullFile:
    def __init__(self, file: _WavFile, end: int) -> None:
        self.file, self.end = file, end


class _WavFile:
    """A WAV file whose header is right after every append, so that a kill loses nothing written."""

    def __init__(self, path: Path, channels: int) -> None:
        self.channels = channels
        self._raw = _open_new(path)
        self._wave = wave.open(self._raw, "wb")  # noqa: SIM115  closed by close
        self._wave.setparams((channels, 2, RATE_HZ, 0, "NONE", "not compressed"))

    def append(self, heard: Samples) -> None:
        """Append frames, shape (frames, channels)."""
        self._wave.writeframes((np.clip(heard, -1, 1) * 32767).astype("<i2").tobytes())
        self._raw.flush()

    def close(self) -> None:
        """Let it go; never raises."""
        with suppress(OSError, wave.Error):
            self._wave.close()
        with suppress(OSError):
            self._raw.close()


def _open_new(path: Path) -> io.BufferedWriter:
    count = 1
    stem = path.stem
    while True:
        try:
            fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600)
        except FileExistsError:
            count += 1
            path = path.with_name(f"{stem}-{count}{path.suffix}")
        else:
            return os.fdopen(fd, "wb")
