"""A voice that is not heard: for typed sessions, and for machines without a speaker."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.speak.port import RenderProgress

WORDS_A_MINUTE = 140
MARKER = 1e-4
"""Amplitude of the signal in place of speech: inaudible, but it shows that something is playing, even in 16 bits."""


def spoken_s(text: str) -> float:
    """How long the words of `text`, at least one, take at WORDS_A_MINUTE (s)."""
    words = re.findall(r"\w+(?:['’-]\w+)*", text)  # noqa: RUF001 the typographic apostrophe is meant
    return max(1, len(words)) * 60 / WORDS_A_MINUTE


class SilentVoice:
    """Renders every prompt as near silence as long as its words would take."""

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
