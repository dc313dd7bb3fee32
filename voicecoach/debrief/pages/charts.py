"""Small charts as SVG, readable without colour: bars with their numbers, points with a line and its band. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from voicecoach.debrief.pages.html import clean

BAR_W, BAR_H, GAP = 46, 110, 10
CURVE_W, CURVE_H, LEFT, BOTTOM, TOP = 300, 150, 40, 24, 10


def bars(values: Sequence[tuple[str, float]], what: str) -> str:
    """A bar for each (label, value), with its number above. what: the chart in words."""
    most = max((value for _, value in values), default=0) or 1
    width = max(1, len(values)) * (BAR_W + GAP) + GAP
    parts = [_begin(width, BAR_H + 44, what)]
    for n, (label, value) in enumerate(values):
        x, height = GAP + n * (BAR_W + GAP), BAR_H * value / most
        y = 20 + BAR_H - height
        parts.append(f'<rect class="bar" x="{x}" y="{y:.1f}" width="{BAR_W}" height="{max(height, 1):.1f}"/>')
        parts.append(f'<text x="{x + BAR_W / 2}" y="{y - 5:.1f}" text-anchor="middle">{value:g}</text>')
        parts.append(f'<text x="{x + BAR_W / 2}" y="{BAR_H + 36}" text-anchor="middle">{_text(label)}</text>')
    return "".join([*parts, "</svg>"])


def curve(
    points: Sequence[tuple[float, float]],
    line: Sequence[tuple[float, float, float, float]],
    what: str,
    unit: str,
) -> str:
    """Points (x, y), and a line with its band as (x, y, low, high); the band is pale with dashed edges."""
    xs = [x for x, _ in points] or [0.0]
    ys = [y for _, y in points] + [high for *_, high in line if high < 4 * max((y for _, y in points), default=1.0)]
    top, right = max(ys, default=1.0) * 1.08 or 1.0, max(xs) if max(xs) > 1 else 2.0

    def at(x: float, y: float) -> tuple[float, float]:
        return (
            LEFT + (x - 1) / (right - 1) * (CURVE_W - LEFT - 12),
            TOP + (1 - min(max(y, 0.0), top) / top) * (CURVE_H - TOP - BOTTOM),
        )

    parts = [_begin(CURVE_W, CURVE_H, what)]
    for share in (0.0, 0.5, 1.0):
        value = share * top / 1.08
        x, y = at(1, value)
        parts.append(f'<line class="rule" x1="{x:.1f}" x2="{CURVE_W - 12}" y1="{y:.1f}" y2="{y:.1f}"/>')
        parts.append(f'<text x="{x - 6:.1f}" y="{y + 4:.1f}" text-anchor="end">{value:.{0 if top > 5 else 1}f}</text>')
    if line:
        high = [at(x, h) for x, _, _, h in line]
        low = [at(x, lo) for x, _, lo, _ in line]
        parts.append(f'<polygon class="band" points="{_points([*high, *reversed(low)])}"/>')
        parts += [f'<polyline class="edge" points="{_points(edge)}"/>' for edge in (high, low)]
        parts.append(f'<polyline class="line" points="{_points([at(x, y) for x, y, _, _ in line])}"/>')
    for x, y in points:
        px, py = at(x, y)
        parts.append(f'<circle class="point" cx="{px:.1f}" cy="{py:.1f}" r="3"/>')
    for x in sorted({1.0, max(xs)}):
        px, _ = at(x, 0)
        parts.append(f'<text x="{px:.1f}" y="{CURVE_H - 8}" text-anchor="middle">{x:.0f}</text>')
    axes = f"attempt (upwards: {_text(unit)})"
    parts.append(f'<text x="{CURVE_W / 2}" y="{CURVE_H - 8}" text-anchor="middle">{axes}</text>')
    return "".join([*parts, "</svg>"])


def _begin(width: float, height: float, what: str) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="chart" width="{width:g}" height="{height:g}" '
        f'viewBox="0 0 {width:g} {height:g}" role="img" aria-label="{_text(what)}">'
    )


def _points(points: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)


def _text(text: str) -> str:
    return escape(clean(text))
