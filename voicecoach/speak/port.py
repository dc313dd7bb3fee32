"""The one port through which the coach speaks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from voicecoach.audio.line import Samples

RenderProgress = Callable[[int, int], None]
"""Called with how many prompts are done, of how many."""


class Speaker(Protocol):
    """Turns prompts into samples.

    name: engine and voice, for the record. ok: False once a prompt could not be rendered, so that it can be said.
    why: what failed last, in plain words; empty while nothing did.
    """

    name: str
    ok: bool
    why: str

    def prepare(self, texts: Sequence[str], progress: RenderProgress | None = None) -> list[str]:
        """Render all of `texts` ahead; the texts that could not be rendered."""

    def sound(self, text: str) -> Samples:
        """The prompt as float32 at RATE_HZ, shape (frames,); never empty, never raises."""
