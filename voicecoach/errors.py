"""The root of all errors. A message says where the problem is, what it is, what was expected, and how to fix it."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


def printable(text: str) -> str:
    """`text` with control characters escaped, so that no file can send commands to the terminal."""
    return "".join(char if char.isprintable() or char in "\n\t" else ascii(char)[1:-1] for char in text)


def did_you_mean(given: str, known: Iterable[str]) -> str:
    """What to do about a misspelt name: the known one that is most like it; '' if none is."""
    alike = difflib.get_close_matches(given, list(known), 1)
    return f"did you mean {alike[0]!r}?" if alike else ""


class VoicecoachError(Exception):
    """Root of all errors meant for people.

    Args:
        what: what is wrong, in plain words.
        where: the file, line and field, the device or the engine concerned; may be empty.
        expected: what was expected there; may be empty.
        mend: what the reader can do about it; may be empty.
    """

    def __init__(self, what: str, *, where: str = "", expected: str = "", mend: str = "") -> None:
        self.what = what
        self.where = where
        self.expected = expected
        self.mend = mend
        super().__init__(self.line())

    def line(self) -> str:
        """The whole message on one line."""
        text = f"{self.where}: {self.what}" if self.where else self.what
        if self.expected:
            text += f"; expected {self.expected}"
        if self.mend:
            text += f" ({self.mend})"
        return printable(" ".join(text.split()))


class InputError(VoicecoachError):
    """A file, option or folder given by a person cannot be used."""


class EngineError(VoicecoachError):
    """A recogniser or a voice cannot be started, has died, or sent an invalid answer."""


class AudioError(VoicecoachError):
    """A microphone or a speaker cannot be opened, or has gone away."""


class RecordError(VoicecoachError):
    """The record of a session cannot be written or read."""
