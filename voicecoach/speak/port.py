"""The port through which the coach speaks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from voicecoach.audio.line import Samples

RenderProgress = Callable[[int, int], None]
"""Called with the number of prompts done and the total."""


class Speaker(Protocol):
    """Turns prompts into samples.

    name: engine and voice, for the record. ok: False once a prompt could not be rendered. why: the last failure in
    plain words; '' while there was none.
    """

    name: str
    ok: bool
    why: str

    def prepare(self, texts: Sequence[str], progress: RenderProgress | None = None) -> list[str]:
        """Render all of `texts`; returns those that could not be rendered."""

    def sound(self, text: str) -> Samples:
        """The prompt as float32 at RATE_HZ, shape (frames,); never empty, never raises."""
