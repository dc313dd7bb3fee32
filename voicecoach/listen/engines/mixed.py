"""Both small engines together, and a decision that knows what it does not know.

Moonshine ranks better, the phonemes refuse better: what both say of every phrase becomes the chance that the best
command is the right one (`chance`), and that is held against the floors. Danger words are looked for by the phonemes
first, also inside sentences. One that they have plainly is decided before moonshine is asked; one that is doubtful is
cut out and judged like an utterance of its own.
"""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.grammar import URGENT, Grammar, Scored, decide
from voicecoach.listen import chance
from voicecoach.listen.engines.moonshine import MoonshineScorer
from voicecoach.listen.engines.phonemes import PhonemeScorer, Ranking

PLAIN = -0.9
"""A danger word, said alone, that the phonemes score this well (log-odds a phone) is taken at once."""

CERTAIN = 5.0
"""The log-odds that it is then given."""

PAD = RATE_HZ * 15 // 100
"""Sound kept around a danger word that is cut out (frames)."""


class MixedScorer:
    """Scores utterances against the phrases of an English grammar.

    Args:
        phonemes, moonshine: the two engines; those of their wheels if not given.

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
        self._weighing = chance.Weighing(grammar)
        rows: dict[str, list[int]] = {}
        for row, (_, phrase) in enumerate(self._phonemes.phrases):
            rows.setdefault(phrase, []).append(row)
        self._rows = [rows[phrase] for phrase in self._weighing.phrases]
        self._urgent = frozenset(command.name for command in grammar.commands if command.risk in URGENT)
        return self._fitted.rules(grammar)

    def score(self, samples: Samples, live: Collection[str]) -> tuple[list[Scored], float | None]:
        """Score one utterance, shape (frames,), against the live commands: log-odds that it is meant. No decoys."""
        phones = self._phonemes.rank(samples)
        alone, inside = self._danger(phones, live)
        if alone is not None and alone.score >= PLAIN:
            return [Scored(alone.command, alone.phrase, CERTAIN)], None
        best: dict[str, Scored] = {}
        if inside is not None:
            begin, end = self._phonemes.find(samples, inside)
            piece = samples[max(begin - PAD, 0) : end + PAD]
            name, _ = self._phonemes.phrases[inside]
            urgent = self._urgent.intersection(live)
            best.update({found.command: found for found in self._weigh(piece, urgent) if found.command == name})
        if not self._urgent.issuperset(live):  # else it is a look into speech that goes on
            for found in self._weigh(samples, live, phones):
                if found.command not in best or found.score > best[found.command].score:
                    best[found.command] = found
        return sorted(best.values(), key=lambda scored: (-scored.score, scored.command)), None

    def _danger(self, phones: Ranking, live: Collection[str]) -> tuple[Scored | None, int | None]:
        """The danger word that the phonemes alone would take: as the whole utterance, and its row inside a sentence."""
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

    def _weigh(self, samples: Samples, live: Collection[str], phones: Ranking | None = None) -> list[Scored]:
        """Each live command with the log-odds that it is what was said."""
        ranking = phones if phones is not None else self._phonemes.rank(samples)
        whole = np.array([ranking.whole[rows].max() for rows in self._rows])
        heard = self._moonshine.rank(samples)
        candidates = self._weighing.candidates(live, heard.scores, whole, ranking.decoy)
        return [Scored(found.command, found.phrase, self._fitted.score(found)) for found in candidates]
