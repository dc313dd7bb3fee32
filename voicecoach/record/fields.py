"""Tables of the fields of events and effects, generated from their classes for `help record-format`. Pure."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator

from voicecoach.session.effects import EFFECTS, Effect
from voicecoach.session.events import EVENTS, Event

MARK = "<!-- fields -->"
_JSON = {
    "int": "whole number",
    "float": "number",
    "bool": "true or false",
    "str": "text",
    "str | None": "text or null",
    "tuple[str, ...]": "list of texts",
    "tuple[tuple[str, float], ...]": "list of pairs of a text and a number",
    "tuple[tuple[str, str], ...]": "list of pairs of texts",
}


def tables() -> Iterator[str]:
    """Two Markdown tables: kinds of events, then of effects, each with its fields and their JSON types."""
    yield from _table("event", EVENTS)
    yield ""
    yield from _table("effect", EFFECTS)


def _table(name: str, kinds: tuple[type[Event], ...] | tuple[type[Effect], ...]) -> Iterator[str]:
    yield f"| `{name}` | meaning | fields |"
    yield "|---|---|---|"
    for kind in kinds:
        meaning = " ".join((kind.__doc__ or "").split("\n\n")[0].split())
        fields = ", ".join(f"`{f.name}` {_type(str(f.type))}" for f in dataclasses.fields(kind) if f.name != "at")
        yield f"| `{kind.kind}` | {meaning} | {fields or 'none'} |"


def _type(annotation: str) -> str:
    return _JSON.get(annotation, "text")
