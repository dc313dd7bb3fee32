"""A JSON Schema of protocol files for editors, generated from the model and the loader's own lists. Pure."""

from __future__ import annotations

from typing import Any

from voicecoach.protocol import zones
from voicecoach.protocol.load import (
    COVERED,
    FIELDS,
    MAX_ITEMS,
    NAMED,
    QUESTIONS,
)
from voicecoach.protocol.model import ACTS, ANYONE, BASES, DANGERS, DEBTS, ROLES, STAGES
from voicecoach.protocol.steps import MAX_STEPS, STEP_FIELDS

TEXT: dict[str, Any] = {"type": ["string", "number"]}
NAME: dict[str, Any] = {"type": "string", "minLength": 1}
FLAG: dict[str, Any] = {"enum": [True, False, "yes", "no", "true", "false"]}


def _words(choices: tuple[str, ...] = ()) -> dict[str, Any]:
    """One word or a list of them."""
    one: dict[str, Any] = {"enum": list(choices)} if choices else {"type": "string"}
    return {"anyOf": [one, {"type": "array", "items": one}]}


def _mapping(fields: dict[str, Any], required: tuple[str, ...] = ()) -> dict[str, Any]:
    return {"type": "object", "properties": fields, "required": list(required), "additionalProperties": False}


def schema() -> dict[str, Any]:
    """The schema, draft 2020-12. It helps while typing; the loader checks more (names that must exist, lengths)."""
    act = _mapping(
        {
            **dict.fromkeys(ACTS, NAME),
            "grip": NAME,
            "passes": _words(),
            "fresh": FLAG,
            "manner": {"enum": [manner for manner in zones.MANNERS if manner]},
        }
    )
    act["oneOf"] = [{"required": [kind]} for kind in ACTS]
    time = _mapping(
        {"agent": NAME, "seconds": {"type": "number", "minimum": 1, "maximum": 3600}, "start": NAME},
        ("agent", "seconds", "start"),
    )
    steps = {"type": "array", "items": {"$ref": "#/$defs/step"}, "maxItems": MAX_STEPS}
    step: dict[str, Any] = {
        "step": NAME, "say": NAME, "warn": NAME, "say-alone": NAME, "warn-alone": NAME, "help": NAME,
        "role": {"enum": [*ROLES, ANYONE]},
        "acts": {"type": "array", "items": act}, "answer": _words(), "observer": FLAG, "also": _words(ROLES),
        "matters": FLAG, "time": time, "quiet": {"type": "number", "minimum": 1, "maximum": 300}, "asks-for": NAME,
        "on": {"type": "object", "additionalProperties": NAME}, "repair": NAME, "when-on": _words(),
        "when-off": _words(), "when-any-on": _words(), "pays": {"enum": list(DEBTS)}, "weaker": NAME, "alone": FLAG,
        "optional": FLAG, "ends": FLAG, "between": FLAG,
    }  # fmt: skip
    item = _mapping(
        {
            "site": {"enum": sorted({*zones.BODY, "head", "body", "front"})},
            "layer": {"type": "integer", "minimum": 1, "maximum": 9},
            "label": NAME, "say": {"enum": list(zones.KINDS)}, "covers": _words(), "zones": _words(),
            "tight": _words(), "overlap": _words(), "traits": _words(zones.TRAITS), "spared": _words(),
        },
        ("site", "layer", "say"),
    )  # fmt: skip
    branch = _mapping(
        {
            "steps": steps, "then": NAME, "ask": _words(QUESTIONS), "exposed": NAME, "again": NAME, "emergency": NAME,
        },
        ("steps",),
    )  # fmt: skip
    breach = _mapping(
        {
            "kind": {"enum": list(DANGERS)}, "stages": _words(STAGES), "first": NAME, "branch": NAME,
            "then": NAME, "ask": _words(QUESTIONS), "first-alone": NAME,
        },
        ("kind", "stages", "first"),
    )  # fmt: skip
    source = _mapping(
        {"title": TEXT, "year": TEXT, "used-for": TEXT, "basis": {"enum": list(BASES)}, "where": TEXT},
        ("title", "year", "used-for", "basis"),
    )
    fields: dict[str, Any] = {
        "protocol": NAME, "title": NAME, "version": TEXT, "practice": FLAG,
        "sources": {"type": "array", "items": source},
        "items": {"type": "object", "additionalProperties": item, "minProperties": 1, "maxProperties": MAX_ITEMS},
        "room": {
            "type": "object", "propertyNames": {"enum": [*zones.ROOM, *zones.HELPERS]},
            "additionalProperties": {"enum": list(zones.ROOM_STATES)},
        },
        "exposed": _words(zones.BODY), "scope": _words(), "orders": _words(),
        "stages": _mapping(dict.fromkeys(STAGES, steps)),
        "branches": {"type": "object", "additionalProperties": branch},
        "breaches": {"type": "array", "items": breach},
        "torn": {"type": "object", "additionalProperties": _mapping(dict.fromkeys((*STAGES, COVERED), NAME))},
        "include": _words(), **dict.fromkeys(NAMED, NAME),
    }  # fmt: skip
    assert set(fields) == set(FIELDS) and set(step) == set(STEP_FIELDS), "the loader has other fields"
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "voicecoach protocol",
        **_mapping(fields, ("protocol", "title", "version", "sources", "items", "stages")),
        "$defs": {"step": _mapping(step, ("step", "say"))},
    }
