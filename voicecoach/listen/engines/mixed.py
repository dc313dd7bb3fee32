"""Both small engines together, with a calibrated decision.

Moonshine ranks better, the phonemes refuse better. Their scores together give the probability that the best command is
the right one (`chance`), which is compared with the floors. The phonemes look for danger words first, even inside
sentences. One that they find clearly is decided before moonshine runs; one inside a sentence is cut out and judged
like an utterance of its own, or accepted if moonshine's text contains it. What is refused by little is scored once
more, somewhat slower, and the means of both scores decide.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace

import numpy as np
import soxr

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.grammar import Grammar, Scored, decide
from voicecoach.listen import chance
from voicecoach.listen.engines.moonshine import MoonshineScorer, written
from voicecoach.listen.engines.phonemes import PhonemeScorer, SpellingScores
from voicecoach.listen.engines.scorer import Scores

PLAIN = -0.5
"""A danger word, said alone, that the phonemes score this high (log-odds per phone) is accepted at once.

Not in a whole look into speech that continues: among three voices a second of them fits "needle" as well as anything.
Of 141 utterances of tuning voices there, 10 dB down, 15 then came out as a danger word, and none without it; of 63
danger words in sentences as many were heard in quiet and behind a mask, and 33 instead of 35 among the voices.
"""

CERTAIN = 5.0
"""The log-odds it is then given."""

INSIDE = 5.0
"""Deducted from the score of a danger word cut out of a sentence (log-odds). Of 84 danger words in sentences of four
tuning voices 77 were heard in quiet, 70 behind a mask at 10 dB and 70 among three voices at 10 dB. One fit before, they
were 77, 70 and 71, with 4.0 as well, which took "stop" from "options" twice in 22 minutes of ordinary sentences."""

LOOK = RATE_HZ * 13 // 10
"""Least length of a look into speech that continues: the segmenter's window (frames). A shorter piece is its end."""

SLOWER = 1.07
"""How much longer the same sound lasts at the second look. Of 2,716 utterances of the tuning voices it made 22 refused
answers and 8 danger words right and 1 wrong, and took 1 sound that is no command; floors lower by 0.5 made 25 and 8
right, 7 wrong, and took 9. Slower by 12 or 18 %, faster by 7 %, without its first and last tenth of a second, with its
treble raised or its noise reduced: fewer right or more wrong."""

LITTLE = 4.0
"""Log-odds below its floor from which the best command is not worth a second look, which costs as much as the first."""

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
        self._rules = self._fitted.rules(grammar)
        return self._rules

    def score(self, samples: Samples, live: Collection[str]) -> tuple[list[Scored], float | None]:
        """Score one utterance, shape (frames,), against the live commands: log-odds that it is meant. No decoys."""
        phones = self._phonemes.rank(samples)
        alone, inside = self._danger(phones, live)
        part = self._urgent.issuperset(live)  # a piece of speech that continues
        if alone is not None and alone.score >= PLAIN and not (part and len(samples) >= LOOK):
            return [Scored(alone.command, alone.phrase, CERTAIN)], None
        best: dict[str, Scored] = {}
        if inside is not None:
            begin, end = self._phonemes.find(samples, inside)
            name, _ = self._phonemes.phrases[inside]
            piece = samples[max(begin - PAD, 0) : end + PAD]
            found, _ = self._weigh(piece, self._urgent.intersection(live), self._phonemes.rank(piece))
            best.update({s.command: replace(s, score=s.score - INSIDE) for s in found if s.command == name})
        if not part or inside is not None:
            found, text = self._weigh(samples, live, phones)
            named = written(text, self._danger_words, live)
            _add(best, [*named, *(() if part else found)])
        ranked = _ordered(best)
        return (ranked if part else self._again(samples, live, phones, ranked)), None

    def _again(
        self, samples: Samples, live: Collection[str], phones: SpellingScores, ranked: list[Scored]
    ) -> list[Scored]:
        """The scores after a second look, if they settle what these leave open; a danger word that is asked about is
        not exchanged for another command.
        """
        first = decide(self._rules, ranked, live, None)
        if first.command is not None or first.score < first.floor - LITTLE:
            return ranked
        slower: Samples = soxr.resample(samples, RATE_HZ, RATE_HZ * SLOWER).astype(np.float32)
        found, _ = self._weigh(samples, live, phones, slower)
        again = _ordered({scored.command: scored for scored in found})
        second = decide(self._rules, again, live, None)
        settled = second.command is not None and first.near in {None, second.command}
        return again if settled else ranked

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

    def _weigh(
        self, samples: Samples, live: Collection[str], phones: SpellingScores, slower: Samples | None = None
    ) -> tuple[list[Scored], str]:
        """The log-odds that each live command was said, by this sound or by the mean of both, and moonshine's text."""
        heard = self._moonshine.rank(samples)
        words, (whole, decoy) = heard.scores, self._fits(phones)
        if slower is not None:
            more, more_decoy = self._fits(self._phonemes.rank(slower))
            whole, decoy = (whole + more) / 2, (decoy + more_decoy) / 2
            words = (words + self._moonshine.rank(slower).scores) / 2
        candidates = self._weighing.candidates(live, words, whole, decoy)
        return [Scored(found.command, found.phrase, self._fitted.score(found)) for found in candidates], heard.text

    def _fits(self, phones: SpellingScores) -> tuple[Scores, float]:
        """How well the phonemes find each phrase, and the best decoy; below the least that counts, all is alike."""
        whole = np.array([phones.whole[rows].max() for rows in self._rows])
        return np.maximum(whole, chance.LEAST_PHONES), max(phones.decoy, chance.LEAST_PHONES)


def _add(best: dict[str, Scored], more: Iterable[Scored]) -> None:
    """Keep the better score of each command."""
    for scored in more:
        if scored.command not in best or scored.score > best[scored.command].score:
            best[scored.command] = scored


def _ordered(best: Mapping[str, Scored]) -> list[Scored]:
    return sorted(best.values(), key=lambda scored: (-scored.score, scored.command))
