"""The checker's values: the state of every surface, and what is reported about a step. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from voicecoach.protocol.ledger import Ledger, Worn
from voicecoach.protocol.model import Item

SOIL = 4
LEVEL = 3
RUBBED, ENTERED, OBSERVER_TOUCHED, ASSISTANT_TOUCHED, HURRIED = 1, 2, 4, 8, 16
TOUCHED = {"observer": OBSERVER_TOUCHED, "assistant": ASSISTANT_TOUCHED}


class World(NamedTuple):
    """Everything known about the surfaces at one moment.

    levels: a byte for each surface, level plus SOIL. worn: item numbers in the order of donning, as far as it matters.
    since: for each item, a bit set of the surfaces it touched since it was last found clear. flags: RUBBED (rubbed
    since the last thing came off or the hands met something dirty), ENTERED (work has begun), which helper has touched
    the wearer since rubbing, and HURRIED (something took precedence over some of the rules). gone: a bit for each item
    that has come off, as far as it matters. torn: a bit for each glove known to be torn.
    """

    levels: bytes
    worn: tuple[int, ...]
    since: tuple[int, ...]
    flags: int
    gone: int = 0
    torn: int = 0


@lru_cache(maxsize=4096)
def worn_ledger(items: tuple[Item, ...], worn: tuple[int, ...], gone: int) -> Ledger:
    """What a session's ledger says of the items of a world: those of `worn` are on, those of the bit set `gone` off."""
    how: list[tuple[str, Worn]] = [
        (item.name, "on" if n in worn else "off" if gone >> n & 1 else "never") for n, item in enumerate(items)
    ]
    return Ledger(tuple(how))


class Violation(NamedTuple):
    """One violation of a rule: where, on what, and which surface carried it."""

    rule: str
    step: str
    at: str
    carrier: str


class Contact(NamedTuple):
    """A line of the log: in `step`, `surface` became `level` through `how` (contact, overlap, flick) from `carrier`."""

    step: str
    surface: str
    before: int
    level: int
    how: str
    carrier: str


@dataclass(frozen=True, slots=True)
class Slip:
    """Something done wrong in one step. kind: 'short' (time cut), 'grip' (held at the worst zone) or 'face' (the hand
    goes to the face).
    """

    kind: str
