"""Vosk as a recogniser of single utterances against a closed set of phrases. Runs in the watched child only."""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Collection
from pathlib import Path
from typing import Any

import numpy as np

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.errors import EngineError, InputError
from voicecoach.grammar import Grammar, Scored

ALTERNATIVES = 20

INSIDE = 0.5
"""Deducted from the score of a danger word inside a sentence (log-odds per letter), as in the phoneme engine."""

UNKNOWN = ("[unk]", "<UNK>")
"""The models' tokens for an unknown word: the small English one has the first, the Korean one the second."""


class VoskScorer:
    """One model, shared by a recogniser with the live phrases and an unrestricted one.

    Vosk's own confidence is no basis for refusing: with few phrases it is about 1.0 even for other words. So both
    recognisers decode the utterance, and a phrase's score is its path's log-likelihood less that of the free path, per
    letter of the best live phrase (letters stand for phones; syllable blocks are decomposed). 0: as good as anything
    else in the language; -2: doubtful. The scale resembles that of the phoneme engine, but the figures are not
    comparable, because they include a language model. Vosk dithers its input, so the same samples score the same within
    about 0.1, and exactly the same only in a new process that was fed the same before.

    Args:
        model: folder of the model; never a name, which Vosk might fetch.

    Raises:
        InputError: the folder is not a model that takes a grammar. EngineError: Vosk cannot be loaded or rejects it.
    """

    engine = "vosk"

    def __init__(self, model: Path) -> None:
        if not (model / "graph" / "HCLr.fst").is_file():
            raise InputError(
                "is not a Vosk model with a dynamic graph", where=str(model), expected="a folder with graph/HCLr.fst"
            )
        try:
            import vosk  # noqa: PLC0415 a native library: only where it is used
        except (ImportError, OSError) as error:
            raise EngineError(f"cannot be loaded: {error}", where="vosk", mend="python -m pip install vosk") from None
        vosk.SetLogLevel(-1)
        self._make = vosk.KaldiRecognizer
        try:
            self._model = vosk.Model(model_path=str(model))
        except Exception as error:  # noqa: BLE001 vosk raises plain Exception
            raise EngineError(f"rejects its model: {error}", where=f"vosk: {model}") from None
        self._unknown = next((word for word in UNKNOWN if self._knows(word)), None)
        self._free = self._make(self._model, RATE_HZ)
        self._free.SetMaxAlternatives(1)
        self._phrases: dict[str, str] = {}
        self._words = "[]"
        self._urgent: frozenset[str] = frozenset()
        self._decoys: frozenset[str] = frozenset()

    def prepare(self, grammar: Grammar) -> Grammar:
        """Look up every word, and warm up the free recogniser (otherwise its first utterance takes 0.7 s).

        Decoys that the model does not know are left out; a command that it does not know is an error.

        Raises:
            InputError: it names the commands that cannot be recognised and their missing words.
        """
        self._phrases = {phrase: command.name for command in grammar.commands for phrase in command.phrases}
        missing = {phrase: [word for word in phrase.split() if not self._knows(word)] for phrase in self._phrases}
        lost = [f"{self._phrases[phrase]} ({', '.join(words)})" for phrase, words in missing.items() if words]
        if lost:
            raise InputError(
                "has words that the model does not know: " + ", ".join(lost),
                where=grammar.file or grammar.name,
                expected="words of the model's vocabulary",
                mend="choose another phrase for these commands",
            )
        urgent = grammar.urgent
        self._urgent = frozenset(phrase for command in urgent for phrase in command.phrases)
        self._decoys = frozenset(decoy for decoy in grammar.decoys if all(map(self._knows, decoy.split())))
        words = [*self._phrases, *sorted(self._decoys), *([self._unknown] if self._unknown else [])]
        self._words = json.dumps(words, ensure_ascii=False)  # its parser knows no escapes
        noise = np.random.default_rng(0).standard_normal(RATE_HZ).astype(np.float32)
        for level in (0.02, 0.1):
            self._decode(self._free, noise * np.float32(level))
        return grammar

    def score(self, samples: Samples, live: Collection[str]) -> tuple[list[Scored], float | None]:
        """Score one whole utterance.

        Args:
            samples: float32 at 16 kHz, shape (frames,), with its pads. live: command ids that can be meant.

        Phrases of commands that are not live count as decoys: an answer to another question is not an answer.

        Returns:
            The live commands among the best paths, best first, and the score of the best path that is not one (a decoy,
            another word, a phrase with more around it), or None. Only a danger word and "stop" may occur inside a
            sentence.
        """
        live_phrases = {phrase for phrase, command in self._phrases.items() if command in live}
        if not live_phrases or not len(samples):
            return [], None
        # a new one for each utterance (0.4 ms): a recogniser that is reused only grows
        closed = self._make(self._model, RATE_HZ, self._words)
        closed.SetMaxAlternatives(ALTERNATIVES)
        free = max(likelihood for _, likelihood in self._decode(self._free, samples))
        paths: dict[str, float] = {}
        for text, likelihood in self._decode(closed, samples):
            paths[text] = max(likelihood, paths.get(text, likelihood))
        meant = {text: self._meant(text, live_phrases) for text in paths}
        best = max((text for text in paths if meant[text]), key=paths.__getitem__, default="")
        scores = {text: (likelihood - free) / _letters(meant.get(best, "")) for text, likelihood in paths.items()}
        ranked = [
            Scored(self._phrases[phrase], phrase, scores[text] - (0.0 if text == phrase else INSIDE))
            for text, phrase in meant.items()
            if phrase
        ]
        ranked.sort(key=lambda scored: (-scored.score, scored.command))
        return ranked, max((scores[text] for text, phrase in meant.items() if not phrase), default=None)

    def _meant(self, text: str, live_phrases: Collection[str]) -> str:
        """The live phrase that a path stands for, or ''."""
        if text in live_phrases:
            return text
        if text in self._phrases or text in self._decoys:
            return ""
        inside = (phrase for phrase in live_phrases if phrase in self._urgent and f" {phrase} " in f" {text} ")
        return min(inside, default="")

    def _knows(self, word: str) -> bool:
        return bool(self._model.vosk_model_find_word(word) >= 0)

    @staticmethod
    def _decode(recogniser: Any, samples: Samples) -> list[tuple[str, float]]:
        """The best paths as (text, log-likelihood). Fed in one piece, so that no endpoint can split the utterance."""
        recogniser.AcceptWaveform((np.clip(samples, -1.0, 1.0) * 32767).astype("<i2").tobytes())
        result = json.loads(recogniser.FinalResult())
        return [(item["text"].strip(), float(item["confidence"])) for item in result["alternatives"]]


def _letters(phrase: str) -> int:
    return max(1, sum(character.isalpha() for character in unicodedata.normalize("NFD", phrase)))
