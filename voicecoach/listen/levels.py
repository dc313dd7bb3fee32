"""How loud a microphone is, and what is wrong with its sound: silent, too quiet, too loud, clipped, too noisy.

Pure; figures are those of one channel before any processing.
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
"""A working microphone never stays below this (of full scale; -80 dB), because its own noise is louder."""
SILENT_S = 30.0
"""If nothing has exceeded SILENT_PEAK for this long since the start (s), the microphone is switched off or the wrong
one. Once there has been a sound this no longer applies, since some headsets send nothing at all between words."""

QUIET_DB = -48.0
"""An utterance below this (dB of full scale) cannot be raised to the level that the engines need: they amplify
twentyfold at most, to -22 dB. At a quarter of that level 5 of 100 commands were lost."""

FULL = 0.985
"""A sample this large (of full scale) counts as full scale."""
LOUD_SHARE = 0.002
"""An utterance with this fraction of its samples at full scale is too loud; common practice, no source."""
FLAT_RUN = 6
"""This many equal samples in a row at an utterance's own peak mean that it was clipped before it got here. A pure tone
of 250 Hz in 16 bits has 3 at its top."""
FLAT_SHARE = 0.004
"""An utterance with this fraction of its samples in such runs is clipped."""

NOISY_DB = 7.0
"""An utterance is too noisy if voice and noise together are less than this above the noise alone; the voice is then at
most 6 dB above it. At 5 dB behind a mask the phonemes recognised 4 of 10 of a person's words."""

OF, ENOUGH = 3, 2
"""Two of the last three utterances must have the trouble; a single one may have been a cough or a knock."""
AGAIN_S = 60.0
"""The same trouble is reported again after this long (s); the session says it only once."""

_KEEP_S = 6.0
_SHORTEST_S = 0.15
_METER_LEAST_DB = -60.0
METER_CELLS = 20


class LevelWatch:
    """Watches the levels of one channel; it keeps the figures of a few seconds and no sound."""

    def __init__(self) -> None:
        self._figures: deque[tuple[int, int, float, int, int]] = deque()
        """For each piece: begin, end, energy, samples at full scale, samples in flat tops."""
        self._since: int | None = None
        self._sounded = False
        self._recent: deque[frozenset[Trouble]] = deque(maxlen=OF)
        self._reported: dict[Trouble, int] = {}

    def feed(self, at: int, samples: Samples) -> list[Trouble]:
        """Take samples, shape (frames,), that begin at `at`; returns 'silent' if there has been no sound at all."""
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
        """Judge the utterance between two samples with those before it; a trouble is returned once in a while."""
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
        return [one for what in often for one in self._report(now, what)]

    def _report(self, now: int, what: Trouble) -> list[Trouble]:
        if now - self._reported.get(what, -round(AGAIN_S * RATE_HZ)) < AGAIN_S * RATE_HZ:
            return []
        self._reported[what] = now
        return [what]


def flat(samples: Samples) -> int:
    """How many samples are in runs of FLAT_RUN or more equal ones at the sound's own peak."""
    if len(samples) < FLAT_RUN:
        return 0
    size = np.abs(samples)
    peak = float(size.max())
    if peak < 0.02:  # runs of equal values are normal in the quietest sounds
        return 0
    top = np.concatenate(([False], size >= peak * 0.999, [False]))
    edges = np.flatnonzero(top[1:] != top[:-1])
    runs = edges[1::2] - edges[::2]
    return int(runs[runs >= FLAT_RUN].sum())


def meter(power: float) -> str:
    """A bar of METER_CELLS cells for a mean square (of full scale), from -60 dB to 0, followed by the figure."""
    level_db = min(max(10 * math.log10(max(power, 1e-12)), _METER_LEAST_DB), 0.0)
    filled = round(METER_CELLS * (1 - level_db / _METER_LEAST_DB))
    return f"{'#' * filled}{'.' * (METER_CELLS - filled)} {level_db:4.0f} dB"
