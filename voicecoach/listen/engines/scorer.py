"""The interface between an engine and the pipeline: scores of phrases, and the floors for those scores."""

from __future__ import annotations

from collections.abc import Collection
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from voicecoach.audio.line import Samples
from voicecoach.grammar import Grammar, Scored

Array = NDArray[np.float32]
"""Arrays of a network; each function states the shape."""
Scores = NDArray[np.float64]
"""One score per phrase, or a matrix of them."""


class Scorer(Protocol):
    """Turns one utterance into scored phrases."""

    engine: str

    def prepare(self, grammar: Grammar) -> Grammar:
        """Get ready for a grammar; called once, before anything is scored.

        Returns:
            the grammar with floors and margins in the unit of this engine's scores.
        """

    def score(self, samples: Samples, live: Collection[str]) -> tuple[list[Scored], float | None]:
        """Score one utterance, shape (frames,), against the live commands; also the best decoy's score, if any."""
