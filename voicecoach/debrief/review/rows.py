"""Turns one session into rows for the tables of a review. Pure."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from typing import Any

from voicecoach.debrief.coaching import step_weights, troubles
from voicecoach.debrief.course import course, stage_spans
from voicecoach.debrief.incidents import incidents
from voicecoach.debrief.story import RecordedNote, end_s, recorded_notes, training_only, utterances
from voicecoach.debrief.texts import Wording, wording
from voicecoach.record.read import Session
from voicecoach.session.events import CLOCK_HZ, to_json
from voicecoach.session.notes import NoteKind

TABLES = ("sessions", "steps", "rubs", "incidents", "words", "notes", "events")
MASKS = ("mask", "hood", "helmet")
"""Spoken names of what covers the mouth, from the inside out."""

TableRow = Mapping[str, Any]


def rows(session: Session, name: str) -> dict[str, list[TableRow]]:
    """Table -> its rows for this session, each a mapping with the columns of schema.sql.

    Args:
        session: the record. name: of the session in the tables.
    """
    notes, words = recorded_notes(session), wording(session)
    runs = course(session, notes)
    found: dict[str, list[TableRow]] = {table: [] for table in TABLES}
    found["sessions"].append(_session(session, name, notes, words))
    for number, run in enumerate(runs):
        found["steps"].append(
            {
                "session": name, "number": number, "step": run.name, "say": words.step(run.name), "stage": run.stage,
                "branch": run.branch, "begin_s": run.begin_s, "took_s": round(run.took_s, 3), "outcome": run.outcome,
                "confirmed_by": run.by, "independent": run.independent, "refused": run.refused, "early": run.early,
                "unheard": run.unheard, "wrong": sum(troubles(run).values()),
            }
        )  # fmt: skip
        found["rubs"] += (
            {
                "session": name, "step": run.name, "begin_s": rub.begin_s, "kept_s": round(rub.kept_s, 3),
                "asked_s": rub.asked_s or None, "cut_short": rub.cut_short,
            }
            for rub in run.rubs
        )  # fmt: skip
    confirmed = [run for run in runs if run.outcome == "confirmed"]
    found["sessions"][0] = {
        **found["sessions"][0],
        "confirmed": len(confirmed),
        "independent": sum(run.independent for run in confirmed),
    }
    found["incidents"] += (
        {
            "session": name, "at_s": one.at_s, "kind": one.kind, "title": one.title, "step": one.step,
            "called_by": one.by, "places": ", ".join(one.places), "false_alarm": one.false_alarm,
            "owed": ", ".join(one.open_debts), "paid": ", ".join(one.paid), "stated": one.stated,
        }
        for one in incidents(notes, words)
    )  # fmt: skip
    found["words"] += _words(session, name)
    found["notes"] += (
        {
            "session": name, "at_s": note.at_s, "what": note.what, "label": note.title,
            "details": json.dumps(dict(note.details)),
        }
        for note in notes
    )  # fmt: skip
    found["events"] += _events(session, name)
    return found


def weights(session: Session) -> list[TableRow]:
    """The weight of each step of the session's protocol."""
    words = wording(session)
    if words.protocol is None:
        return []
    return [
        {
            "protocol": session.manifest.protocol,
            "step": name,
            "say": words.step(name),
            "weight": one.value,
            "why": one.why,
        }
        for name, one in step_weights(words.protocol).items()
    ]


def _session(session: Session, name: str, notes: tuple[RecordedNote, ...], words: Wording) -> TableRow:
    made = session.manifest
    stages = {span.stage: round(span.took_s, 3) for span in stage_spans(session, notes)}
    ended = {note.what: note.details for note in notes if note.what in {NoteKind.END, NoteKind.WEAR_TIME}}
    return {
        "session": name,
        "path": str(session.folder),
        "begun": _utc(made.begun),
        "protocol": made.protocol,
        "title": words.title,
        "mode": made.mode,
        "wearer": str(made.people.get("wearer", "")),
        "observer": str(made.people.get("observer", "")),
        "room": made.room,
        "mask": _mask(words),
        "ear": made.engine,
        "source": made.source,
        "training_only": training_only(session),
        "ended": session.closed,
        "still_on": ended.get(NoteKind.END, {}).get("still-on", ""),
        "length_s": end_s(session),
        "worn_s": _number(ended.get(NoteKind.WEAR_TIME, {}).get("seconds")),
        "dress_s": stages.get("dress"),
        "undress_s": stages.get("undress"),
        "refresher_days": words.site.refresher_days,
    }


def _mask(words: Wording) -> str:
    items = words.protocol.items if words.protocol is not None else ()
    return next((item.label for say in MASKS for item in items if item.say == say), "")


def _words(session: Session, name: str) -> Iterator[TableRow]:
    for one in utterances(session):
        heard = one.heard
        yield {
            "session": name, "at_s": one.begin_s, "role": str(heard.role), "command": heard.command,
            "phrase": heard.phrase, "taken": heard.command is not None, "source": str(heard.source),
            "score": _number(heard.score), "floor": _number(heard.floor), "near": heard.near,
        }  # fmt: skip


def _events(session: Session, name: str) -> Iterator[TableRow]:
    for line in session.lines:
        if line.event is not None:
            data = to_json(line.event)
            yield {
                "session": name, "line": line.seq, "at_s": round(line.event.at / CLOCK_HZ, 3),
                "event": data.pop("event"), "details": json.dumps(data),
            }  # fmt: skip


def _utc(iso: str) -> str | None:
    """A wall time in the database's format; None if it cannot be read."""
    try:
        at = datetime.fromisoformat(iso)
    except ValueError:
        return None
    return (at.astimezone(UTC) if at.tzinfo is not None else at).replace(tzinfo=None).isoformat(" ")


def _number(value: object) -> float | None:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return None
    return number if abs(number) < 1e12 else None
