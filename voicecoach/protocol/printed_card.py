"""A protocol on one sheet of paper, for when the machine fails: HTML that prints on two sides. Pure.

The front has every step in order, in type of at least 10 pt; the back has the incidents in plain sentences.
"""

from __future__ import annotations

import math
from html import escape

from voicecoach.protocol.model import STAGES, Branch, Protocol, Step

FRONT_LEAST_PT, FRONT_MOST_PT = 10.0, 13.0
"""Type size of the steps (pt), which are read at arm's length through a face shield; common practice, no source."""
FRONT_CHARACTERS = 4_300
"""How many characters of the smallest type fit on the front, by a browser's print preview."""
BACK_CHARACTERS, BACK_PT = 8_200, 8.5
BACK_MOST_PT, BACK_LEAST_PT = 10.0, 5.5
_STYLE = """
@page { size: A4 landscape; margin: 7mm; }
* { box-sizing: border-box; }
body { font: FRONTpt/1.13 sans-serif; margin: 0; color: #000; }
h1 { font-size: 11pt; margin: 0; }
h2 { font-size: 1.05em; margin: 1mm 0 0.4mm; border-bottom: 0.3mm solid #000; break-after: avoid; }
main { columns: 3; column-gap: 4mm; column-rule: 0.2mm solid #999; }
small { font-size: 1em; }
.back { font-size: BACKpt; break-before: page; }
.back small { font-size: 0.85em; }
p { margin: 0.25mm 0; break-inside: avoid; }
.step { padding-left: 5mm; text-indent: -5mm; }
.step b { font-weight: normal; font-size: 0.8em; }
.warn { font-style: italic; }
.who { font-weight: bold; }
.note { margin: 0 0 0.6mm; font-size: 0.85em; }
.sign { display: flex; gap: 6mm; margin: 0.5mm 0; font-size: 0.9em; }
.sign span { flex: 1; border-bottom: 0.2mm solid #000; }
"""
_CAUTION = "An aid: a trained observer, the local protocol and licensed practice come first."
_KINDS = {
    "breach": "Breach", "splash": "Splash", "needle": "Needle or cut", "no-air": "No air", "torn": "Torn",
    "unwell": "Unwell", "collapse": "Collapse",
}  # fmt: skip
_STAGES = {
    "prepare": "before dressing", "dress": "while dressing", "work": "at work", "undress": "in removal",
    "close": "afterwards",
}  # fmt: skip


def card(protocol: Protocol) -> str:
    """The protocol as one HTML page that prints on both sides of a sheet."""
    front, back = _front(protocol), _back(protocol)
    practice = "For practice only. " if protocol.practice else ""
    page = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8">',
        f"<title>{escape(protocol.title)}</title><style>{_STYLE}</style></head><body>",
        f"<h1>{escape(protocol.title)}</h1>",
        f'<p class="note">{escape(protocol.name)}, version {escape(protocol.version)}. {practice}{_CAUTION}</p>',
        _lines("Name", "Date", "Wearer's initials", "Observer's initials"),
        "<main>",
        *front,
        "</main>",
        '<section class="back">',
        f"<h1>{escape(protocol.title)}: when something goes wrong</h1>",
        "<main>",
        *back,
        "</main>",
        _lines("Approved by", "Date", "Initials", "Review due"),
        "</section></body></html>",
    ]
    html = "\n".join(page)
    return html.replace("FRONT", f"{front_pt(protocol):.1f}", 1).replace("BACK", f"{_size(''.join(back)):.1f}", 1)


def front_pt(protocol: Protocol) -> float:
    """Type size of the front (pt): as large as fits, but at least FRONT_LEAST_PT."""
    fits = FRONT_LEAST_PT * math.sqrt(FRONT_CHARACTERS / max(1, front_characters(protocol)))
    return max(FRONT_LEAST_PT, min(FRONT_MOST_PT, fits))


def front_characters(protocol: Protocol) -> int:
    """The length of the front's text; beyond FRONT_CHARACTERS it overflows."""
    return sum(len(_shown(step)) for stage in STAGES for step in protocol.steps(stage))


def _size(back: str) -> float:
    """Type size at which the back fits on one side (pt)."""
    return max(BACK_LEAST_PT, min(BACK_MOST_PT, BACK_PT * math.sqrt(BACK_CHARACTERS / max(1, len(back)))))


