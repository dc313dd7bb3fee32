"""Phrases scored by moonshine, a small speech-to-text model.

Its own transcripts of single words are poor, but its probabilities of given phrases rank them better than the phones
do. All phrases are scored at once over a prefix tree, in both spellings, with the probability that the text ends there.
What the model expects before it hears anything ("go on" rather than "gown on") is partly subtracted.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from importlib import resources

import numpy as np

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.errors import EngineError
from voicecoach.grammar import Command, Grammar, Scored, normalise
from voicecoach.listen import chance
from voicecoach.listen.engines.moonshine_network import Beams, EncodedUtterance, MoonshineNetwork
from voicecoach.listen.engines.moonshine_pieces import BEGIN, END
from voicecoach.listen.engines.moonshine_tree import PrefixNode, plant
from voicecoach.listen.engines.scorer import Scores

LANGUAGE = "en"
"""The language of the model in the wheel."""

EXPECTED = 0.3
"""How much of a phrase's score on noise alone is subtracted from its score."""

LEAST = -16.0
"""A prefix this far below the likeliest text is dropped (nats); a phrase that was not found gets this score."""

WRITTEN = 2.0
"""Log-odds of a danger word in moonshine's text."""

BEAMS = 16
"""Prefixes followed in parallel."""

LEVEL = 0.08
"""RMS to which an utterance is amplified."""

_LOUDEST_GAIN = 20.0
_SHORTEST = RATE_HZ // 10
_MOST_PIECES = 30
_ROWS = 32
_MARKS = (".", ",", "!", "?")
_NOISES = 6
_EXPECTED_FILE = "moonshine_expected.json"


@dataclass(frozen=True, slots=True)
class UtteranceScores:
    """An utterance. scores: of each phrase against the likeliest text (natural logarithms, at least LEAST), less the
    expected score; shape (phrases,). text: the likeliest text.
    """

    scores: Scores
    text: str


