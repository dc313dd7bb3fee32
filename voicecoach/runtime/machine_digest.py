"""A digest of the code that decides on a session's effects, by which a replay knows another version of it."""

from __future__ import annotations

import hashlib
import re
from importlib import resources
from pathlib import Path

MACHINE = ("session", "protocol")
"""Packages whose code decides on a session's effects."""
_COMMENTS = re.compile(
    rb'^([ \t]*)"""(?:[^"\\]|\\.|"(?!""))*"""[ \t]*\n' rb"|^[ \t]*(?:#[^\n]*)?\n|  #[^\n]*", re.MULTILINE | re.DOTALL
)


def machine_digest() -> str:
    """The first twelve digits of a digest of the code in MACHINE, without comments and docstrings."""
    found = hashlib.sha256()
    for room in MACHINE:
        here = Path(str(resources.files("voicecoach"))) / room
        for path in sorted(here.rglob("*.py")):
            name, code = path.relative_to(here).as_posix(), without_comments(path.read_bytes())
            found.update(name.encode() + b"\0" + code + b"\0")
    return found.hexdigest()[:12]


def without_comments(source: bytes, instead: bytes = b"") -> bytes:
    """Python source without comments, docstrings and empty lines. instead: replaces each docstring.

    It uses a pattern, since parsing fifty files would delay each start by 0.2 s; a test compares it with the parser.
    """
    return _COMMENTS.sub(lambda found: found[1] + instead + b"\n" if found[1] and instead else b"", source)