def _lines(*names: str) -> str:
    return '<p class="sign">' + "".join(f"<span>{escape(name)}</span>" for name in names) + "</p>"


def _front(protocol: Protocol) -> list[str]:
    """Every step in order, numbered, with a box to tick, its warning and its time."""
    parts: list[str] = []
    number = 1
    for stage in STAGES:
        steps = protocol.steps(stage)
        if steps:
            parts.append(f"<h2>{stage.capitalize()}</h2>")
            parts += [f'<p class="step"><b>{number + n}</b>&#9744; {_step(step)}</p>' for n, step in enumerate(steps)]
            number += len(steps)
    return parts


def _step(step: Step) -> str:
    said = f'<span class="warn">{escape(step.warn)}</span> ' if step.warn else ""
    named = step.say.casefold().startswith((step.role, "partner"))
    who = f'<span class="who">{step.role.capitalize()}:</span> ' if step.role != "wearer" and not named else ""
    return said + who + escape(step.say) + (f" <small>[{escape(_extras(step))}]</small>" if _extras(step) else "")


def _extras(step: Step) -> str:
    found = [f"{step.timing.seconds:g} s"] if step.timing else []
    found += ["if " + " and ".join(conditions)] if (conditions := _conditions(step)) else []
    found += ["observer confirms"] if step.observer else []
    return "; ".join(found)


def _conditions(step: Step) -> list[str]:
    on = [f"{item.replace('-', ' ')} on" for item in step.when_on]
    on += [" or ".join(item.replace("-", " ") for item in step.when_any_on) + " on"] if step.when_any_on else []
    return on + [f"{item.replace('-', ' ')} off" for item in step.when_off]


def _shown(step: Step) -> str:
    return f"00 {step.warn} {step.say} {_extras(step)}"


def _back(protocol: Protocol) -> list[str]:
    """First words and what follows, then each branch once, then the sources."""
    parts = ["<h2>At once, then</h2>", *_breaches(protocol)] if protocol.breaches else []
    parts.append("<h2>Branches, step by step</h2>")
    parts += [_branch(branch) for branch in protocol.branches]
    known = "; ".join(f"{source.title} ({source.year}; {source.basis})" for source in protocol.sources)
    parts.append(f"<h2>Sources</h2><p>{escape(known)}</p>")
    return parts


def _branch(branch: Branch) -> str:
    steps = " ".join(_step(step) for step in branch.steps)
    then = f"<i>Then {escape(_then(branch.then))}.</i>"
    return f"<p><b>{escape(_title(branch.name))}:</b> {steps}{_asks(branch.ask)} {then}</p>"


def _title(name: str) -> str:
    return name.replace("-", " ").capitalize()


def _breaches(protocol: Protocol) -> list[str]:
    """One paragraph per kind: for each stage the first words, which are an act, and what follows."""
    lines = []
    for kind in dict.fromkeys(rule.kind for rule in protocol.breaches):
        said = []
        for rule in protocol.breaches:
            if rule.kind != kind:
                continue
            where = " or ".join(_STAGES.get(stage, stage) for stage in rule.stages)
            after = [f"follow {_title(rule.branch)!r}"] if rule.branch else []
            after += [_then(rule.then)] if not rule.branch or rule.then != "same" else []
            said.append(f"<i>{where}:</i> {escape(rule.first)} Then {escape(', then '.join(after))}.{_asks(rule.ask)}")
        lines.append(f"<p><b>{escape(_KINDS.get(kind, _title(kind)))}:</b> {' '.join(said)}</p>")
    return lines


def _asks(questions: tuple[str, ...]) -> str:
    words = {
        "piece": " Ask which piece.",
        "gloves": " The gloves count as torn.",
        "where": " Ask where.",
        "skin": " Ask: did it reach the skin?",
    }
    return "".join(words[question] for question in questions)


def _then(then: str) -> str:
    known = {
        "same": "the same step again", "next": "the next step", "undress": "begin the removal", "close": "afterwards",
        "missing": "the first piece that is not on", "confirm": "the observer's word",
    }  # fmt: skip
    return known.get(then, f"go on at {_title(then)!r}")
