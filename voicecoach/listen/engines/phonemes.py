"""The embedded engine: a closed grammar scored over the log-probabilities of a phoneme recogniser.

The network (that of the package `hama`, with its weights in the wheel) gives log-probabilities of its phones every
20 ms. Each live phrase is scored by the CTC forward algorithm against the best free path, per phone: 0 is a perfect
fit, and long phrases are not penalised for their length. Danger words are scored a second time with free paths before
and after them, so that they are found inside a sentence (rule 7).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from voicecoach.audio.line import Samples
from voicecoach.errors import EngineError
from voicecoach.grammar import Grammar, Scored
from voicecoach.listen.engines.network import HamaNetwork

FRAME = 320
"""Samples per frame of log-probabilities (20 ms)."""

INSIDE = 1.0
"""Deducted from the score of a danger word inside a sentence (log-odds per phone), because free paths make it easier
to find one by chance."""

SENTENCE = 70
"""Least length of an utterance, pads included, that is searched as a sentence (frames; 1.4 s). In shorter ones the free
paths found danger words in other words four times as often, and no more of the real ones."""

LEVEL = 0.08
"""RMS to which an utterance is amplified before decoding; at a quarter of it 5 of 100 commands were lost."""

SHORTEST_PHRASE = 2
"""Least number of phones in a phrase. A single phone fits any word that contains it."""

LANGUAGES = ("en", "ko")
"""Languages whose words the engine can spell by itself."""

_LOUDEST_GAIN = 20.0
_SHORTEST = 5 * FRAME
_SPELLINGS = 6
_TINY = 1e-300

Matrix = NDArray[np.float64]


class Network(Protocol):
    """A source of phone probabilities. phones: names by column; blank: the column for no phone."""

    phones: Sequence[str]
    blank: int

    def log_probabilities(self, samples: Samples) -> NDArray[np.floating]:
        """Natural logarithms, shape (frames, phones), of an utterance of shape (samples,)."""


@dataclass(frozen=True, slots=True)
class Paths:
    """Phone sequences laid out for the forward algorithm, one per row.

    columns: shape (rows, states), the network's column of each state (blanks between the phones). skip: 1 where a state
    can be reached from the previous phone, skipping the blank. final: 1 for the two states in which a row may end.
    lengths: phones per row.
    """

    columns: NDArray[np.intp]
    skip: Matrix
    final: Matrix
    lengths: Matrix


@dataclass(frozen=True, slots=True)
class SpellingScores:
    """The scores of an utterance. whole: of each spelling of each phrase, in the order of `phrases`, shape (rows,);
    decoy: of the best decoy; inside: of danger words inside it, by row, empty if it is too short for a sentence;
    nearest: the words of the best decoy.
    """

    whole: Matrix
    decoy: float
    inside: dict[int, float]
    nearest: str = ""


def lay_out(sequences: Sequence[Sequence[int]], blank: int) -> Paths:
    """Lay out phone sequences, given as columns of the network."""
    longest = max((len(sequence) for sequence in sequences), default=0)
    shape = (len(sequences), 2 * longest + 1)
    columns, skip, final = np.full(shape, blank, np.intp), np.zeros(shape), np.zeros(shape)
    for row, sequence in enumerate(sequences):
        columns[row, 1 : 2 * len(sequence) : 2] = sequence
        for place in range(1, len(sequence)):
            skip[row, 2 * place + 1] = float(sequence[place] != sequence[place - 1])
        final[row, 2 * len(sequence) - 1 : 2 * len(sequence) + 1] = 1.0
    return Paths(columns, skip, final, np.array([float(len(sequence)) for sequence in sequences]))


def forward(emissions: Matrix, paths: Paths, *, inside: bool = False) -> Matrix:
    """Log-odds of each row against the best free path, per phone; shape (rows,).

    Args:
        emissions: shape (frames, phones), probabilities divided by the frame's greatest.
        inside: the row may begin and end anywhere, the rest being the free path; else it is the whole utterance.
    """
    best, _ = _forward(emissions, paths, inside=inside)
    scores: Matrix = np.log(np.maximum(best, _TINY)) / np.maximum(paths.lengths, 1.0)
    return scores


def _forward(emissions: Matrix, paths: Paths, *, inside: bool) -> tuple[Matrix, NDArray[np.intp]]:
    """The odds of each row, and the frame in which it ends best; both of shape (rows,)."""
    rows, states = paths.columns.shape
    # two columns of zeros in front, so that a state's predecessors are plain shifts
    reach = np.zeros((rows, states + 2))
    best, at = np.zeros(rows), np.full(rows, len(emissions) - 1, np.intp)
    for number, frame in enumerate(emissions):
        ahead = reach[:, 2:] + reach[:, 1:-1] + paths.skip * reach[:, :-2]
        if number == 0 or inside:
            ahead[:, 1] += 1.0
            ahead[:, 0] = 0.0 if inside else 1.0
        reach[:, 2:] = ahead * frame[paths.columns]
        if inside:
            ended = (reach[:, 2:] * paths.final).sum(axis=1)
            at[ended > best] = number
            np.maximum(best, ended, out=best)
    return (best if inside else (reach[:, 2:] * paths.final).sum(axis=1)), at


class PhonemeScorer:
    """Scores utterances against the phrases of a grammar.

    Args:
        network: the source of phone probabilities; the one in the `hama` wheel if not given.

    Raises:
        EngineError: the network cannot be loaded, or a word has no phones.
    """

    engine = "phonemes"

    def __init__(self, network: Network | None = None) -> None:
        self._network: Network = network if network is not None else HamaNetwork()
        # glides joined with a vowel ('wa', 'ju') are Korean phones; in English they are two
        self._columns = {
            phone: column
            for column, phone in enumerate(self._network.phones)
            if not (len(phone) == 2 and phone[0] in "jw\u026f" and phone[1].isalpha())
        }
        self._longest = max(len(phone) for phone in self._columns)
        self.phrases: list[tuple[str, str]] = []
        self._urgent: list[int] = []
        self._all = self._inside = lay_out([], self._network.blank)
        self._last: tuple[Samples, SpellingScores] | None = None

    def prepare(self, grammar: Grammar) -> Grammar:
        """Spell and lay out every phrase and decoy; the grammar's floors are in the unit of these scores."""
        self.phrases, sequences, self._last = [], [], None
        for command in grammar.commands:
            for phrase in command.phrases:
                for sequence in self._spell(grammar, phrase):
                    if len(sequence) < SHORTEST_PHRASE:
                        raise EngineError(
                            "is a single sound, which occurs in many words",
                            where=f"{grammar.file or grammar.name}: the phrase {phrase!r} of {command.name!r}",
                            expected="at least two sounds",
                        )
                    self.phrases.append((command.name, phrase))
                    sequences.append(sequence)
        urgent = {command.name for command in grammar.urgent}
        self._urgent = [row for row, (name, _) in enumerate(self.phrases) if name in urgent]
        decoys = [(decoy, sequence) for decoy in grammar.decoys for sequence in self._spell(grammar, decoy)]
        self._decoys = [decoy for decoy, _ in decoys]
        self._all = lay_out([*sequences, *(sequence for _, sequence in decoys)], self._network.blank)
        self._inside = lay_out([sequences[row] for row in self._urgent], self._network.blank)
        extra = [grammar.inside(self.phrases[row][0]) for row in self._urgent]
        self._inside_loss = INSIDE + np.array(extra, dtype=np.float64)
        return grammar

    def score(self, samples: Samples, live: Collection[str]) -> tuple[list[Scored], float | None]:
        """Score one utterance.

        Phrases of commands that are not live count as decoys: an answer to another question is not an answer.

        Returns:
            The live commands, best first, each with its best phrase; and the best decoy's score.
        """
        if len(samples) < _SHORTEST:
            return [], None
        found = self.rank(samples)
        best: dict[str, Scored] = {}
        decoy = found.decoy
        for row, (name, phrase) in enumerate(self.phrases):
            if name not in live:
                decoy = max(decoy, float(found.whole[row]))
                continue
            score = float(max(found.whole[row], found.inside.get(row, -math.inf)))
            if name not in best or score > best[name].score:
                best[name] = Scored(name, phrase, score)
        ranked = sorted(best.values(), key=lambda scored: (-scored.score, scored.command))
        return ranked, None if decoy == -math.inf else decoy

    def rank(self, samples: Samples) -> SpellingScores:
        """The scores of all phrases on one utterance; the result for the same array is cached."""
        if self._last is None or self._last[0] is not samples:
            self._last = samples, self._rank(samples)
        return self._last[1]

    def _rank(self, samples: Samples) -> SpellingScores:
        if len(samples) < _SHORTEST:
            return SpellingScores(np.full(len(self.phrases), -math.inf), -math.inf, {})
        emissions = self._emissions(samples)
        scores = forward(emissions, self._all)
        inside: dict[int, float] = {}
        if len(emissions) >= SENTENCE:
            urgent = forward(emissions, self._inside, inside=True) - self._inside_loss
            inside = dict(zip(self._urgent, urgent.tolist(), strict=True))
        known = len(self.phrases)
        against = scores[known:]
        nearest = self._decoys[int(against.argmax())] if len(against) else ""
        return SpellingScores(scores[:known], float(max(against, default=-math.inf)), inside, nearest)

    def nearest_decoy(self, samples: Samples) -> str:
        """The decoy that an utterance is most like; '' if there is none."""
        return self.rank(samples).nearest

    def find(self, samples: Samples, row: int) -> tuple[int, int]:
        """Where in an utterance phrase `row` of `phrases` fits best: its first sample and the one after its last."""
        emissions = self._emissions(samples)
        size = int(self._all.lengths[row])
        phones = self._all.columns[row, 1 : 2 * size : 2].tolist()
        _, last = _forward(emissions, lay_out([phones], self._network.blank), inside=True)
        end = int(last[0]) + 1
        backwards = lay_out([phones[::-1]], self._network.blank)
        _, first = _forward(emissions[:end][::-1], backwards, inside=True)
        return (end - 1 - int(first[0])) * FRAME, end * FRAME

    def _emissions(self, samples: Samples) -> Matrix:
        level = float(np.sqrt(np.mean(np.square(samples, dtype=np.float64))))
        gain = min(LEVEL / max(level, 1e-6), _LOUDEST_GAIN)
        logs = self._network.log_probabilities(np.clip(samples * np.float32(gain), -1.0, 1.0))
        emissions: Matrix = np.exp(logs - logs.max(axis=1, keepdims=True), dtype=np.float64)
        return emissions

    def _spell(self, grammar: Grammar, phrase: str) -> Iterable[tuple[int, ...]]:
        """The pronunciations of a phrase, as columns of the network."""
        sounds = dict(grammar.sounds)
        whole = sounds.get(phrase)
        parts = [whole] if whole else [sounds.get(word) or self._guess(grammar, word) for word in phrase.split()]
        for choice in itertools.islice(itertools.product(*parts), _SPELLINGS):
            yield tuple(column for spelling in choice for column in self._split(spelling, phrase))

    def _split(self, spelling: str, phrase: str) -> list[int]:
        """Columns of a spelling such as 'bɹit͡ʃ', the longest phone first."""
        columns: list[int] = []
        place = 0
        while place < len(spelling):
            for size in range(min(self._longest, len(spelling) - place), 0, -1):
                column = self._columns.get(spelling[place : place + size])
                if column is not None:
                    columns.append(column)
                    place += size
                    break
            else:
                raise EngineError(
                    f"{spelling!r} has a sound that the engine does not know at {spelling[place:]!r}",
                    where=f"sounds of {phrase!r}",
                    expected="phones of the engine: " + " ".join(p for p in self._columns if p.isalpha()),
                )
        return columns

    def _guess(self, grammar: Grammar, word: str) -> tuple[str, ...]:
        where = f"{grammar.file or grammar.name}: the word {word!r}"
        if not isinstance(self._network, HamaNetwork):
            raise EngineError("has no spelling", where=where, expected="an entry under 'sounds'")
        if grammar.language not in LANGUAGES:
            known = " and ".join(repr(language) for language in LANGUAGES)
            what = f"has no spelling, and the phoneme recogniser cannot spell {grammar.language!r}, only {known}"
            raise EngineError(what, where=where, expected="an entry under 'sounds'")
        # for letters that are not English it makes something up
        foreign = grammar.language == "en" and not (word.isascii() and word.replace("'", "").isalpha())
        phones = () if foreign else self._network.spell(word)
        if not phones:
            raise EngineError("cannot be spelt in phones", where=where, expected="an entry under 'sounds'")
        return ("".join(phones),)
