"""A protocol on one page of paper, for when the machine is dead: HTML that prints well. Pure."""

from __future__ import annotations

import math
from html import escape

from voicecoach.protocol.model import STAGES, Protocol, Step

PAGE_CHARACTERS = 10_500
_STYLE = """
@page { size: A4 landscape; margin: 8mm; }
* { box-sizing: border-box; }
body { font: SIZEpt/1.16 sans-serif; margin: 0; color: #000; }
h1 { font-size: 11pt; margin: 0 0 1mm; }
h2 { font-size: 8.6pt; margin: 1.2mm 0 0.6mm; border-bottom: 0.3mm solid #000; break-after: avoid; }
main { columns: 4; column-gap: 5mm; column-rule: 0.2mm solid #999; }
p { margin: 0.3mm 0; break-inside: avoid; }
.step { padding-left: 7.5mm; text-indent: -7.5mm; }
.step b { display: inline-block; width: 4.2mm; text-indent: 0; }
.warn { font-style: italic; }
.who { font-weight: bold; }
.note { color: #333; margin: 0 0 1mm; }
"""


def card(protocol: Protocol) -> str:
    """The protocol as one HTML page: every step in order, with its warning, time and turnings, then the rest."""
    parts = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8">',
        f"<title>{escape(protocol.title)}</title><style>{_STYLE}</style></head><body>",
        f"<h1>{escape(protocol.title)}</h1>",
        f'<p class="note">{escape(protocol.name)}, version {escape(protocol.version)}. ',
        "For practice only. " if protocol.practice else "",
        "An aid: a trained observer, the local protocol and licensed practice come first.</p>",
        "<main>",
    ]
    number = 1
    for stage in STAGES:
        steps = protocol.steps(stage)
        if steps:
            parts.append(f"<h2>{stage.capitalize()}</h2>")
            parts += [f'<p class="step"><b>{number + n}</b>&#9744; {_step(step)}</p>' for n, step in enumerate(steps)]
            number += len(steps)
    if protocol.breaches:
        parts.append("<h2>Breach: first words, then</h2>")
        parts += _breaches(protocol)
    parts.append("<h2>Turnings</h2>")
    for branch in protocol.branches:
        ask = _asks(branch.ask)
        detour = " ".join(_step(step) for step in branch.steps)
        parts.append(f"<p><b>{escape(branch.name)}:</b> {detour}{ask} <i>Then {escape(_then(branch.then))}.</i></p>")
    known = "; ".join(f"{source.title} ({source.year}; {source.basis})" for source in protocol.sources)
    parts.append(f"<h2>Sources</h2><p>{escape(known)}</p>")
    parts.append("</main></body></html>")
    page = "\n".join(part for part in parts if part)
    return page.replace("SIZE", f"{_size(page):.1f}", 1)


def _size(page: str) -> float:
    """Letters so small that this much text stays on one page (pt)."""
    return max(5.0, min(9.0, 7.4 * math.sqrt(PAGE_CHARACTERS / len(page))))


def _breaches(protocol: Protocol) -> list[str]:
    """One paragraph for what is said alike, whatever the kind and stage."""
    alike: dict[tuple[str, str, str, tuple[str, ...]], list[str]] = {}
    for rule in protocol.breaches:
        said = (rule.first, rule.branch, rule.then, rule.ask)
        alike.setdefault(said, []).append(f"{rule.kind} ({', '.join(rule.stages)})")
    lines = []
    for (first, branch, then, ask), kinds in alike.items():
        after = ", ".join(part for part in (branch, _then(then)) if part)
        lines.append(f"<p><b>{escape('; '.join(kinds))}:</b> {escape(first)} <i>{escape(after)}.</i>{_asks(ask)}</p>")
    return lines


def _asks(questions: tuple[str, ...]) -> str:
    words = {"piece": " Ask which piece.", "where": " Ask where.", "skin": " Ask: did it reach the skin?"}
    return "".join(words[question] for question in questions)


def _step(step: Step) -> str:
    said = ""
    if step.role != "wearer":
        said += f'<span class="who">{step.role.capitalize()}:</span> '
    if step.warn:
        said += f'<span class="warn">{escape(step.warn)}</span> '
    said += escape(step.say)
    extras = []
    if step.timing:
        extras.append(f"{step.timing.seconds:g} s")
    extras += [f"{answer}: {branch}" for answer, branch in step.branches]
    if step.when_on or step.when_off:
        on, off = " and ".join(step.when_on), " and ".join(step.when_off)
        extras.append(
            "if " + ", ".join(part for part in (f"{on} on" if on else "", f"{off} off" if off else "") if part)
        )
    if step.observer:
        extras.append("observer confirms")
    return said + (f" <small>[{escape('; '.join(extras))}]</small>" if extras else "")


def _then(then: str) -> str:
    return {"same": "same step again", "next": "next step", "undress": "begin removal"}.get(then, f"go on at {then}")
