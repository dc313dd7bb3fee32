"""Importance of basic events in minimal cut sets, as reliability engineering defines it. Pure.

Events are independent. The probability of the top event is exact (Shannon's expansion).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import prod

from voicecoach.errors import InputError

Cut = frozenset[str]
Cuts = frozenset[Cut]
MAX_STEPS = 200_000


def minimal(cuts: Iterable[Iterable[str]]) -> Cuts:
    """The cut sets that contain no other."""
    kept: list[Cut] = []
    for cut in sorted({frozenset(cut) for cut in cuts}, key=len):
        if not any(other <= cut for other in kept):
            kept.append(cut)
    return frozenset(kept)


def top(cuts: Cuts, chances: Mapping[str, float]) -> float:
    """Probability that at least one of the cut sets happens.

    Raises:
        InputError: a probability is outside [0, 1], or the cut sets share too many events for an exact result.
    """
    for event, chance in chances.items():
        if not 0 <= chance <= 1:
            raise InputError(f"{event!r} has the probability {chance}", expected="a number from 0 to 1")
    return _expand(cuts, chances, {})


def groups(cuts: Cuts) -> list[Cuts]:
    """The cut sets in groups without a common event."""
    left = sorted(cuts, key=sorted)
    found: list[Cuts] = []
    while left:
        group = [left.pop()]
        events = set(group[0])
        while near := [cut for cut in left if cut & events]:
            group += near
            left = [cut for cut in left if not cut & events]
            events.update(*near)
        found.append(frozenset(group))
    return found


@dataclass(frozen=True, slots=True)
class Importance:
    """Of one event. birnbaum: probability of the top event if it is certain, less that if it is impossible.
    fussell_vesely: probability that a cut set with it has happened, divided by that of the top event.
    """

    birnbaum: float
    fussell_vesely: float


def measures(cuts: Cuts, chances: Mapping[str, float]) -> tuple[float, dict[str, Importance]]:
    """The top probability, and both importances of every event of `chances`; 0 for one in no cut set."""
    whole = top(cuts, chances)
    found = dict.fromkeys(chances, Importance(0.0, 0.0))
    parts = [(group, _expand(group, chances, {})) for group in groups(cuts)]
    for group, _ in parts:
        rest = _others(parts, group)
        for event in {event for cut in group for event in cut}:
            sure = _expand(_given(group, event, happened=True), chances, {})
            never = _expand(_given(group, event, happened=False), chances, {})
            with_it = _expand(frozenset(cut for cut in group if event in cut), chances, {})
            found[event] = Importance(rest * (sure - never), with_it / whole if whole > 0 else 0.0)
    return whole, found


def _others(parts: Iterable[tuple[Cuts, float]], group: Cuts) -> float:
    """Probability that no other group happens."""
    none = 1.0
    for other, part in parts:
        none *= 1.0 if other is group else 1 - part
    return none


def _given(cuts: Cuts, event: str, *, happened: bool) -> Cuts:
    if happened:
        return minimal(cut - {event} for cut in cuts)
    return frozenset(cut for cut in cuts if event not in cut)


def _expand(cuts: Cuts, chances: Mapping[str, float], known: dict[Cuts, float]) -> float:
    """Split into groups; in each, take the event of most cut sets as certain and as impossible."""
    none = 1.0
    for group in groups(cuts):
        if group not in known:
            if len(known) > MAX_STEPS:
                raise InputError(
                    "too many cut sets share events", expected=f"at most {MAX_STEPS:,} steps to expand them"
                )
            known[group] = _one_group(group, chances, known)
        none *= 1 - known[group]
    return 1 - none


def _one_group(cuts: Cuts, chances: Mapping[str, float], known: dict[Cuts, float]) -> float:
    if len(cuts) == 1:
        return prod(chances[event] for event in next(iter(cuts)))
    counts: dict[str, int] = {}
    for cut in cuts:
        for event in cut:
            counts[event] = counts.get(event, 0) + 1
    pivot = min(counts, key=lambda event: (-counts[event], event))
    sure = _expand(_given(cuts, pivot, happened=True), chances, known)
    never = _expand(_given(cuts, pivot, happened=False), chances, known)
    return chances[pivot] * sure + (1 - chances[pivot]) * never
