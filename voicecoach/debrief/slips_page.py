"""What a protocol rests on and what each slip costs, as one page of a failure mode and effects analysis. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from voicecoach.checker import assumptions, detection, slip_chart, summary
from voicecoach.checker.rank import Ranking
from voicecoach.checker.rules import NOT_COVERED, RULES
from voicecoach.checker.verdict import Verdict
from voicecoach.debrief.pages.html import render, safe


def page(
    verdict: Verdict,
    rests: Sequence[assumptions.Assumption],
    ranking: Ranking,
    modes: Sequence[detection.FailureMode],
) -> str:
    """The page as self-contained HTML.

    Args:
        verdict: of the whole check. rests: what it rests on. ranking, modes: of all single slips.
    """
    protocol = verdict.protocol
    head, *rows = detection.table(modes)
    return render(
        "slips.html",
        styles=("page.css", "review.css"),
        name=protocol.name,
        version=protocol.version,
        title=protocol.title,
        rules=RULES,
        good=verdict.good,
        outcome=summary.outcome(verdict),
        rests=list(assumptions.sentences(rests)),
        picture=safe(slip_chart.svg(protocol, ranking)),
        modes=[_row(dict(zip(head, row, strict=True))) for row in rows],
        cut=ranking.cut,
        not_covered=NOT_COVERED,
    )


def _row(cells: dict[str, str]) -> dict[str, object]:
    """A row's cells by names for the template, with detection in words."""
    by, at, later = (cells[column] for column in ("noticed by", "noticed at", "steps later"))
    when = "at the step itself" if later == "0" else f"at {at}, {later} step{'' if later == '1' else 's'} later"
    row: dict[str, object] = {column.replace(" ", "_"): cell for column, cell in cells.items()}
    row["arrives"] = cells["effect"].startswith("contamination")
    row["detection"] = "nobody" if by == "nobody" else f"{by}, {when}"
    return row
