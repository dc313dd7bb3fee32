"""The debrief as JSON with a published schema (session.schema.json). Pure."""

from __future__ import annotations

import json
from importlib import resources
from typing import Any

from voicecoach.debrief.contents import debrief
from voicecoach.debrief.transcript import transcript
from voicecoach.record.read import Session

SCHEMA = "session.schema.json"
VERSION = 1


def schema() -> str:
    """The schema (JSON Schema draft 2020-12)."""
    return (resources.files("voicecoach") / "debrief" / "exports" / SCHEMA).read_text(encoding="utf-8")


def to_json(session: Session, *, incidents_only: bool = False) -> str:
    """The debrief as JSON; times are seconds on the session clock."""
    contents = debrief(session)
    data: dict[str, Any] = {
        "form": VERSION,
        "protocol": contents.protocol,
        "title": contents.title,
        "begun": session.manifest.begun,
        "length_s": round(contents.length_s, 3),
        "ended": session.closed,
        "how": contents.ended,
        "mode": session.manifest.mode,
        "room": contents.room,
        "people": dict(contents.people),
        "training_only": contents.training_only,
        "warnings": list(contents.warnings),
        "incidents": [
            {
                "at_s": round(one.at_s, 3),
                "kind": one.kind,
                "title": one.title,
                "step": one.step,
                "called_by": one.by,
                "places": one.places,
                "done": one.done,
                "suspects": one.suspects,
                "owed": list(one.open_debts),
                "paid": one.paid,
                "on_record": one.stated,
                "false_alarm": one.false_alarm,
            }
            for one in contents.incidents
        ],
    }
    if not incidents_only:
        data["coaching"] = [
            {"step": one.step, "say": one.say, "what": list(one.what), "why": one.why, "score": round(one.score, 6)}
            for one in contents.coaching
        ]
        data["steps"] = [
            {
                "step": run.name, "say": contents.words.step(run.name), "stage": run.stage, "branch": run.branch,
                "begin_s": round(run.begin_s, 3), "end_s": round(run.end_s, 3), "outcome": run.outcome,
                "confirmed_by": run.by, "independent": run.independent, "refused": run.refused, "early": run.early,
                "unheard": run.unheard,
                "rubs": [
                    {"begin_s": round(rub.begin_s, 3), "kept_s": round(rub.kept_s, 3), "cut_short": rub.cut_short}
                    for rub in run.rubs
                ],
            }
            for run in contents.steps
        ]  # fmt: skip
        data["said"] = [
            {
                "at_s": round(row.at_s, 3), "end_s": round(row.end_s, 3), "who": row.who, "text": row.text,
                "kind": row.kind, "sure": row.sure,
            }
            for row in transcript(session, lambda _, __: ())
        ]  # fmt: skip
    return json.dumps(data, ensure_ascii=True, indent=1) + "\n"
