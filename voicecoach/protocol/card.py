"""A protocol on one page of paper, for when the machine is dead: HTML that prints well. Pure."""

from __future__ import annotations

from html import escape

from voicecoach.protocol.model import STAGES, Protocol, Step

_STYLE = """
@page { size: A4 landscape; margin: 8mm; }
* { box-sizing: border-box; }
body { font: 7.4pt/1.18 sans-serif; margin: 0; color: #000; }
h1 { font-size: 11pt; margin: 0 0 1mm; }
h2 { font-size: 8.6pt; margin: 1.2mm 0 0.6mm; border-bottom: 0.3mm solid #000; break-after: avoid; }
main { columns: 4; column-gap: 5mm; column-rule: 0.2mm solid #999; }
ol { margin: 0; padding-left: 6mm; }
li, p, tr { break-inside: avoid; }
p { margin: 0.4mm 0; }
.warn { font-style: italic; }
.who { font-weight: bold; }
.note { color: #333; margin: 0 0 1mm; }
table { border-collapse: collapse; width: 100%; }
td { border-top: 0.1mm solid #999; vertical-align: top; padding: 0.2mm 0.6mm; }
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
            parts.append(f'<h2>{stage.capitalize()}</h2><ol start="{number}">')
            parts += [f"<li>&#9744; {_step(step)}</li>" for step in steps]
            parts.append("</ol>")
            number += len(steps)
    if protocol.breaches:
        parts.append("<h2>Breach: first words, then</h2><table>")
        for rule in protocol.breaches:
            after = ", ".join(part for part in (rule.branch, _then(rule.then)) if part)
            ask = "; ask where" if rule.ask else ""
            parts.append(
                f"<tr><td><b>{escape(rule.kind)}</b> ({', '.join(rule.stages)})</td>"
                f"<td>{escape(rule.first)} <i>{escape(after)}{ask}</i></td></tr>"
            )
        parts.append("</table>")
    for branch in protocol.branches:
        ask = {"skin": " Then ask: did it reach the skin?", "where": " Then ask where."}.get(branch.ask, "")
        detour = "; ".join(_step(step) for step in branch.steps)
        parts.append(f"<p><b>{escape(branch.name)}:</b> {detour}. <i>{escape(_then(branch.then))}.{ask}</i></p>")
    parts.append("<h2>Sources</h2>")
    parts += [
        f"<p>{escape(source.title)} ({escape(source.year)}; {escape(source.basis)})</p>" for source in protocol.sources
    ]
    parts.append("</main></body></html>")
    return "\n".join(part for part in parts if part)


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
