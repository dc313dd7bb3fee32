"""Severity, likelihood and detection of every single slip, as in failure mode and effects analysis.

The columns follow IEC 60812: failure mode, effect, severity, likelihood, detection. The scales are this checker's own:
severity is that of `weights`, likelihood that of rank.SLIP, and detection names who could notice, where, and how many
steps later, instead of a number that would look more certain than it is. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from voicecoach.checker.counterexample import surface
from voicecoach.checker.rank import SLIP, Ranked, Ranking, weight
from voicecoach.checker.slips import SlipPaths
from voicecoach.protocol.model import Protocol, Step

COLUMNS = (
    "rank", "step", "slip", "effect", "severity", "likelihood", "likelihood low", "likelihood high", "noticed by",
    "noticed at", "steps later", "criticality",
)  # fmt: skip
SLIPS = {
    "omitted": "step left out",
    "swapped": "swapped with the next step",
    "grip": "held at the wrong place",
    "short": "time cut short",
    "face": "hand goes to the face",
    "missed": "soil or damage not seen",
    "role": "done by the wearer instead of the helper",
}
"""What each kind of slip is called in the table."""


@dataclass(frozen=True, slots=True)
class FailureMode:
    """One row: a slip, its effect, and who could notice it before that.

    severity, likelihood: 0 to 1. noticed_by: 'wearer', 'observer', 'assistant', 'a later rub', or '' for nobody;
    noticed_at: the first step at which that is possible; later: steps after the slip.
    """

    rank: int
    step: str
    slip: str
    effect: str
    severity: float
    likelihood: float
    noticed_by: str
    noticed_at: str
    later: int
    criticality: float


def modes_of(protocol: Protocol, ranking: Ranking, paths: SlipPaths | None = None) -> tuple[FailureMode, ...]:
    """A row for every single slip, in the ranking's order."""
    paths = paths or SlipPaths(protocol)
    return tuple(_mode(paths, slip) for slip in ranking.slips)


def table(modes: Sequence[FailureMode]) -> list[tuple[str, ...]]:
    """The rows as texts, for a spreadsheet or a page; the first are COLUMNS."""
    rows: list[tuple[str, ...]] = [COLUMNS]
    for mode in modes:
        chance = SLIP[next(kind for kind, words in SLIPS.items() if words == mode.slip)]
        rows.append(
            (
                str(mode.rank), mode.step, mode.slip, mode.effect, f"{mode.severity:g}", f"{chance.value:g}",
                f"{chance.low:g}", f"{chance.high:g}", mode.noticed_by or "nobody", mode.noticed_at,
                str(mode.later) if mode.noticed_by else "", f"{mode.criticality:.3g}",
            )
        )  # fmt: skip
    return rows


def _mode(paths: SlipPaths, slip: Ranked) -> FailureMode:
    outcome = slip.outcome
    if outcome.arrives:
        where = " and ".join(surface(paths.protocol, site) for site in outcome.sites)
        effect = (
            f"contamination reaches {where} {'at the end' if outcome.arrival == 'end' else f'in {outcome.arrival}'}"
        )
    else:
        effect = "a barrier is lost" if outcome.found else "none found"
    by, at, later = _noticed(paths, slip)
    return FailureMode(
        slip.rank, slip.event.step, SLIPS[slip.event.kind], effect, weight(outcome), slip.chance, by, at, later,
        slip.criticality,
    )  # fmt: skip


def _noticed(paths: SlipPaths, slip: Ranked) -> tuple[str, str, int]:
    """Who could notice first, where, and how many steps later: at the step itself, or between it and the arrival."""
    place = slip.event.place
    own = paths.steps[place][1]
    if own.observer and slip.event.kind != "omitted":
        return "observer", own.name, 0
    arrival = paths.place.get(slip.outcome.arrival, len(paths.steps)) if slip.outcome.arrives else len(paths.steps)
    for later, (_, step) in enumerate(paths.steps[place + 1 : arrival], start=1):
        if by := _notices(step):
            return by, step.name, later
    return "", "", 0


def _notices(step: Step) -> str:
    """Who looks at what was done before, in this step; '' if nobody does."""
    if step.observer or (step.role == "observer" and (step.acts or step.asks_for)):
        return "observer"
    looks = any(act.kind in {"inspect", "verify"} for act in step.acts)
    return step.role if looks else ""
