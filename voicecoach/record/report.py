"""One page on a session for a trainer, as text and as HTML. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape

from voicecoach.record.drawing import picture
from voicecoach.record.read import Session
from voicecoach.record.story import (
    Remark,
    Stretch,
    clock,
    deaf,
    end_s,
    prompts,
    remarks,
    steps,
    utterances,
)
from voicecoach.session.events import Opened, SpeechUnending

CAUTIONS = (
    "This is an aid and not a medical device. A trained observer, the local protocol and licensed practice come first.",
    "The record shows what was said and what was heard. It cannot show that an act was done, or done well.",
    "Where a confirmation was not independent, nobody but the person who acted has vouched for it.",
)
LONG_WAIT_S = 20.0
"""A wait for an answer is listed when it is at least this long (s)."""

STEP_KINDS = frozenset({"step", "step-confirmed"})
OWN_SECTION = {
    "breach": ("breach", "exposure", "false-alarm"),
    "deviations": ("deviation", "jump", "step-refused", "early-answer"),
    "independent": ("not-independent",),
    "gaps": ("gap",),
}
NOT_TOLD = frozenset({"ledger", "step"})


@dataclass(frozen=True, slots=True)
class Section:
    """A table of the page. empty: the sentence in its place when there are no rows."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    empty: str


@dataclass(frozen=True, slots=True)
class Report:
    """What the page says, before it is set. warnings: to be read first. facts: pairs of a name and a value."""

    title: str
    warnings: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    cautions: tuple[str, ...] = CAUTIONS


def report(session: Session) -> Report:
    """Put the page together."""
    notes = remarks(session)
    return Report(
        f"Session of {session.manifest.begun or 'an unknown time'}",
        tuple(_warnings(session, notes)),
        tuple(_facts(session, notes)),
        (
            _steps(session, notes),
            _waits(session),
            _notes("Breaches and exposures", notes, OWN_SECTION["breach"], "No breach was recorded."),
            _notes("Deviations, jumps and answers not taken", notes, OWN_SECTION["deviations"], "None was recorded."),
            _notes("Not independently confirmed", notes, OWN_SECTION["independent"], "Nothing was marked so."),
            _gaps(session, notes),
            _others(notes),
        ),
    )


def text(session: Session) -> str:
    """The page as plain text."""
    page = report(session)
    lines = [page.title, "=" * len(page.title), ""]
    lines += [f"! {warning}" for warning in page.warnings] + [""] * bool(page.warnings)
    width = max(len(name) for name, _ in page.facts)
    lines += [f"{name:<{width}}  {value}" for name, value in page.facts]
    for section in page.sections:
        lines += ["", section.title, "-" * len(section.title), *_table(section)]
    return "\n".join([*lines, "", *page.cautions]) + "\n"


def html(session: Session) -> str:
    """The page as one HTML document with the timeline in it; it needs nothing else and prints well."""
    page = report(session)
    parts = [
        "<!doctype html>",
        f'<html lang="en"><head><meta charset="utf-8"><title>{_clean(page.title)}</title><style>{STYLE}</style></head>',
        f"<body><h1>{_clean(page.title)}</h1>",
        *(f'<p class="warning">{_clean(warning)}</p>' for warning in page.warnings),
        '<table class="facts">',
        *(f"<tr><th>{_clean(name)}</th><td>{_clean(value)}</td></tr>" for name, value in page.facts),
        "</table>",
        f'<div class="picture">{picture(session)}</div>',
    ]
    for section in page.sections:
        parts.append(f"<section><h2>{_clean(section.title)}</h2>")
        if section.rows:
            parts.append("<table><tr>" + "".join(f"<th>{_clean(name)}</th>" for name in section.head) + "</tr>")
            parts += ["<tr>" + "".join(f"<td>{_clean(cell)}</td>" for cell in row) + "</tr>" for row in section.rows]
            parts.append("</table></section>")
        else:
            parts.append(f"<p>{_clean(section.empty)}</p></section>")
    parts += [f'<p class="caution">{_clean(caution)}</p>' for caution in page.cautions]
    return "\n".join([*parts, "</body></html>"]) + "\n"


STYLE = """
body{font:14px/1.4 "DejaVu Sans",Verdana,"Segoe UI",Helvetica,Arial,sans-serif;color:#1d2733;max-width:1080px;
margin:24px auto;padding:0 16px}
h1{font-size:21px;margin:0 0 8px}h2{font-size:15px;margin:18px 0 4px}
.facts{width:auto;margin:8px 0}.facts td,.facts th{border:0;padding:1px 16px 1px 0}
section th:first-child{width:5.5em}section{margin-bottom:16px}
table{border-collapse:collapse;width:100%}th{text-align:left;color:#5a6775;font-weight:normal}
td,th{padding:2px 14px 2px 0;border-bottom:1px solid #e3e8ee;vertical-align:top}
.warning{background:#fff4dc;border-left:4px solid #b07a10;padding:5px 10px;margin:4px 0}
.caution{color:#5a6775;font-size:12.5px;margin:3px 0}.picture svg{width:100%;height:auto}
section{break-inside:avoid}section p{margin:2px 0}
@media print{body{margin:0;font-size:11px}.warning{border:1px solid #b07a10;border-left-width:4px}}
"""


