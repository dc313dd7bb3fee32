"""A voice that nobody hears: for typed sessions, and for a machine without a speaker."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.speak.port import RenderProgress

WORDS_A_MINUTE = 140
MARKER = 1e-4
"""Amplitude of what stands for speech: it shows that something sounds and survives 16-bit files; nobody hears it."""


def spoken_s(text: str) -> float:
    """Seconds that the words of `text` take at WORDS_A_MINUTE; one word at least."""
    words = re.findall(r"\w+(?:['’-]\w+)*", text)  # noqa: RUF001 the typographic apostrophe is meant
    return max(1, len(words)) * 60 / WORDS_A_MINUTE


class SilentVoice:
    """Renders every prompt as near silence of the length that its words would take."""

    name = "silent"
    ok = True
    why = ""

    def prepare(self, texts: Sequence[str], progress: RenderProgress | None = None) -> list[str]:
        """Nothing needs rendering."""
        if progress is not None:
            progress(len(texts), len(texts))
        return []

    def sound(self, text: str) -> Samples:
        """A marker signal, float32, shape (frames,)."""
        frames = round(spoken_s(text) * RATE_HZ)
        return np.resize(np.array([MARKER, -MARKER], dtype=np.float32), frames)
