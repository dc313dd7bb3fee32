"""Which steps matter most: probabilities of slips, their effects, and how reliable the ranking is. Pure.

The probabilities are judgements with wide ranges. Only the order that they give is used, and `spread` shows how stable
it is.
"""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from voicecoach.checker import importance
from voicecoach.checker.rank_correlation import correlation
from voicecoach.checker.slips import ARRIVALS, Outcome, SlipEvent, SlipPaths, pairs, single
from voicecoach.checker.weights import LOST_BARRIER
from voicecoach.errors import InputError
from voicecoach.protocol.model import Protocol, Step


@dataclass(frozen=True, slots=True)
class Probability:
    """A probability with the range it may lie in, and where it comes from."""

    value: float
    low: float
    high: float
    basis: str

    def __post_init__(self) -> None:
        if not 0 <= self.low <= self.value <= self.high <= 1:
            shown = f"{self.low}, {self.value}, {self.high}"
            raise InputError(f"{shown} is not a range of probabilities", expected="0 to 1")


# of one step going wrong in this way, once
SLIP: dict[str, Probability] = {
    "omitted": Probability(0.01, 0.001, 0.05, "judgement: a read list leaves few steps out"),
    "swapped": Probability(0.005, 0.0005, 0.03, "judgement"),
    "grip": Probability(0.10, 0.02, 0.40, "judgement; improper technique in 39.5 % of removals, Tomas 2015, read"),
    "short": Probability(0.10, 0.02, 0.40, "judgement; hygiene or glove errors in 67 % of workers, Kwon 2017, read"),
    "face": Probability(0.01, 0.001, 0.05, "judgement"),
    "role": Probability(0.02, 0.002, 0.10, "judgement: the wearer does what is the helper's to do"),
    "missed": Probability(0.05, 0.01, 0.30, "judgement: soil is there and is not seen"),
}
# of a contact carrying something, by the state of the carrier
TRANSFER: dict[str, Probability] = {
    "dirty": Probability(0.30, 0.05, 0.80, "judgement; removal contaminates in 46 %, Tomas 2015, read"),
    "treated": Probability(0.02, 0.002, 0.10, "judgement: what a full disinfection leaves"),
    "bare": Probability(0.50, 0.10, 0.90, "judgement: uncovered for the whole of work"),
}


@dataclass(frozen=True, slots=True)
class Ranked:
    """One slip in the ranking. criticality: probability times weight, with pairs counted in full. spread: the bounds of
    nine in ten ranks (1 is first) when all probabilities are drawn from their ranges.
    """

    event: SlipEvent
    step_kind: str
    outcome: Outcome
    chance: float
    criticality: float
    birnbaum: float
    fussell_vesely: float
    rank: int
    spread: tuple[int, int]


@dataclass(frozen=True, slots=True)
class Ranking:
    """All slips by criticality, the pairs that matter, and the probability that anything arrives at all.

    steadiness: how well the order of the kinds of step agrees over the draws (mean rank correlation; 1 is always the
    same order). cut: not all pairs were tried.
    """

    slips: tuple[Ranked, ...]
    pairs: tuple[Outcome, ...]
    top: float
    steadiness: float
    draws: int
    cut: bool = False


def step_kind(step: Step, protocol: Protocol) -> str:
    """The class of a step as the studies have it: hand hygiene, gloves, garment, boot covers, hood ..."""
    says = {item.name: item.say for item in protocol.items}
    kinds = {
        "gloves": "gloves", "gown": "garment", "coverall": "garment", "apron": "garment", "boots": "boot covers",
        "mask": "face", "shield": "face", "goggles": "face", "hood": "hood", "helmet": "hood", "hose": "hood",
        "belt": "hood",
    }  # fmt: skip
    for act in step.acts:
        if act.kind in {"doff", "don", "change"}:
            return kinds.get(says.get(act.target, ""), "other")
    if step.rubs:
        return "hand hygiene"
    acts = {act.kind for act in step.acts}
    if "wipe" in acts:
        return "shoes"
    return "looking" if acts & {"inspect", "verify"} else "other"


