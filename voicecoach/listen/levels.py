"""How loud a microphone is, and what is wrong with its sound: none, too quiet, too loud, overdriven, too noisy.

Pure; numbers are of one channel before any processing.
"""

from __future__ import annotations

import math
from collections import deque
from typing import get_args

import numpy as np

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.session.events import Trouble

TROUBLES: tuple[Trouble, ...] = get_args(Trouble)

SILENT_PEAK = 1e-4
"""A microphone that works never stays under this (of full scale, -80 dB): its own noise lies above."""
SILENT_S = 30.0
"""Nothing above it for so long, from the very first: switched off, or another device (s). Once there was a sound it
counts no more: some headsets send nothing at all between words."""

QUIET_DB = -48.0
"""An utterance under this (dB of full scale) cannot be brought up to the level that the engines want: they raise a
sound twentyfold at most, to -22 dB. A quarter of that level cost 5 of 100 commands."""

FULL = 0.985
"""Of full scale: as loud as can be written down."""
LOUD_SHARE = 0.002
"""Of an utterance's samples at full scale; common practice, no source."""
FLAT_RUN = 6
"""So many equal samples in a row at an utterance's own peak: its tops were cut off before it came here. A pure tone of
250 Hz at 16-bit has 3 at its top."""
FLAT_SHARE = 0.004
"""Of an utterance's samples in such runs."""

NOISY_DB = 7.0
"""Voice and noise together less than this above the noise alone: the voice is at most 6 dB above it. At 5 dB behind a
mask the phonemes knew 4 of 10 of a person's words."""

OF, ENOUGH = 3, 2
"""Of the last three utterances two must have the trouble: one may have been a cough or a knock."""
AGAIN_S = 60.0
"""The same trouble is told of again so often (s); whoever is told says it once."""

_KEEP_S = 6.0
_SHORTEST_S = 0.15
_METER_LEAST_DB = -60.0
METER_CELLS = 20


class LevelWatch:
    """The levels of one channel so far; it keeps figures of a few seconds and no sound."""

    def __init__(self) -> None:
        self._figures: deque[tuple[int, int, float, int, int]] = deque()
        """Of each piece: begin, end, energy, samples at full scale, samples in flat tops."""
        self._since: int | None = None
        self._sounded = False
        self._recent: deque[frozenset[Trouble]] = deque(maxlen=OF)
        self._told: dict[Trouble, int] = {}

    def feed(self, at: int, samples: Samples) -> list[Trouble]:
        """Take in samples, shape (frames,), that begin at `at`; 'silent' if there has been no sound at all."""
        end = at + len(samples)
        if not len(samples):
            return []
        size = np.abs(samples)
        peak = float(size.max())
        energy = float(np.square(samples, dtype=np.float64).sum())
        self._figures.append((at, end, energy, int((size >= FULL).sum()), flat(samples)))
        while self._figures and self._figures[0][1] < end - _KEEP_S * RATE_HZ:
            self._figures.popleft()
        self._since = at if self._since is None else self._since
        self._sounded = self._sounded or peak > SILENT_PEAK
        silent = not self._sounded and end - self._since >= SILENT_S * RATE_HZ
        return self._report(end, "silent") if silent else []

    def utterance(self, begin: int, end: int, over_noise_db: float, now: int) -> list[Trouble]:
        """What is wrong with the last utterances, the newest between two samples; each trouble once in a while."""
        here = [one for one in self._figures if one[0] < end and one[1] > begin]
        count = sum(one[1] - one[0] for one in here)
        if count < _SHORTEST_S * RATE_HZ:
            return []
        level_db = 10 * math.log10(max(sum(one[2] for one in here) / count, 1e-12))
        full, tops = (sum(one[place] for one in here) / count for place in (3, 4))
        found: set[Trouble] = set()
        if full >= LOUD_SHARE:
            found.add("loud")
        elif tops >= FLAT_SHARE:
            found.add("clipped")
        elif level_db < QUIET_DB:
            found.add("quiet")
        if over_noise_db < NOISY_DB and "quiet" not in found:
            found.add("noisy")
        self._recent.append(frozenset(found))
        often = [what for what in TROUBLES if sum(what in one for one in self._recent) >= ENOUGH]
        return [told for what in often for told in self._report(now, what)]

    def _report(self, now: int, what: Trouble) -> list[Trouble]:
        if now - self._told.get(what, -round(AGAIN_S * RATE_HZ)) < AGAIN_S * RATE_HZ:
            return []
        self._told[what] = now
        return [what]


def flat(samples: Samples) -> int:
    """How many samples are in runs of FLAT_RUN or more equal ones at the sound's own peak."""
    if len(samples) < FLAT_RUN:
        return 0
    size = np.abs(samples)
    peak = float(size.max())
    if peak < 0.02:  # runs of equal values are usual in the quietest sounds
        return 0
    top = np.concatenate(([False], size >= peak * 0.999, [False]))
    edges = np.flatnonzero(top[1:] != top[:-1])
    runs = edges[1::2] - edges[::2]
    return int(runs[runs >= FLAT_RUN].sum())


def meter(power: float) -> str:
    """A bar of METER_CELLS cells for a mean square (of full scale), from -60 dB to 0, with the figure behind it."""
    level_db = min(max(10 * math.log10(max(power, 1e-12)), _METER_LEAST_DB), 0.0)
    filled = round(METER_CELLS * (1 - level_db / _METER_LEAST_DB))
    return f"{'#' * filled}{'.' * (METER_CELLS - filled)} {level_db:4.0f} dB"
