"""A second opinion on an English utterance that the phoneme engine nearly took: PocketSphinx with a closed grammar.

Alone it takes nearly everything for a command. Asked for the likeliest of all phrases and decoys, and heeded only where
the phoneme engine fell short by little, it gives back words that a decoy or a floor refused, and took nothing wrong.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Protocol

import numpy as np

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.errors import EngineError
from voicecoach.grammar import Grammar

LANGUAGE = "en"
"""The language of the model in the wheel."""

_SHORTEST, _LONGEST = RATE_HZ // 10, RATE_HZ * 5 // 2
"""An utterance, with its pads, outside of this (frames) is none of the phrases; the longest took 1.3 s without."""
_MOST = 1000
"""Models at work in a frame at most. Unbounded, 2.5 s of noise took it 1.2 s of work, so 0.3 s; on 139 utterances in
noise its answers were the same."""
_LEVEL = 0.09
_LOUDEST_GAIN = 20.0
_MODEL = "en-us"


class SecondOpinion(Protocol):
    """What says which command an utterance sounds like, if any."""

    def hear(self, samples: Samples) -> str | None:
        """The command id, or None for a decoy or nothing; samples of shape (frames,)."""


class Sphinx:
    """PocketSphinx, its model from its wheel. The same samples give the same answer, whatever was heard before.

    Raises:
        EngineError: the package is not there, or its model cannot be loaded.
    """

    def __init__(self, grammar: Grammar) -> None:
        try:
            from pocketsphinx import Decoder, get_model_path  # noqa: PLC0415 a native library
        except ImportError as error:
            raise EngineError(
                f"cannot be loaded: {error}", where="second opinion", mend="python -m pip install pocketsphinx"
            ) from None
        model = get_model_path(_MODEL)
        try:
            self._decoder: Any = Decoder(
                samprate=RATE_HZ, hmm=f"{model}/{_MODEL}", dict=None, lm=None, cmn="batch", loglevel="FATAL",
                maxhmmpf=_MOST,
            )  # fmt: skip
        except (RuntimeError, OSError) as error:
            raise EngineError(f"cannot be started: {error}", where="second opinion") from None
        self._owners = {phrase: command.name for command in grammar.commands for phrase in command.phrases}
        phrases = dict.fromkeys((*self._owners, *grammar.decoys))
        known = set()
        for word, spoken in _pronunciations(f"{model}/cmudict-{_MODEL}.dict", {w for p in phrases for w in p.split()}):
            self._decoder.add_word(word, spoken, False)
            known.add(word.partition("(")[0])
        # a phrase with a word that its dictionary lacks is not known to it: the phoneme engine then decides alone
        rules = " | ".join(phrase for phrase in phrases if known.issuperset(phrase.split()))
        self._decoder.add_jsgf_string("all", f"#JSGF V1.0; grammar all; public <all> = {rules} ;")
        self._decoder.activate_search("all")

    def hear(self, samples: Samples) -> str | None:
        """The command that the utterance sounds like most, None for a decoy, nothing or what is no phrase's length."""
        if not _SHORTEST <= len(samples) <= _LONGEST:
            return None
        level = float(np.sqrt(np.mean(np.square(samples, dtype=np.float64))))
        gain = min(_LEVEL / max(level, 1e-6), _LOUDEST_GAIN)
        sound = np.clip(samples * np.float32(gain * 32767), -32768, 32767).astype("<i2")
        self._decoder.reinit_feat()  # or what was heard before would shift the features
        self._decoder.start_utt()
        self._decoder.process_raw(sound.tobytes(), full_utt=True)
        self._decoder.end_utt()
        found = self._decoder.hyp()
        return self._owners.get(found.hypstr) if found else None


def _pronunciations(file: str, words: set[str]) -> Iterator[tuple[str, str]]:
    """Word (with a number behind, if it is another way to say it) and its phones, for all `words` in the dictionary."""
    with open(file, encoding="utf-8") as lines:  # noqa: PTH123 a path of the package's own
        for line in lines:
            word, _, spoken = line.strip().partition(" ")
            if word.partition("(")[0] in words:
                yield word, spoken
