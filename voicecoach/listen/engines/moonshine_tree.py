"""Phrases as a prefix tree of pieces, so that a common prefix is computed once. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field


@dataclass(slots=True)
class PrefixNode:
    """A prefix. piece: its last piece. children: by their piece. ends: numbers of the phrases that end here."""

    piece: int
    children: dict[int, PrefixNode] = field(default_factory=dict)
    ends: list[int] = field(default_factory=list)


def spellings(phrase: str) -> tuple[str, ...]:
    """How a phrase may be written: as it is, and with a capital first letter."""
    return tuple(dict.fromkeys((phrase, phrase[:1].upper() + phrase[1:])))


def plant(phrases: Sequence[str], encode: Callable[[str], Sequence[int]], begin: int) -> PrefixNode:
    """The tree of all phrases in all spellings.

    Args:
        encode: gives the pieces of a text. begin: the piece with which every text begins.
    """
    root = PrefixNode(begin)
    for number, phrase in enumerate(phrases):
        for text in spellings(phrase):
            node = root
            for piece in encode(text):
                node = node.children.setdefault(piece, PrefixNode(piece))
            node.ends.append(number)
    return root
