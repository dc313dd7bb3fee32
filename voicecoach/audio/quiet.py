"""A line without a sound card: what is played goes nowhere, and what is heard is silence."""

from __future__ import annotations

import time

import numpy as np

from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ, Block, Samples, Sound
from voicecoach.audio.mix import Mixer

GAP_S = 1.0
"""A reader further behind than this (the computer slept) does not have to catch up (s)."""


class QuietLine:
    """Blocks of silence on the sample clock, as fast as they are read or, if `live`, in real time.

    Other lines without a card override `_hear`. start: session clock of the first frame (samples).
    """

    def __init__(self, live: bool = False, channels: int = 1, start: int = 0) -> None:
        self.live = live
        self.channels = channels
        self._mixer = Mixer()
        self._at = self._start = start
        self._started_s: float | None = None  # monotonic time of sample `start`

    def read(self, timeout_s: float) -> Block | None:
        """The next block; None if the line is live and the block is not due within `timeout_s`."""
        flags: tuple[str, ...] = ()
        if self.live:
            late_s = self._wait(timeout_s)
            if late_s is None:
                return None
            if late_s > GAP_S:
                flags = (f"gap of {late_s:.1f} s",)
        at = self._at
        played, ended = self._mixer.take(BLOCK_FRAMES, at)
        heard, last = self._hear(at, played)
        self._at += BLOCK_FRAMES
        return Block(at, heard, played, ended, flags, last)

    def play(self, sound: Sound) -> None:
        """Queue a sound after those already queued."""
        self._mixer.play(sound)

    def silence(self) -> None:
        """Fade out the current sound and drop the queue."""
        self._mixer.silence()

    def close(self) -> None:
        """There is nothing to release."""

    def _hear(self, at: int, played: Samples) -> tuple[Samples, bool]:
        """The input for the block that begins at `at`, and whether the input is exhausted."""
        del at
        return np.zeros((len(played), self.channels), dtype=np.float32), False

    def _wait(self, timeout_s: float) -> float | None:
        """Sleep until the next block is due; how late it is (s), or None if it is not due in time."""
        now_s = time.monotonic()
        if self._started_s is None:
            self._started_s = now_s
        wait_s = self._started_s + (self._at - self._start + BLOCK_FRAMES) / RATE_HZ - now_s
        if wait_s > 0:
            time.sleep(min(wait_s, max(timeout_s, 0.0)))
            return 0.0 if wait_s <= timeout_s else None
        if -wait_s > GAP_S:
            self._started_s -= wait_s
        return -wait_s
