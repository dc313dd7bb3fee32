"""Finds sentences that somebody who is tired and cannot see the screen may misunderstand (rule 40). Pure.

It looks for a piece with two names in one protocol, and for 'it' or 'them' in a sentence that has not named what it
refers to. Both are hints for the author; nothing is rejected.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from voicecoach.errors import InputError
from voicecoach.grammar import normalise
from voicecoach.protocol.lint import all_steps, unasked
from voicecoach.protocol.model import Protocol, Step

NAMES: tuple[tuple[str, ...], ...] = (
    ("respirator", "mask", "mouth cover", "facepiece"),
    ("hood", "head cover", "cap", "bonnet"),
    ("face shield", "shield", "visor"),
    ("boot covers", "boot cover", "overshoes", "overboots"),
    ("coverall", "suit", "overall"),
    ("goggles", "glasses", "eye protection"),
    ("strap", "straps", "band", "bands", "string", "strings", "elastic"),
    ("outer gloves", "second gloves", "top gloves"),
    ("inner gloves", "first gloves", "under gloves", "inner pair", "fresh pair"),
)
"""Names for the same thing; a protocol should use one of each row. Common practice, no source."""
_SAME = {"straps": "strap", "bands": "band", "strings": "string", "boot cover": "boot covers"}
_STANDS_FOR = re.compile(r"\b(it|its|them|they)\b")
_NOUNS = frozenset((
    "glove", "gloves", "gown", "coverall", "respirator", "mask", "hood", "shield", "goggles", "apron", "boots",
    "covers", "cover", "belt", "hose", "blower", "helmet", "strap", "straps", "edge", "ties", "zip", "flap",
    "cuff", "cuffs", "sleeve", "sleeves", "hem", "piece", "pieces", "place", "places", "hand", "hands",
    "fingers", "skin", "clothes", "shoes", "eyes", "head", "brow", "face", "gel", "cloth", "seat", "chair",
    "bench", "bin", "bag", "bags", "box", "gel", "area", "things", "cut", "wound", "words", "needle", "sharps",
    "report", "damage", "dirt",
))  # fmt: skip


def doubtful(protocol: Protocol) -> list[InputError]:
    """Every sentence of the steps with a second name for a piece, or with a word that refers to nothing named."""
    found: list[InputError] = []
    first: dict[int, tuple[str, str]] = {}
    for where, text in _sentences(protocol):
        for row, name in _names(text):
            known = first.setdefault(row, (name, where))
            if known[0] != name:
                what = f"says {name!r} for what is {known[0]!r} in {known[1]}"
                found.append(InputError(what, where=where, expected="one name for one thing"))
        word = _unnamed(text)
        if word:
            what = f"says {word!r} for something it has not named: {text!r}"
            found.append(InputError(what, where=where, expected="its name"))
    return found


def _sentences(protocol: Protocol) -> Iterator[tuple[str, str]]:
    for item in protocol.items:
        yield f"{protocol.file}:{item.line}: items.{item.name}.label", item.label
    for _, step in all_steps(protocol):
        yield from _of_step(protocol, step)


def _of_step(protocol: Protocol, step: Step) -> Iterator[tuple[str, str]]:
    for field, text in (*unasked(step), ("help", step.help)):
        if text:
            yield f"{protocol.file}:{step.line}: {step.name}.{field}", text


def _names(text: str) -> Iterator[tuple[int, str]]:
    """The names used in a text, each with the number of its row; where two overlap, the longer one counts."""
    words = f" {normalise(text).replace(chr(39) + 's ', ' ')} "
    for row, names in enumerate(NAMES):
        rest = words
        for name in sorted(names, key=len, reverse=True):
            if f" {name} " in rest:
                rest = rest.replace(f" {name} ", " | ")
                yield row, _SAME.get(name, name)


def _unnamed(text: str) -> str:
    """The first word that refers to something not named before it in the same prompt; '' if there is none."""
    said = normalise(text)
    found = _STANDS_FOR.search(said)
    while found is not None:
        before = said[: found.start()].replace("'s", "").split()
        if not _NOUNS & set(before):
            return found[1]
        found = _STANDS_FOR.search(said, found.end())
    return ""