def rank(protocol: Protocol, draws: int = 100, paths: SlipPaths | None = None) -> Ranking:
    """Rank every single slip, with the pairs that it is part of."""
    paths = paths or SlipPaths(protocol)
    alone, together = single(protocol, paths), pairs(protocol, paths)
    chances = {outcome.events[0].name: SLIP[outcome.events[0].kind].value for outcome in alone}
    carried = {kind: chance.value for kind, chance in TRANSFER.items()}
    score = _scores(alone, together, chances, carried)
    place = {outcome.events[0].name: n for n, outcome in enumerate(alone)}  # equal ones in the order of the list
    order = sorted(score, key=lambda name: (-score[name], place[name]))
    kinds = {o.events[0].name: step_kind(paths.steps[o.events[0].place][1], protocol) for o in alone}
    ranks, steadiness = _draw(alone, together, kinds, draws)
    whole, measured = importance.measures(*_cuts(alone, together, chances, carried))
    by_name = {outcome.events[0].name: outcome for outcome in alone}
    ranked = []
    for number, name in enumerate(order, 1):
        outcome = by_name[name]
        seen = sorted(ranks[name]) or [number]
        ranked.append(
            Ranked(
                event=outcome.events[0],
                step_kind=kinds[name],
                outcome=outcome,
                chance=chances[name],
                criticality=score[name],
                birnbaum=measured[name].birnbaum,
                fussell_vesely=measured[name].fussell_vesely,
                rank=number,
                spread=(seen[len(seen) // 20], seen[-1 - len(seen) // 20]),
            )
        )
    return Ranking(tuple(ranked), tuple(together), whole, steadiness, draws, paths.cut)


def by_kind(ranking: Ranking) -> list[tuple[str, float]]:
    """Criticality summed by class of step, greatest first."""
    kinds = {slip.event.name: slip.step_kind for slip in ranking.slips}
    sums = _sums({slip.event.name: slip.criticality for slip in ranking.slips}, kinds)
    return sorted(sums.items(), key=lambda pair: (-pair[1], pair[0]))


def carrier_state(outcome: Outcome) -> str:
    """The state of what arrives, as TRANSFER has it: the worst of the arrivals."""
    rules = {one.rule for one in outcome.found if one.rule in ARRIVALS}
    if "bare-at-entry" in rules:
        return "bare"
    return "treated" if rules == {"treated-at-face"} else "dirty"


def weight(outcome: Outcome) -> float:
    """The weight of the worst place at which contamination arrives; 0 if no barrier is lost either."""
    if outcome.arrives:
        return outcome.worst
    return LOST_BARRIER if outcome.found else 0.0


def _scores(
    alone: Sequence[Outcome], together: Sequence[Outcome], chances: Mapping[str, float], carried: Mapping[str, float]
) -> dict[str, float]:
    score = {}
    for outcome in alone:
        name = outcome.events[0].name
        passed = carried[carrier_state(outcome)] if outcome.arrives else 1.0
        score[name] = chances[name] * passed * weight(outcome)
    for outcome in together:
        first, second = (event.name for event in outcome.events)
        risk = chances[first] * chances[second] * carried[carrier_state(outcome)] * weight(outcome)
        score[first] += risk
        score[second] += risk
    return score


def _cuts(
    alone: Sequence[Outcome], together: Sequence[Outcome], chances: Mapping[str, float], carried: Mapping[str, float]
) -> tuple[importance.Cuts, dict[str, float]]:
    """Cut sets of 'contamination arrives': the slips and, as an event of its own, the transfer."""
    every = dict(chances)
    sets = []
    for outcome in (*alone, *together):
        if outcome.arrives:
            transfer = "carried: " + " and ".join(event.name for event in outcome.events)
            every[transfer] = carried[carrier_state(outcome)]
            sets.append(frozenset({*(event.name for event in outcome.events), transfer}))
    return importance.minimal(sets), every


def _draw(
    alone: Sequence[Outcome], together: Sequence[Outcome], kinds: Mapping[str, str], draws: int
) -> tuple[dict[str, list[int]], float]:
    """Every slip's ranks over draws from the ranges (log-uniform, one draw a kind), and the mean rank correlation."""
    rng = random.Random(1)  # noqa: S311
    ranks: dict[str, list[int]] = {outcome.events[0].name: [] for outcome in alone}
    place = {name: n for n, name in enumerate(ranks)}

    def scores(slip: Mapping[str, float], carried: Mapping[str, float]) -> dict[str, float]:
        chances = {outcome.events[0].name: slip[outcome.events[0].kind] for outcome in alone}
        return _scores(alone, together, chances, carried)

    middle = scores({k: c.value for k, c in SLIP.items()}, {k: c.value for k, c in TRANSFER.items()})
    usual, agree = _sums(middle, kinds), []
    for _ in range(draws):
        drawn = scores(
            {kind: _between(rng, chance) for kind, chance in SLIP.items()},
            {kind: _between(rng, chance) for kind, chance in TRANSFER.items()},
        )
        for number, name in enumerate(sorted(drawn, key=lambda name: (-drawn[name], place[name])), 1):
            ranks[name].append(number)
        agree.append(correlation(usual, _sums(drawn, kinds)))
    return ranks, sum(agree) / len(agree) if agree else 1.0


def _between(rng: random.Random, chance: Probability) -> float:
    return float(chance.low * (chance.high / chance.low) ** rng.random())


def _sums(score: Mapping[str, float], kinds: Mapping[str, str]) -> dict[str, float]:
    sums: dict[str, float] = {}
    for name, value in score.items():
        sums[kinds[name]] = sums.get(kinds[name], 0.0) + value
    return sums
