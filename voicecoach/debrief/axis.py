"""A time axis in bands that shortens long quiet. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

QUIET_S = 12.0
"""Quiet for longer than this (s) is shortened."""
DRAWN_QUIET_S = 5.0


class Piece(NamedTuple):
    """The part of a stretch in one band. x, width: px within the band. first, last: it begins, or ends, here."""

    band: int
    x: float
    width: float
    first: bool
    last: bool


class Break(NamedTuple):
    """Where quiet was shortened, and by how much (s)."""

    band: int
    x: float
    left_out_s: float


@dataclass(frozen=True, slots=True)
class Axis:
    """Session seconds -> band and px.

    knots: (session s, drawn s), both rising; between them the axis is straight. band_s: drawn seconds a band.
    """

    knots: tuple[tuple[float, float], ...]
    band_s: float
    px_per_s: float

    @property
    def bands(self) -> int:
        """The number of bands."""
        return max(1, -int(-self.knots[-1][1] // self.band_s))

    def drawn(self, at_s: float) -> float:
        """A time in drawn seconds."""
        before = self.knots[0]
        for knot in self.knots:
            if at_s <= knot[0]:
                span = knot[0] - before[0]
                part = (at_s - before[0]) / span if span else 1.0
                return before[1] + max(0.0, part) * (knot[1] - before[1])
            before = knot
        return before[1]

    def point(self, at_s: float) -> tuple[int, float]:
        """Band and x (px within the band) of a time."""
        drawn = self.drawn(at_s)
        band = min(int(drawn // self.band_s), self.bands - 1)
        return band, (drawn - band * self.band_s) * self.px_per_s

    def pieces(self, begin_s: float, end_s: float) -> Iterator[Piece]:
        """The parts of a stretch, one for each band."""
        begin, end = self.drawn(begin_s), self.drawn(end_s)
        first, last = self.point(begin_s)[0], self.point(end_s)[0]
        if last > first and end <= last * self.band_s:  # it ends exactly where a band ends
            last -= 1
        for band in range(first, last + 1):
            low, high = band * self.band_s, (band + 1) * self.band_s
            left, right = max(begin, low), min(end, high) if band < last else end
            if right > left or first == last:
                x, width = (left - low) * self.px_per_s, (right - left) * self.px_per_s
                yield Piece(band, x, width, band == first, band == last)

    def breaks(self) -> Iterator[Break]:
        """Where quiet was shortened."""
        for (t0, x0), (t1, x1) in zip(self.knots, self.knots[1:], strict=False):
            if t1 - t0 > x1 - x0 + 0.5:
                middle = (x0 + x1) / 2
                band = min(int(middle // self.band_s), self.bands - 1)
                yield Break(band, (middle - band * self.band_s) * self.px_per_s, t1 - t0)

    def ticks(self, every_s: float = 5.0) -> Iterator[tuple[int, float, float]]:
        """Band, x and session seconds of round times, except in shortened quiet."""
        for (t0, x0), (t1, x1) in zip(self.knots, self.knots[1:], strict=False):
            if t1 - t0 <= x1 - x0 + 0.5:
                n = -int(-t0 // every_s)
                while n * every_s < t1:
                    yield (*self.point(n * every_s), n * every_s)
                    n += 1


def axis(busy: Iterable[tuple[float, float]], *, width_px: float, px_per_s: float) -> Axis:
    """An axis over the stretches (begin s, end s) in which something happens; it begins at 0."""
    knots = [(0.0, 0.0)]
    seen = drawn = 0.0
    for begin, end in sorted(busy):
        quiet = begin - seen
        if quiet > QUIET_S:
            knots += [(seen + 1, drawn + 1), (begin - 1, drawn + DRAWN_QUIET_S - 1)]
            drawn += DRAWN_QUIET_S
            seen = begin
            knots.append((seen, drawn))
        if end > seen:
            drawn += end - seen
            seen = end
            knots.append((seen, drawn))
    knots.append((seen + 2, drawn + 2))
    return Axis(tuple(knots), width_px / px_per_s, px_per_s)
