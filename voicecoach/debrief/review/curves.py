"""Statistics of a programme: how time falls with practice, and how far a share can be trusted. Pure.

The power law of practice, time = a * attempt^b, is fitted as a straight line through the logarithms by least squares
(Newell and Rosenbloom 1981, from memory). Its band is the 95 % confidence band of the mean with Student's t; a share
has Wilson's interval (Wilson 1927, from memory). The tests compare both with statsmodels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from scipy.special import stdtrit

LEVEL = 0.95
FEWEST = 3
"""Points from which a line has a band at all."""


@dataclass(frozen=True, slots=True)
class Curve:
    """A fitted curve. a: time at the first attempt (s); b: exponent. change: share that a doubling of practice changes
    the time by, with its interval. xs, line, low, high: the curve and its band at some attempts.
    """

    a: float
    b: float
    change: float
    change_low: float
    change_high: float
    xs: tuple[float, ...]
    line: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


def learning_curve(attempts: Sequence[float], times_s: Sequence[float], points: int = 24) -> Curve | None:
    """Fit the power law; None for fewer than FEWEST times, or all at one attempt.

    Args:
        attempts: numbers from 1. times_s: the time at each, all above 0. points: where the curve is given.
    """
    if len(attempts) < FEWEST or len(set(attempts)) < 2:
        return None
    x, y = np.log(np.asarray(attempts, float)), np.log(np.asarray(times_s, float))
    n, centre = len(x), x.mean()
    spread = float(((x - centre) ** 2).sum())
    b = float(((x - centre) * (y - y.mean())).sum()) / spread
    a = float(y.mean()) - b * centre
    left = y - a - b * x
    variance = float((left**2).sum()) / (n - 2)
    t = float(stdtrit(n - 2, 0.5 + LEVEL / 2))
    xs = np.linspace(min(attempts), max(attempts), points)
    middle = a + b * np.log(xs)
    half = t * np.sqrt(variance * (1 / n + (np.log(xs) - centre) ** 2 / spread))
    slope_half = t * (variance / spread) ** 0.5
    change, low, high = (float(2.0**slope - 1) for slope in (b, b - slope_half, b + slope_half))
    return Curve(
        float(np.exp(a)), b, change, low, high,
        *(tuple(map(float, values)) for values in (xs, np.exp(middle), np.exp(middle - half), np.exp(middle + half))),
    )  # fmt: skip


def wilson(count: int, total: int) -> tuple[float, float]:
    """The interval of a share `count` of `total` at LEVEL; (0, 1) when there is nothing to go by."""
    if total <= 0:
        return 0.0, 1.0
    z = NormalDist().inv_cdf(0.5 + LEVEL / 2)
    share = count / total
    centre = (share + z * z / (2 * total)) / (1 + z * z / total)
    half = z / (1 + z * z / total) * (share * (1 - share) / total + z * z / (4 * total * total)) ** 0.5
    return max(0.0, centre - half), min(1.0, centre + half)
