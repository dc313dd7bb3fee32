"""A session for hospital systems: a FHIR R4 Bundle of a Procedure and AuditEvents (HL7 FHIR 4.0.1). Pure.

A person is an identifier with the programme's code and has no name. A Procedure needs a subject, which here is the
wearer. Where R4 requires a code and none fits, it is one of our own under urn:voicecoach.
"""

from __future__ import annotations

import json
import uuid
from datetime import datetime, timedelta
from typing import Any

from voicecoach.debrief.contents import Debrief, debrief
from voicecoach.debrief.incidents import Incident
from voicecoach.debrief.pages.html import clean
from voicecoach.errors import InputError
from voicecoach.record.read import Session

CODES = "urn:voicecoach:codes"
DICOM = "http://dicom.nema.org/resources/ontology/DCM"
ACTIVITY = {"system": DICOM, "code": "110100", "display": "Application Activity"}
"""DICOM PS3.16, from memory; R4 gives it as an example of an AuditEvent's type."""
MINOR_FAILURE, SUCCESS = "4", "0"


def to_fhir(session: Session, *, incidents_only: bool = False) -> str:
    """The Bundle as JSON: the session as a Procedure; its start, its end and each incident as an AuditEvent.

    Raises:
        InputError: the record does not say when it was made, which every AuditEvent needs.
    """
    try:
        begun = datetime.fromisoformat(session.manifest.begun)
    except ValueError:
        what = "the record does not say when it was made"
        raise InputError(what, where=str(session.folder), expected="a time in manifest.json") from None
    contents = debrief(session)
    root = uuid.uuid5(uuid.NAMESPACE_URL, f"urn:voicecoach:{session.manifest.begun}:{session.manifest.public}")
    resources = [] if incidents_only else [_procedure(session, contents, begun)]
    moments = [] if incidents_only else [("session-begin", "Session begins", 0.0, SUCCESS)]
    moments += [(one.kind, one.title, one.at_s, MINOR_FAILURE) for one in contents.incidents]
    if session.closed and not incidents_only:
        moments.append(("session-end", contents.ended, contents.length_s, SUCCESS))
    resources += [_audit(contents, begun, *moment) for moment in moments]
    entries = []
    for number, resource in enumerate(resources):
        name = str(uuid.uuid5(root, str(number)))
        entries.append({"fullUrl": f"urn:uuid:{name}", "resource": {**resource, "id": name}})
    bundle: dict[str, Any] = {
        "resourceType": "Bundle",
        "type": "collection",
        "timestamp": _instant(begun + timedelta(seconds=contents.length_s)),
    }
    if entries:
        bundle["entry"] = entries
    return json.dumps(bundle, ensure_ascii=True, indent=1) + "\n"


def _procedure(session: Session, contents: Debrief, begun: datetime) -> dict[str, Any]:
    everything_off = session.closed and contents.ended.endswith("everything off")
    made: dict[str, Any] = {
        "resourceType": "Procedure",
        "status": "completed" if everything_off else "stopped",
        "code": {"coding": [_coding("protective-equipment", "Protective equipment put on and taken off")]},
        "subject": _person(contents, "wearer"),
        "performedPeriod": {"start": _instant(begun), "end": _instant(begun + timedelta(seconds=contents.length_s))},
        "performer": [
            {"function": {"text": role}, "actor": _person(contents, role)} for role, _ in contents.people
        ],
        "note": [{"text": _text(f"{contents.title} ({contents.protocol}). {contents.ended}. {contents.confirmed}.")}],
    }  # fmt: skip
    made["code"]["text"] = _text(contents.title)
    if contents.room:
        made["location"] = {"display": _text(f"Room {contents.room}")}
    if contents.training_only:
        made["note"].append({"text": "Training only."})
    complications = [_concept(one) for one in contents.incidents if not one.false_alarm]
    if complications:
        made["complication"] = complications
    followed = [
        {"text": _text(f"{debt} owed for: {one.title}")} for one in contents.incidents for debt in one.open_debts
    ]  # fmt: skip
    if followed:
        made["followUp"] = followed
    return made


def _concept(one: Incident) -> dict[str, Any]:
    return {"coding": [_coding(one.kind, one.title)], "text": _text(one.title)}


def _audit(contents: Debrief, begun: datetime, code: str, title: str, at_s: float, outcome: str) -> dict[str, Any]:
    return {
        "resourceType": "AuditEvent",
        "type": ACTIVITY,
        "subtype": [_coding(code, title)],
        "action": "E",
        "recorded": _instant(begun + timedelta(seconds=at_s)),
        "outcome": outcome,
        "outcomeDesc": _text(title),
        "agent": [{"who": _person(contents, role), "requestor": role == "wearer"} for role, _ in contents.people],
        "source": {"observer": {"display": "voicecoach"}},
    }


def _person(contents: Debrief, role: str) -> dict[str, Any]:
    code = dict(contents.people).get(role, "")
    made: dict[str, Any] = {"display": _text(f"{role} {code}" if code else role)}
    if code:
        made["identifier"] = {"system": "urn:voicecoach:person", "value": _text(code)}
    return made


def _coding(code: str, display: str) -> dict[str, str]:
    return {"system": CODES, "code": _text(code).replace(" ", "-") or "other", "display": _text(display)}


def _text(text: str) -> str:
    return " ".join(clean(text).split()) or "none"


def _instant(at: datetime) -> str:
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")
