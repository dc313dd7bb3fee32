"""The ranking of slips as text and as plain values. Pure."""

from __future__ import annotations

from typing import Any

from voicecoach.checker.rank import SLIP, TRANSFER, Ranking, by_kind


def text(ranking: Ranking, most: int = 15) -> str:
    """The first `most` slips as a table, the kinds of step, and how stable the ranking is."""
    arriving = sum(slip.outcome.arrives for slip in ranking.slips)
    pairs = f"{len(ranking.pairs)} pairs arrive that neither slip does alone" + (
        " (not all were tried)" if ranking.cut else ""
    )
    lines = ["CUT SHORT: not all pairs were tried; ranks may change"] if ranking.cut else []
    lines += [
        f"{len(ranking.slips)} single slips, {arriving} of them arrive at the wearer; {pairs}",
        "",
        f"{'rank':>4} {'nine in ten':>11}  {'criticality':>11} {'Birnbaum':>8} {'F-V':>6}  slip",
    ]
    for slip in ranking.slips[:most]:
        outcome = slip.outcome
        where = f" -> {', '.join(outcome.sites)} at {outcome.arrival}" if outcome.arrives else " -> a barrier lost"
        caught = f"; could be caught at {outcome.catch}, {outcome.catch_later} steps later" if outcome.catch else ""
        low, high = slip.spread
        lines.append(
            f"{slip.rank:>4} {f'{low}-{high}':>11}  {slip.criticality:>11.5f} {slip.birnbaum:>8.3f}"
            f" {slip.fussell_vesely:>6.3f}  {slip.event.name}{where}{caught}"
        )
    lines += ["", "by kind of step: " + ", ".join(f"{kind} {value:.4f}" for kind, value in by_kind(ranking))]
    lines.append(
        f"chance that anything arrives, as stated: {ranking.top:.3f}; over {ranking.draws} draws from the stated ranges"
        f" the order of the kinds agrees with this one by {ranking.steadiness:.2f} (mean rank correlation)"
    )
    lines += [f"chance of {kind}: {c.value} ({c.low} to {c.high}; {c.basis})" for kind, c in SLIP.items()]
    lines += [f"carried when {kind}: {c.value} ({c.low} to {c.high}; {c.basis})" for kind, c in TRANSFER.items()]
    return "\n".join(lines)


def as_json(ranking: Ranking) -> dict[str, Any]:
    """The whole ranking as plain values for json.dumps."""
    return {
        "top": ranking.top,
        "steadiness": ranking.steadiness,
        "draws": ranking.draws,
        "cut_short": ranking.cut,
        "by_kind": dict(by_kind(ranking)),
        "slips": [
            {
                "slip": slip.event.name,
                "step": slip.event.step,
                "kind": slip.event.kind,
                "step_kind": slip.step_kind,
                "rank": slip.rank,
                "spread": list(slip.spread),
                "criticality": slip.criticality,
                "birnbaum": slip.birnbaum,
                "fussell_vesely": slip.fussell_vesely,
                "arrives_at": list(slip.outcome.sites),
                "arrives_in": slip.outcome.arrival,
                "steps_later": slip.outcome.later,
                "catch": slip.outcome.catch,
                "catch_steps_later": slip.outcome.catch_later,
                "breaks": sorted({one.rule for one in slip.outcome.found}),
            }
            for slip in ranking.slips
        ],
        "pairs": [
            {
                "slips": [event.name for event in outcome.events],
                "arrives_at": list(outcome.sites),
                "arrives_in": outcome.arrival,
            }
            for outcome in ranking.pairs
        ],
    }
