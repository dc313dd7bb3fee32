"""The page of a review: the tables in a trainer's words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from itertools import groupby
from typing import Any

from voicecoach.checker.rank_correlation import correlation
from voicecoach.debrief.incidents import KINDS
from voicecoach.debrief.pages import charts
from voicecoach.debrief.pages.html import render, safe
from voicecoach.debrief.pages.phrases import CAUTIONS, length
from voicecoach.debrief.review.curves import FEWEST, learning_curve, wilson
from voicecoach.debrief.review.store import Store

MOST_ROWS, MOST_OWED, MOST_CURVES, MOST_MONTHS, MOST_TABLES = 12, 20, 24, 24, 4
HEAVIEST = 5
FEWEST_READINGS = 5
SOON_DAYS = 30


@dataclass(frozen=True, slots=True)
class Review:
    """The contents of the page. Tables are lists of mappings with the names used in review.html."""

    sessions: int
    first: str
    last: str
    wearers: int
    ended: int
    owed: list[dict[str, Any]]
    owed_more: int
    incidents: list[dict[str, Any]]
    left_out: list[dict[str, Any]]
    refreshers: list[dict[str, Any]] = field(default_factory=list)
    months: str = ""
    curves: list[dict[str, Any]] = field(default_factory=list)
    twice: list[dict[str, Any]] = field(default_factory=list)
    deviations: list[dict[str, Any]] = field(default_factory=list)
    rubs: list[dict[str, Any]] = field(default_factory=list)
    unheard: list[dict[str, Any]] = field(default_factory=list)
    step_times: list[dict[str, Any]] = field(default_factory=list)

    @property
    def due(self) -> str:
        """Who is due for a refresher, in a sentence."""
        overdue = [one["wearer"] for one in self.refreshers if one["overdue"]]
        soon = [one["wearer"] for one in self.refreshers if one["say"] and not one["overdue"]]
        return f"Overdue: {', '.join(overdue) or 'nobody'}. Within {SOON_DAYS} days: {', '.join(soon) or 'nobody'}."


def review(store: Store, today: date, refresher_days: int = 0) -> Review:
    """Query the tables.

    Args:
        store: the sessions to review. today: for due dates. refresher_days: overrides the site's own interval.
    """
    (head,) = store.rows(
        "SELECT count(*) AS sessions, min(begun) AS first, max(begun) AS last, "
        "count(DISTINCT nullif(wearer, '')) AS wearers, count(*) FILTER (ended) AS ended FROM sessions"
    )
    owed = store.rows("SELECT * FROM owed ORDER BY begun DESC NULLS LAST, at_s DESC")
    months = store.rows("SELECT month, sessions FROM months ORDER BY month DESC LIMIT ?", [MOST_MONTHS])[::-1]
    monthly = [(row["month"], row["sessions"]) for row in months]
    curves = _curves(store)
    return Review(
        sessions=head["sessions"],
        first=_day(head["first"]),
        last=_day(head["last"]),
        wearers=head["wearers"],
        ended=head["ended"],
        owed=[{**row, "when": _day(row["begun"]), "folder": row["path"]} for row in owed[:MOST_OWED]],
        owed_more=max(0, len(owed) - MOST_OWED),
        incidents=_incidents(store, head["sessions"]),
        left_out=store.rows("SELECT path, reason, session FROM folders WHERE reason <> '' ORDER BY path"),
        refreshers=_refreshers(store, today, refresher_days),
        months=safe(charts.bars(monthly, "Sessions: " + ", ".join(f"{month} {count}" for month, count in monthly))),
        curves=[one for one in curves if one["times"] >= FEWEST][:MOST_CURVES],
        twice=[one for one in curves if one["times"] < FEWEST],
        deviations=list(_deviations(store)),
        rubs=_rubs(store),
        unheard=[
            {**row, "share": share(row["unheard"], row["said"])}
            for row in store.rows("SELECT * FROM unheard ORDER BY kind, unheard / said DESC, value")
        ],
        step_times=_step_times(store),
    )


def html(found: Review, *, incidents_only: bool = False) -> str:
    """The page."""
    return render(
        "review.html", styles=("page.css", "review.css"), r=found, incidents_only=incidents_only, cautions=CAUTIONS
    )


def share(count: int, total: int) -> str:
    """A percentage with its interval: '12 (8 to 19)'."""
    low, high = wilson(count, total)
    return f"{100 * count / total if total else 0:.0f} ({100 * low:.0f} to {100 * high:.0f})"


def _incidents(store: Store, sessions: int) -> list[dict[str, Any]]:
    rows = store.rows(
        "SELECT kind, count(*) AS times, count(*) FILTER (false_alarm) AS false FROM incidents GROUP BY kind "
        "ORDER BY times DESC, kind"
    )
    return [
        {**row, "name": KINDS.get(row["kind"], row["kind"]), "rate": 100 * row["times"] / max(1, sessions)}
        for row in rows
    ]


def _refreshers(store: Store, today: date, interval_days: int) -> list[dict[str, Any]]:
    found = []
    for row in store.rows("SELECT * FROM last_sessions ORDER BY last, wearer"):
        days = interval_days or row["refresher_days"] or 0
        if not days:
            continue
        due = row["last"].date() + timedelta(days=days)
        left = (due - today).days
        say = f"{-left} days overdue" if left < 0 else f"in {left} days" if left <= SOON_DAYS else ""
        found.append(
            {"wearer": row["wearer"], "last": _day(row["last"]), "due": str(due), "overdue": left < 0, "say": say}
        )
    return sorted(found, key=lambda one: (one["due"], one["wearer"]))


def _curves(store: Store) -> list[dict[str, Any]]:
    rows = store.rows(
        "SELECT wearer, protocol, attempt, undress_s FROM attempts WHERE undress_s > 0 "
        "ORDER BY wearer, protocol, attempt"
    )
    made = []
    for (wearer, protocol), group in groupby(rows, key=lambda row: (row["wearer"], row["protocol"])):
        points = [(float(row["attempt"]), float(row["undress_s"])) for row in group]
        if len(points) > 1:
            made.append(_curve(wearer, protocol, points))
    return sorted(made, key=lambda one: (-one["times"], one["wearer"]))


def _curve(wearer: str, protocol: str, points: Sequence[tuple[float, float]]) -> dict[str, Any]:
    fitted = learning_curve([x for x, _ in points], [y for _, y in points])
    say = f"first {length(points[0][1])}, last {length(points[-1][1])}"
    say += f", {len(points)} times" if len(points) >= FEWEST else ""
    line: list[tuple[float, float, float, float]] = []
    if fitted is not None:
        line = [
            (x, y / 60, low / 60, high / 60)
            for x, y, low, high in zip(fitted.xs, fitted.line, fitted.low, fitted.high, strict=True)
        ]
        change, low, high = (100 * value for value in (fitted.change, fitted.change_low, fitted.change_high))
        say += f"; each doubling of practice: {_signed(change)} % ({_signed(low)} to {_signed(high)})"
    minutes = [(x, y / 60) for x, y in points]
    chart = charts.curve(minutes, line, f"Doffing time of {wearer}: {say}", "minutes")
    return {"wearer": wearer, "protocol": protocol, "say": say, "chart": safe(chart), "times": len(points)}


def _signed(value: float) -> str:
    return f"{value:+.0f}" if round(value) else "0"


def _deviations(store: Store) -> Iterator[dict[str, Any]]:
    rows = store.rows("SELECT * FROM deviations ORDER BY protocol, step")
    groups = [(protocol, list(group)) for protocol, group in groupby(rows, key=lambda row: row["protocol"])]
    groups.sort(key=lambda pair: -sum(row["readings"] for row in pair[1]))
    for protocol, group in groups[:MOST_TABLES]:
        steps = [row for row in group if row["readings"] >= FEWEST_READINGS]
        if not steps:
            continue
        often = {row["step"]: row["wrong"] / row["readings"] for row in steps}
        heavy = {row["step"]: row["weight"] for row in steps}
        by_often, by_weight = _places(often), _places(heavy)
        shown = sorted(steps, key=lambda row: (by_often[row["step"]], by_weight[row["step"]]))[:MOST_ROWS]
        top = {step for step, place in by_weight.items() if place <= HEAVIEST}
        both = sum(by_often[step] <= HEAVIEST for step in top)
        say = (
            f"Of the {len(top)} steps at which a slip can do most, {both} are among the {HEAVIEST} at which most goes "
            f"wrong (rank correlation over all {len(steps)} steps {correlation(often, heavy):+.2f})."
        )
        yield {
            "protocol": protocol,
            "say": say,
            "rows": [
                {
                    **row,
                    "share": share(row["wrong"], row["readings"]),
                    "place": by_often[row["step"]],
                    "weight_place": by_weight[row["step"]],
                }
                for row in shown
            ],
        }


def _places(values: Mapping[str, float]) -> dict[str, int]:
    """1 for the highest; equal values share the better place."""
    ordered = sorted(values.values(), reverse=True)
    return {name: ordered.index(value) + 1 for name, value in values.items()}


def _rubs(store: Store) -> list[dict[str, Any]]:
    rows = store.rows(
        "SELECT say, sum(rubs)::BIGINT AS rubs, sum(cut_short)::BIGINT AS cut FROM rubs_cut GROUP BY say "
        "HAVING sum(cut_short) > 0 ORDER BY cut DESC, say LIMIT ?",
        [MOST_ROWS],
    )
    return [{**row, "share": share(row["cut"], row["rubs"])} for row in rows]


def _step_times(store: Store) -> list[dict[str, Any]]:
    rows = store.rows("SELECT protocol, step, say, attempt, median_s, place FROM step_times ORDER BY protocol, place")
    tables = []
    for protocol, group in groupby(rows, key=lambda row: row["protocol"]):
        steps: dict[str, dict[str, Any]] = {}
        for row in group:
            step = steps.setdefault(row["step"], {"say": row["say"], "medians": [None] * 4})
            step["medians"][row["attempt"] - 1] = row["median_s"]
        tables.append({"protocol": protocol, "rows": list(steps.values())})
    return tables


def _day(moment: datetime | None) -> str:
    return f"{moment:%Y-%m-%d}" if moment is not None else "an unknown day"
