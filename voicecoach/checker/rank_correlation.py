"""How far two orders of the same things agree. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence


def correlation(one: Mapping[str, float], other: Mapping[str, float]) -> float:
    """Spearman's rank correlation over the keys of both; ties share their mean rank."""
    keys = sorted(set(one) & set(other))
    a, b = _mean_ranks([one[key] for key in keys]), _mean_ranks([other[key] for key in keys])
    mean = (len(keys) + 1) / 2
    top = sum((x - mean) * (y - mean) for x, y in zip(a, b, strict=True))
    spread = (sum((x - mean) ** 2 for x in a) * sum((y - mean) ** 2 for y in b)) ** 0.5
    return top / spread if spread else 1.0


def _mean_ranks(values: Sequence[float]) -> list[float]:
    order = sorted(range(len(values)), key=lambda n: values[n])
    ranks = [0.0] * len(values)
    start = 0
    while start < len(order):
        end = start
        while end + 1 < len(order) and values[order[end + 1]] == values[order[start]]:
            end += 1
        for n in range(start, end + 1):
            ranks[order[n]] = (start + end) / 2 + 1
        start = end + 1
    return ranks
