"""Both small engines together, with a calibrated decision.

Moonshine ranks better, the phonemes refuse better. Their scores together give the probability that the best command is
the right one (`chance`), which is compared with the floors. The phonemes look for danger words first, even inside
sentences. One that they find clearly is decided before moonshine runs; one inside a sentence is cut out and judged
like an utterance of its own, or accepted if moonshine's text contains it.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.grammar import Grammar, Scored, decide
from voicecoach.listen import chance
from voicecoach.listen.engines.moonshine import MoonshineScorer, written
from voicecoach.listen.engines.phonemes import PhonemeScorer, SpellingScores

PLAIN = -0.5
"""A danger word, said alone, that the phonemes score this high (log-odds per phone) is accepted at once."""

CERTAIN = 5.0
"""The log-odds it is then given."""

INSIDE = 3.0
"""Deducted from the score of a danger word cut out of a sentence (log-odds). In 27 minutes of one person's ordinary
sentences the phonemes alone found 24 danger words; with moonshine's score of the piece 9 were likely, none by this
much."""

PAD = RATE_HZ * 15 // 100
"""Sound kept around a danger word that is cut out (frames)."""


class MixedScorer:
    """Scores utterances against the phrases of an English grammar.

    Args:
        phonemes, moonshine: the two engines; by default those of their wheels.

    Raises:
        EngineError: one of them cannot be loaded.
    """

    engine = "mixed"

    def __init__(self, phonemes: PhonemeScorer | None = None, moonshine: MoonshineScorer | None = None) -> None:
        self._phonemes = phonemes if phonemes is not None else PhonemeScorer()
        self._moonshine = moonshine if moonshine is not None else MoonshineScorer()
        self._fitted = chance.fitted(self.engine)

    def prepare(self, grammar: Grammar) -> Grammar:
        """Get ready for a grammar; see `Scorer`."""
        self._grammar = self._phonemes.prepare(grammar)
        self._moonshine.prepare(grammar)
        self._weighing = chance.Weighing(grammar, chance.MIXED, self._moonshine.expected)
        rows: dict[str, list[int]] = {}
        for row, (_, phrase) in enumerate(self._phonemes.phrases):
            rows.setdefault(phrase, []).append(row)
        self._rows = [rows[phrase] for phrase in self._weighing.phrases]
        self._danger_words = grammar.urgent
        self._urgent = frozenset(command.name for command in self._danger_words)
        return self._fitted.rules(grammar)

    def score(self, samples: Samples, live: Collection[str]) -> tuple[list[Scored], float | None]:
        """Score one utterance, shape (frames,), against the live commands: log-odds that it is meant. No decoys."""
        phones = self._phonemes.rank(samples)
        alone, inside = self._danger(phones, live)
        if alone is not None and alone.score >= PLAIN:
            return [Scored(alone.command, alone.phrase, CERTAIN)], None
        best: dict[str, Scored] = {}
        part = self._urgent.issuperset(live)  # a look into speech that continues
        if inside is not None:
            begin, end = self._phonemes.find(samples, inside)
            name, _ = self._phonemes.phrases[inside]
            piece = samples[max(begin - PAD, 0) : end + PAD]
            found, _ = self._weigh(piece, self._urgent.intersection(live), self._phonemes.rank(piece))
            best.update({s.command: replace(s, score=s.score - INSIDE) for s in found if s.command == name})
        if not part or inside is not None:
            found, text = self._weigh(samples, live, phones)
            for scored in [*written(text, self._danger_words, live), *(() if part else found)]:
                if scored.command not in best or scored.score > best[scored.command].score:
                    best[scored.command] = scored
        return sorted(best.values(), key=lambda scored: (-scored.score, scored.command)), None

    def nearest_decoy(self, samples: Samples) -> str:
        """The decoy that the phonemes find most similar to an utterance."""
        return self._phonemes.nearest_decoy(samples)

    def _danger(self, phones: SpellingScores, live: Collection[str]) -> tuple[Scored | None, int | None]:
        """The danger word that the phonemes alone accept: as the whole utterance, and its row inside a sentence."""
        best: dict[str, Scored] = {}
        decoy = phones.decoy
        for row, (name, phrase) in enumerate(self._phonemes.phrases):
            score = float(phones.whole[row])
            if name not in live:
                decoy = max(decoy, score)
            elif name not in best or score > best[name].score:
                best[name] = Scored(name, phrase, score)
        decision = decide(self._grammar, list(best.values()), live, decoy)
        alone = best[decision.command] if decision.command in self._urgent else None
        inside = {row: score for row, score in phones.inside.items() if self._phonemes.phrases[row][0] in live}
        over = [row for row in inside if inside[row] >= self._grammar.floor(self._phonemes.phrases[row][0])]
        return alone, max(over, key=inside.__getitem__, default=None)

    def _weigh(self, samples: Samples, live: Collection[str], phones: SpellingScores) -> tuple[list[Scored], str]:
        """The log-odds that each live command was said, and moonshine's text."""
        whole = np.array([phones.whole[rows].max() for rows in self._rows])
        heard = self._moonshine.rank(samples)
        candidates = self._weighing.candidates(live, heard.scores, whole, phones.decoy)
        return [Scored(found.command, found.phrase, self._fitted.score(found)) for found in candidates], heard.text
