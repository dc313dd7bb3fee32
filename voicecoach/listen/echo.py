"""Takes the coach's own voice out of what a channel heard."""

from __future__ import annotations

import numpy as np

from voicecoach.audio.line import RATE_HZ, Samples

FRAME = 160
"""Frames the canceller takes at a time (10 ms)."""

DELAY = 124
"""The canceller gives its sound back this many frames late; measured on speech without echo."""

TAIL = RATE_HZ
"""It goes on for this long (frames) after the last played sound: a room rings, a device buffers."""

_RUN_UP = 4


class EchoCanceller:
    """One channel. Idle, and costing nothing, while nothing is played; samples keep their place either way."""

    def __init__(self) -> None:
        # imported late: a native library, of no use to those who only read a grammar
        from pywebrtc_audio import EchoCanceller as Canceller  # noqa: PLC0415

        self._canceller = Canceller(sample_rate=RATE_HZ)
        self._heard = np.zeros(0, np.float32)
        self._played = np.zeros(0, np.float32)
        self._before = np.zeros((_RUN_UP, FRAME), np.float32)
        self._quiet = TAIL

    def feed(self, heard: Samples, played: Samples) -> Samples:
        """Take in frames, both of shape (frames,); what is ready of the cleaned sound.

        Whole 10 ms frames come out, DELAY frames late: the first sample out stands DELAY frames before the first in.
        """
        self._heard = np.concatenate((self._heard, np.asarray(heard, np.float32)))
        self._played = np.concatenate((self._played, np.asarray(played, np.float32)))
        count = len(self._heard) // FRAME
        out = [self._frame(self._heard[i * FRAME :][:FRAME], self._played[i * FRAME :][:FRAME]) for i in range(count)]
        self._heard = self._heard[count * FRAME :]
        self._played = self._played[count * FRAME :]
        return np.concatenate(out) if out else np.zeros(0, np.float32)

    @property
    def waiting(self) -> int:
        """Frames taken in that have not come out, apart from DELAY."""
        return len(self._heard)

    def _frame(self, heard: Samples, played: Samples) -> Samples:
        sounding = bool(np.any(np.abs(played) > 1e-4))
        resting = self._quiet >= TAIL
        self._quiet = 0 if sounding else self._quiet + FRAME
        if not sounding and resting:
            clean = np.concatenate((self._before[-1][FRAME - DELAY :], heard[: FRAME - DELAY]))
        else:
            if resting:
                # what it heard last is long past: run it up to now, or that would come out first
                for frame in self._before:
                    self._canceller.process(frame, np.zeros(FRAME, np.float32))
            clean = np.asarray(self._canceller.process(heard, played), np.float32)
        self._before = np.concatenate((self._before[1:], heard[None]))
        return clean.astype(np.float32)
