"""What an engine is to the pipeline: phrases scored, and the floors that its scores are held against."""

from __future__ import annotations

from collections.abc import Collection
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from voicecoach.audio.line import Samples
from voicecoach.grammar import Grammar, Scored

Array = NDArray[np.float32]
"""What a network computes with; each function gives the shape."""
Scores = NDArray[np.float64]
"""A score for each of several phrases, or a matrix of them."""


class Scorer(Protocol):
    """What turns one utterance into scored phrases."""

    engine: str

    def prepare(self, grammar: Grammar) -> Grammar:
        """Get ready for a grammar; called once, before anything is scored.

        Returns:
            the grammar with floors and margins in the unit of this engine's scores.
        """

    def score(self, samples: Samples, live: Collection[str]) -> tuple[list[Scored], float | None]:
        """Score one utterance, shape (frames,), against the live commands; also the best decoy's score, if any."""
