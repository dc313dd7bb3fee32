"""Draws how much is right for how much is wrong, as the floor moves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import starmap

WIDTH, HEIGHT, EDGE = 640, 420, 60
MOST_WRONG = 0.05
COLOURS = ("#0b6e4f", "#b03a2e", "#1f4e9e", "#7d5ba6")

Point = tuple[float, bool, bool]
"""By how much the floor was met; whether the best command was meant; whether any was."""


def curve(points: Sequence[Point]) -> list[tuple[float, float]]:
    """(wrong, right) as shares of all utterances and of those that meant a command, the highest floor first."""
    said = max(sum(meant for _, _, meant in points), 1)
    found, right, wrong = [], 0, 0
    for _, good, _ in sorted(points, key=lambda point: -point[0]):
        right, wrong = right + good, wrong + (not good)
        found.append((wrong / max(len(points), 1), right / said))
    return found


def draw(curves: Mapping[str, Sequence[Point]]) -> str:
    """An SVG picture of one curve an engine."""

    def place(wrong: float, right: float) -> str:
        x = EDGE + (WIDTH - 2 * EDGE) * min(wrong, MOST_WRONG) / MOST_WRONG
        return f"{x:.1f},{HEIGHT - EDGE - (HEIGHT - 2 * EDGE) * right:.1f}"

    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif">',
        '<rect width="100%" height="100%" fill="white"/>',
        f'<text x="{EDGE}" y="24">Right, of what meant a command, against wrong or taken, as the floor moves</text>',
    ]
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        low, high = place(0.0, share), place(MOST_WRONG, share)
        lines.append(f'<path d="M{low} L{high}" stroke="#ddd"/><text x="18" y="{low.split(",")[1]}">{share:.0%}</text>')
    for step in range(6):
        x, y = place(step / 100, 0.0).split(",")
        lines.append(f'<text x="{x}" y="{float(y) + 22:.0f}" text-anchor="middle">{step} %</text>')
    for number, (engine, points) in enumerate(curves.items()):
        path = " L".join(starmap(place, curve(points))) or place(0, 0)
        colour = COLOURS[number % len(COLOURS)]
        lines.append(f'<path d="M{path}" fill="none" stroke="{colour}" stroke-width="2"/>')
        lines.append(f'<text x="{WIDTH - 150}" y="{HEIGHT - EDGE - 20 - 18 * number}" fill="{colour}">{engine}</text>')
    return "\n".join([*lines, "</svg>", ""])
