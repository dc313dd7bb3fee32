"""Statistics of a programme: how times fall with practice, and the confidence intervals of shares. Pure.

The power law of practice, time = a * attempt^b, is fitted as a straight line through the logarithms by least squares
(Newell and Rosenbloom 1981, from memory). Its band is the 95 % confidence band of the mean with Student's t; a share
has Wilson's interval (Wilson 1927, from memory). The tests compare them with statsmodels and SciPy.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from statistics import NormalDist, fmean

LEVEL = 0.95
FEWEST = 3
"""Least number of points for a line with a band."""


@dataclass(frozen=True, slots=True)
class Curve:
    """A fitted curve. a: time at the first attempt (s); b: exponent. change: relative change of the time per doubling
    of practice, with its interval. xs, line, low, high: the curve and its band at some attempts.
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
        attempts: numbers from 1. times_s: the time of each, above 0. points: how many points of the curve to compute.
    """
    if len(attempts) < FEWEST or len(set(attempts)) < 2:
        return None
    x, y = list(map(math.log, attempts)), list(map(math.log, times_s))
    n, centre, middle_y = len(x), fmean(x), fmean(y)
    spread = sum((one - centre) ** 2 for one in x)
    b = sum((one - centre) * (other - middle_y) for one, other in zip(x, y, strict=True)) / spread
    a = middle_y - b * centre
    variance = sum((other - a - b * one) ** 2 for one, other in zip(x, y, strict=True)) / (n - 2)
    t = students_t(n - 2)
    first, last = min(attempts), max(attempts)
    xs = [first + (last - first) * k / (points - 1) for k in range(points)]
    middle = [a + b * math.log(one) for one in xs]
    half = [t * math.sqrt(variance * (1 / n + (math.log(one) - centre) ** 2 / spread)) for one in xs]
    slope_half = t * math.sqrt(variance / spread)
    change, low, high = (2.0**slope - 1 for slope in (b, b - slope_half, b + slope_half))
    return Curve(
        math.exp(a),
        b,
        change,
        low,
        high,
        tuple(xs),
        tuple(math.exp(m) for m in middle),
        tuple(math.exp(m - h) for m, h in zip(middle, half, strict=True)),
        tuple(math.exp(m + h) for m, h in zip(middle, half, strict=True)),
    )


@cache
def students_t(freedom: int) -> float:
    """The half-width of the band in standard errors, for `freedom` degrees of freedom (at least 1).

    The probability of Student's t between -t and t has a closed form for whole degrees of freedom (Abramowitz and
    Stegun, 26.7.3 and 26.7.4, with t = sqrt(freedom) tan angle); it is solved by bisection.
    """
    low, high = 0.0, math.pi / 2
    for _ in range(60):
        angle = (low + high) / 2
        low, high = (low, angle) if _share_within(angle, freedom) > LEVEL else (angle, high)
    return math.sqrt(freedom) * math.tan((low + high) / 2)


def _share_within(angle: float, freedom: int) -> float:
    cosine = math.cos(angle)
    if freedom % 2:
        term, total = cosine, 0.0
        for k in range(1, freedom - 1, 2):
            total += term
            term *= cosine**2 * (k + 1) / (k + 2)
        return 2 / math.pi * (angle + math.sin(angle) * total)
    term, total = 1.0, 0.0
    for k in range(1, freedom, 2):
        total += term
        term *= cosine**2 * k / (k + 1)
    return math.sin(angle) * total


def wilson(count: int, total: int) -> tuple[float, float]:
    """The confidence interval of the share `count` of `total` at LEVEL; (0, 1) if `total` is 0."""
    if total <= 0:
        return 0.0, 1.0
    z = NormalDist().inv_cdf(0.5 + LEVEL / 2)
    share = count / total
    centre = (share + z * z / (2 * total)) / (1 + z * z / total)
    half = z / (1 + z * z / total) * (share * (1 - share) / total + z * z / (4 * total * total)) ** 0.5
    return max(0.0, centre - half), min(1.0, centre + half)
