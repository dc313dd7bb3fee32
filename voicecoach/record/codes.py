"""Codes by which a training programme knows people and rooms; a record never holds a name. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterable

from voicecoach.errors import InputError
from voicecoach.protocol.model import ROLES

CODE = re.compile(r"(?=.*[0-9])[A-Za-z0-9][A-Za-z0-9-]{0,15}")
"""Letters, digits and hyphens, with at least one digit, so that a plain name is refused."""
_WANTED = "at most 16 letters, digits and hyphens, one of them a digit, such as W07"


def people(given: Iterable[str]) -> tuple[tuple[str, str], ...]:
    """ROLE=CODE texts as pairs.

    Raises:
        InputError: a role is unknown or repeated, or a text is not a code.
    """
    found: dict[str, str] = {}
    for text in given:
        role, _, code = text.partition("=")
        if role not in ROLES:
            raise InputError(
                f"{role!r} is not a role",
                where="--code",
                expected="one of " + ", ".join(f"{name}=CODE" for name in ROLES),
            )
        if role in found:
            raise InputError(f"{role} is given twice", where="--code", expected="each role once")
        found[role] = _code(code, "--code")
    return tuple(found.items())


def room(text: str) -> str:
    """A room's code; '' for none.

    Raises:
        InputError: it is not a code.
    """
    return _code(text, "--room") if text else ""


def _code(text: str, where: str) -> str:
    if not CODE.fullmatch(text):
        raise InputError(f"{text!r} is not a code", where=where, expected=_WANTED)
    return text
