"""The one root error. Every message says where, what, what was expected and how to mend it."""

from __future__ import annotations


def printable(text: str) -> str:
    """`text` with its control characters written out, so that no file can send orders to the terminal."""
    return "".join(one if one.isprintable() or one in "\n\t" else ascii(one)[1:-1] for one in text)


class VoicecoachError(Exception):
    """Root of all errors that a person is meant to read.

    Args:
        what: what is wrong, in plain words.
        where: file, line and field, device or engine it is about; may be empty.
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
    """A recogniser or a voice cannot be started, died, or answered nonsense."""


class AudioError(VoicecoachError):
    """A microphone or a speaker cannot be opened or went away."""


class RecordError(VoicecoachError):
    """The record of a session cannot be written or read."""