class MoonshineScorer:
    """Scores utterances against the phrases of an English grammar.

    Args:
        network: the model; that of the wheel if not given.

    Raises:
        EngineError: the model cannot be loaded.
    """

    engine = "moonshine"

    def __init__(self, network: MoonshineNetwork | None = None) -> None:
        self._network = network if network is not None else MoonshineNetwork()
        pieces = self._network.pieces
        self._ends = [END, *(pieces.one(mark) for mark in _MARKS)]
        self.phrases: list[str] = []
        self._tree = PrefixNode(BEGIN)
        self.expected: Scores = np.zeros(0)
        self._last: tuple[Samples, UtteranceScores] | None = None
        self._fitted = chance.fitted(self.engine)

    def prepare(self, grammar: Grammar) -> Grammar:
        """Build the tree of phrases, and compute the expected scores of new ones (0.03 s each).

        Raises:
            EngineError: the grammar is in another language.
        """
        if grammar.language != LANGUAGE:
            raise EngineError(
                f"moonshine does not know the language {grammar.language!r}",
                where=grammar.file or grammar.name,
                expected=LANGUAGE,
            )
        self.phrases, self._last = [phrase for command in grammar.commands for phrase in command.phrases], None
        known = shipped_expected()
        new = [phrase for phrase in self.phrases if phrase not in known]
        known.update(zip(new, self.expect(new), strict=True))
        self.expected = np.array([known[phrase] for phrase in self.phrases])
        self._tree = plant(self.phrases, self._network.pieces.encode, BEGIN)
        self._weighing = chance.Weighing(grammar, chance.ALONE)
        self._urgent = grammar.urgent
        return self._fitted.rules(grammar)

    def rank(self, samples: Samples) -> UtteranceScores:
        """Score all phrases on one utterance, shape (samples,); the result for the same array is cached."""
        if self._last is None or self._last[0] is not samples:
            self._last = samples, self._rank(samples)
        return self._last[1]

    def _rank(self, samples: Samples) -> UtteranceScores:
        if len(samples) < _SHORTEST:
            return UtteranceScores(np.full(len(self.phrases), LEAST), "")
        heard, empty = self._network.listen(_levelled(samples))
        text, best = self._freely(heard, empty)
        found = self._follow(heard, empty, self._tree, len(self.phrases), beams=BEAMS, least=best + LEAST)
        return UtteranceScores(np.maximum(found - best, LEAST) - EXPECTED * self.expected, text)

    def score(self, samples: Samples, live: Collection[str]) -> tuple[list[Scored], float | None]:
        """Score one utterance, shape (frames,): log-odds that each live command is meant. No decoys.

        A danger word is also accepted if it occurs in moonshine's transcript.
        """
        heard = self.rank(samples)
        best: dict[str, Scored] = {}
        # in speech that continues only danger words are live, and no phrase is said alone
        if not {command.name for command in self._urgent}.issuperset(live):
            for found in self._weighing.candidates(live, heard.scores):
                best[found.command] = Scored(found.command, found.phrase, self._fitted.score(found))
        for said in written(heard.text, self._urgent, live):
            if said.command not in best or best[said.command].score < said.score:
                best[said.command] = said
        return sorted(best.values(), key=lambda scored: (-scored.score, scored.command)), None

    def expect(self, phrases: Sequence[str]) -> list[float]:
        """The mean score of each phrase on noise alone: what the model expects before it hears anything."""
        if not phrases:
            return []
        tree = plant(phrases, self._network.pieces.encode, BEGIN)
        total = np.zeros(len(phrases))
        for sound in noises():
            heard, empty = self._network.listen(_levelled(sound))
            total += self._follow(heard, empty, tree, len(phrases), beams=10**9, least=-np.inf)
        return [float(score) for score in total / _NOISES]

    def text(self, samples: Samples) -> str:
        """The likeliest text, whatever the phrases."""
        heard, empty = self._network.listen(_levelled(samples))
        return self._freely(heard, empty)[0]

    def _freely(self, heard: EncodedUtterance, beams: Beams) -> tuple[str, float]:
        """The likeliest text, piece by piece, and its score."""
        pieces: list[int] = []
        score = 0.0
        while len(pieces) < _MOST_PIECES:
            piece = int(beams.logs[0].argmax())
            score += float(beams.logs[0, piece])
            if piece == END:
                break
            pieces.append(piece)
            beams = self._network.add(heard, beams, [0], [piece])
        return self._network.pieces.decode(pieces), score

    def _follow(
        self, heard: EncodedUtterance, empty: Beams, tree: PrefixNode, count: int, *, beams: int, least: float
    ) -> Scores:
        """The scores of the `count` phrases in a tree; -inf for those whose prefix was dropped."""
        scores = np.full(count, -np.inf)
        front: list[tuple[float, PrefixNode]] = [(0.0, tree)]
        known = [empty]
        while front:
            steps: list[tuple[float, int, PrefixNode]] = []
            for row, (score, node) in enumerate(front):
                logs = known[row // _ROWS].logs[row % _ROWS]
                for piece, child in node.children.items():
                    reached = score + float(logs[piece])
                    if reached >= least:
                        steps.append((reached, row, child))
            steps.sort(key=lambda step: (-step[0], step[1], step[2].piece))
            del steps[beams:]
            steps.sort(key=lambda step: step[1] // _ROWS)
            front, before, known = [(score, node) for score, _, node in steps], known, []
            known = self._add(heard, before, [(row, node.piece) for _, row, node in steps])
            for row, (score, node) in enumerate(front):
                if node.ends:
                    ends = known[row // _ROWS].logs[row % _ROWS, self._ends]
                    whole = score + float(np.logaddexp.reduce(ends))
                    for number in node.ends:
                        scores[number] = max(scores[number], whole)
        return scores

    def _add(self, heard: EncodedUtterance, before: list[Beams], steps: list[tuple[int, int]]) -> list[Beams]:
        """Extend a text by one piece for each (row, piece), in bundles of _ROWS rows."""
        made = []
        for start in range(0, len(steps), _ROWS):
            bundle = steps[start : start + _ROWS]
            bundles = [before[row // _ROWS] for row, _ in bundle]
            if all(one is bundles[0] for one in bundles):
                beams, rows = bundles[0], [row % _ROWS for row, _ in bundle]
            else:
                owners = [(one, row % _ROWS) for one, (row, _) in zip(bundles, bundle, strict=True)]
                past = tuple(
                    np.stack([one.past[place][row] for one, row in owners]) for place in range(len(bundles[0].past))
                )
                beams, rows = Beams(bundles[0].logs, past), list(range(len(bundle)))
            made.append(self._network.add(heard, beams, rows, [piece for _, piece in bundle]))
        return made


def written(text: str, commands: Iterable[Command], live: Collection[str]) -> list[Scored]:
    """The live commands with a phrase that occurs in the text, scored WRITTEN."""
    padded = f" {normalise(text)} "
    found = []
    for command in commands:
        said = next((phrase for phrase in command.phrases if f" {phrase} " in padded), None)
        if said and command.name in live:
            found.append(Scored(command.name, said, WRITTEN))
    return found


def noises() -> list[Samples]:
    """Six noises without words (white, dull and rumbling, of 0.8 and 1.2 s), always the same."""
    rng = np.random.default_rng(0)
    made = []
    for number in range(_NOISES):
        count = RATE_HZ * (8 + 4 * (number % 2)) // 10
        sound = rng.standard_normal(count + 64)
        if number % 3 == 1:
            sound = np.convolve(sound, np.ones(16) / 16, "same")
        elif number % 3 == 2:
            sound = np.cumsum(sound)
            sound -= np.convolve(sound, np.ones(800) / 800, "same")
        made.append((sound[:count] * (0.05 / np.sqrt(np.mean(sound[:count] ** 2)))).astype(np.float32))
    return made


def shipped_expected() -> dict[str, float]:
    """The expected scores of the shipped grammars' phrases, computed by `tests/bench/moonshine_expected.py`."""
    file = resources.files(__package__ or "").joinpath(_EXPECTED_FILE)
    found: dict[str, float] = json.loads(file.read_text(encoding="utf-8"))["expected"] if file.is_file() else {}
    return dict(found)


def _levelled(samples: Samples) -> Samples:
    level = float(np.sqrt(np.mean(np.square(samples, dtype=np.float64))))
    gain = np.float32(min(LEVEL / max(level, 1e-6), _LOUDEST_GAIN))
    levelled: Samples = np.clip(samples * gain, -1.0, 1.0)
    return levelled
