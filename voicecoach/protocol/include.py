"""Branches that protocols share: which files a protocol includes, and how steps fit its pieces. Pure: texts, no paths.

A protocol names shared files under `include`. The loader's caller appends their texts to the protocol's own; the joined
text is what is loaded and what a record keeps, so that a session can be replayed without the shared files.

A shared file lists under `pieces` every piece that its steps may name. A piece that the protocol does not have is never
worn there: steps that need it on, or that act on nothing else, are dropped.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

from voicecoach import yamltext
from voicecoach.protocol.model import ACTS
from voicecoach.yamltext import Node

MARK = "--- # shared: "
"""The first line of a shared text that is joined to a protocol; it is also the start of a YAML document."""


def wanted(text: str, file: str) -> tuple[str, ...]:
    """The names of the shared files that a protocol includes.

    Raises:
        InputError: the text is not a YAML mapping, or `include` not a list of names.
    """
    node = yamltext.read(split(text)[0], file).get("include")
    return node.words() if node is not None else ()


def whole(text: str, parts: Mapping[str, str]) -> str:
    """The protocol's text followed by the shared texts."""
    return "".join([text, *(f"\n{MARK}{name}\n{part}" for name, part in parts.items())])


def split(text: str) -> tuple[str, dict[str, str]]:
    """A protocol's own text and its shared texts by name."""
    own, *joined = f"\n{text}".split(f"\n{MARK}")
    parts = (part.partition("\n") for part in joined)
    return own[1:], {name.strip(): body for name, _, body in parts}


def fitted(step: Node, items: Collection[str], pieces: Collection[str]) -> Node | None:
    """A shared step adapted to a protocol with these items; None if it is for pieces that the protocol lacks.

    Raises:
        InputError: it names a piece that is neither an item nor one of `pieces`.
    """
    absent = set(pieces) - set(items)
    entries: list[tuple[str, Node]] = []
    for key, value in step.items():
        adapted: Node | None = value
        if key in {"when-on", "when-any-on", "when-off"}:
            names = set(value.words())
            if key == "when-on" and names & absent:
                return None
            adapted = _without(value, absent)
            if adapted is None and key == "when-any-on":
                return None
        elif key == "acts":
            adapted = _acts(value, absent)
            if adapted is None:
                return None
        if adapted is not None:
            entries.append((key, adapted))
    return replace(step, entries=tuple(entries))


def _without(node: Node, absent: Collection[str]) -> Node | None:
    """The names of a list, or of one scalar, that are not absent; None if none is left."""
    if node.text is not None:
        return None if node.text in absent else node
    left = tuple(member for member in node.list() if member.text not in absent)
    return replace(node, members=left) if left else None


def _acts(node: Node, absent: Collection[str]) -> Node | None:
    """The acts that are not about absent pieces; None if there were some and none is left."""
    left = tuple(act for act in node.list() if not _about(act) & set(absent))
    return replace(node, members=left) if left or not node.list() else None


def _about(act: Node) -> set[str]:
    return {(value.text or "").partition(".")[0] for key, value in act.items() if key in ACTS}