def _warnings(session: Session, notes: Sequence[Remark]) -> Iterator[str]:
    opened = [event for event in session.events if isinstance(event, Opened)]
    if not opened or any(event.training_only for event in opened):
        yield "Training only: the hearing of this ear with this voice has not been shown to be good enough for more."
    yield from session.remarks
    if not session.closed:
        yield "The session did not come to its end: this is what is known of it."
    breaches = sum(note.what == "breach" for note in notes)
    if breaches:
        yield f"{breaches} {'breach was' if breaches == 1 else 'breaches were'} recorded."


def _facts(session: Session, notes: Sequence[Remark]) -> Iterator[tuple[str, str]]:
    made = session.manifest
    yield "Protocol", made.protocol
    yield "Begun", made.begun
    yield "Length", f"{clock(end_s(session))} (min:s)"
    yield "Mode", f"{made.mode}; with a channel or key of their own: {', '.join(made.roles) or 'nobody'}"
    yield "Ear", f"{made.engine}, grammar {made.grammar}"
    yield "Sound kept", made.audio
    heard = [one.heard for one in utterances(session)]
    taken = sum(one.command is not None for one in heard)
    yield "Heard", f"{taken} taken as commands, {len(heard) - taken} refused"
    done = steps(session)
    weak = sum(note.what == "not-independent" for note in notes)
    yield "Steps", f"{len(done)} confirmed; marked as not independently confirmed: {weak}"
    for note in notes:
        if note.what in {"wear-time", "end"}:
            yield (
                note.title.capitalize(),
                ", ".join(f"{key} {value}" for key, value in note.details.items()) or "recorded",
            )
    versions = ", ".join(f"{name} {version}" for name, version in made.versions.items())
    yield "Versions", versions or "not recorded"


def _steps(session: Session, notes: Sequence[Remark]) -> Section:
    rows = []
    weak = [(note.details.get("step", ""), note.at_s) for note in notes if note.what == "not-independent"]
    for number, step in enumerate(steps(session), start=1):
        remark = "not independently confirmed" if _is_weak(step, weak) else ""
        refused = sum(
            note.what in {"step-refused", "early-answer"} and step.begin_s <= note.at_s < step.end_s for note in notes
        )
        if refused:
            remark = "; ".join(filter(None, (remark, f"answers not taken: {refused}")))
        took = f"{step.end_s - step.begin_s:.1f} s"
        rows.append((str(number), step.name, clock(step.begin_s), clock(step.end_s), took, step.why, remark))
    head = ("", "step", "from", "confirmed", "took", "by", "remark")
    return Section("Steps in the order in which they were confirmed", head, tuple(rows), "No step was confirmed.")


def _is_weak(step: Stretch, weak: Sequence[tuple[str, float]]) -> bool:
    return any(name in ("", step.name) and abs(at_s - step.end_s) < 1 for name, at_s in weak)


def _waits(session: Session) -> Section:
    """Time from the end of a prompt to the next command that was taken, the long ones."""
    said = [one.end_s for one in prompts(session)]
    rows = []
    for one in utterances(session):
        before = [end for end in said if end <= one.begin_s]
        wait = one.begin_s - max(before, default=one.begin_s)
        if one.heard.command is not None and wait >= LONG_WAIT_S:
            rows.append(
                (clock(one.begin_s), str(one.heard.role), one.heard.command, f"{wait:.0f} s after the last prompt")
            )
    title = f"Waits of {LONG_WAIT_S:.0f} s and more"
    return Section(title, ("time", "who", "command", "wait"), tuple(rows), "There was none.")


def _notes(title: str, notes: Sequence[Remark], kinds: Sequence[str], empty: str) -> Section:
    rows = tuple((clock(note.at_s), note.title, _details(note)) for note in notes if note.what in kinds)
    return Section(title, ("time", "what", "particulars"), rows, empty)


def _gaps(session: Session, notes: Sequence[Remark]) -> Section:
    rows = [
        (one.begin_s, one.name, f"{one.end_s - one.begin_s:.1f} s; {one.why}".rstrip("; ")) for one in deaf(session)
    ]
    rows += [(note.at_s, note.title, _details(note)) for note in notes if note.what in OWN_SECTION["gaps"]]
    rows += [
        (line.at_s, "speech without end", f"channel {line.event.channel}")
        for line in session.lines
        if isinstance(line.event, SpeechUnending)
    ]
    rows += [
        (line.at_s, "late to the disk", f"{line.data.get('late_s')} s: {line.data.get('why')}") for line in session.gaps
    ]
    told = tuple((clock(at_s), what, about) for at_s, what, about in sorted(rows))
    return Section("Gaps in hearing and in the record", ("time", "what", "particulars"), told, "None was recorded.")


def _others(notes: Sequence[Remark]) -> Section:
    """Every note that no other section tells, the unknown ones too."""
    told = {kind for kinds in OWN_SECTION.values() for kind in kinds} | STEP_KINDS | NOT_TOLD | {"wear-time", "end"}
    rows = tuple((clock(note.at_s), note.title, _details(note)) for note in notes if note.what not in told)
    return Section("Other notes", ("time", "what", "particulars"), rows, "There are none.")


def _details(note: Remark) -> str:
    return "; ".join(f"{key} {value}" for key, value in note.details.items())


def _table(section: Section) -> Iterator[str]:
    if not section.rows:
        yield section.empty
        return
    table = [section.head, *section.rows]
    widths = [max(len(row[column]) for row in table) for column in range(len(section.head))]
    for row in table:
        yield "  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip()


def _clean(told: str) -> str:
    return escape("".join(c if c >= " " and not "\ud800" <= c <= "\udfff" else "?" for c in told))
