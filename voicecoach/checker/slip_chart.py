"""A protocol's slips as a picture: steps along the way, a bar each, arcs from a slip to where it is caught. Pure."""

from __future__ import annotations

from html import escape

from voicecoach.checker.rank import Ranked, Ranking
from voicecoach.protocol.model import STAGES, Protocol

STEP_PX = 22
BAR_PX = 140
ARC_TOP_PX = 150
LEFT_PX = 60
_NAMES_PX = 170
_LEGEND = "Bars: chance of a step's slips times how bad they end. Arcs: still caught there. Dots: nothing catches it."
_CUT = "CUT SHORT: not all pairs were tried. "
_FONT = 'font-family="sans-serif" font-size="10"'


def svg(protocol: Protocol, ranking: Ranking) -> str:
    """An SVG 1.1 document.

    Bars: criticality of each step, the sum over its slips, on a linear scale. Arcs above: from a step whose slip
    arrives somewhere to the last step that could catch it; a dot where nothing can.
    """
    steps = [(stage, step.name) for stage in STAGES if stage != "work" for step in protocol.steps(stage)]
    place = {name: n for n, (_, name) in enumerate(steps)}
    sums: dict[str, float] = {}
    for slip in ranking.slips:
        sums[slip.event.step] = sums.get(slip.event.step, 0.0) + slip.criticality
    most = max(sums.values(), default=0.0) or 1.0
    base = ARC_TOP_PX + BAR_PX
    width, height = LEFT_PX + STEP_PX * len(steps) + 80, base + _NAMES_PX
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" {_FONT}>',
        f"<title>{escape(protocol.title)}: what one slip costs</title>",
        f'<rect width="{width}" height="{height}" fill="white"/>',
        f'<text x="{LEFT_PX}" y="14" font-size="13">{escape(protocol.name)}: what one slip costs, step by step</text>',
        f'<text x="{LEFT_PX}" y="{height - 8}" fill="#555">{_CUT if ranking.cut else ""}{_LEGEND}</text>',
        f'<line x1="{LEFT_PX}" y1="{base}" x2="{width - 10}" y2="{base}" stroke="black"/>',
    ]
    before = ""
    for n, (stage, name) in enumerate(steps):
        x = LEFT_PX + n * STEP_PX
        if stage != before:
            parts.append(
                f'<line x1="{x - 2}" y1="30" x2="{x - 2}" y2="{base + 4}" stroke="#bbb" stroke-dasharray="3"/>'
            )
            parts.append(f'<text x="{x + 2}" y="40" fill="#555">{stage}</text>')
            before = stage
        high = BAR_PX * sums.get(name, 0.0) / most * 0.95
        parts.append(
            f'<rect x="{x}" y="{base - high:.1f}" width="{STEP_PX - 6}" height="{high:.1f}" fill="#c44">'
            f"<title>{escape(name)}: {sums.get(name, 0.0):.2g}</title></rect>"
        )
        parts.append(f'<text transform="translate({x + 11},{base + 8}) rotate(60)">{escape(name)}</text>')
    parts += [_arc(slip, place, base) for slip in ranking.slips if slip.outcome.arrives]
    parts.append("</svg>")
    return "\n".join(parts)


def _arc(slip: Ranked, place: dict[str, int], base: int) -> str:
    start = LEFT_PX + place.get(slip.event.step, 0) * STEP_PX + (STEP_PX - 6) / 2
    said = escape(f"{slip.event.name} reaches {' and '.join(slip.outcome.sites)}")
    catch = slip.outcome.catch
    if not catch:
        return (
            f'<circle cx="{start}" cy="{base + 3}" r="2" fill="#c44">'
            f"<title>{said}; nothing catches it before</title></circle>"
        )
    end = LEFT_PX + place[catch] * STEP_PX + (STEP_PX - 6) / 2
    high = min(ARC_TOP_PX + BAR_PX - 60, 30 + abs(end - start) / 2)
    return (
        f'<path d="M {start} {base} Q {(start + end) / 2} {base - 2 * high} {end} {base}" fill="none" stroke="#36c"'
        f' stroke-opacity="0.6"><title>{said}; could be caught at {escape(catch)}</title></path>'
    )
