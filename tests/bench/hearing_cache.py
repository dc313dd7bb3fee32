"""What the engines scored, stored between runs of the hearing benches: floors and weights are then measured in seconds.

A result is found again only for the same sound, words and networks. It lies with the rendered voices.
"""

from __future__ import annotations

import ast
import functools
import hashlib
import pickle
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from hearing_sounds import Sound
from hearing_voices import CACHE

from voicecoach.grammar import Grammar
from voicecoach.listen import segmenter, voice_detector
from voicecoach.listen.engines import moonshine, moonshine_network, moonshine_weights, network, phonemes, taught
from voicecoach.listen.engines.mixed import MixedScorer
from voicecoach.listen.engines.moonshine import MoonshineScorer, UtteranceScores
from voicecoach.listen.engines.phonemes import PhonemeScorer, SpellingScores

Found = TypeVar("Found")


def remembered(kind: str, sound: Sound, find: Callable[[], Found]) -> Found:
    """What `find` gave for this sound in an earlier run, or gives now. kind: which of the things found of it."""
    key = hashlib.sha256(kind.encode() + np.ascontiguousarray(sound).tobytes()).digest()[:16]
    row = _store().execute("SELECT found FROM kept WHERE key = ?", (key,)).fetchone()
    if row is not None:
        known: Found = pickle.loads(row[0])  # noqa: S301 written by this file
        return known
    found = find()
    with _store() as store:
        store.execute("INSERT OR REPLACE INTO kept VALUES (?, ?)", (key, pickle.dumps(found)))
    return found


def written_in(*modules: Any, but: str = "") -> str:
    """A digest of what modules do: what they found is of no use once they were changed. but: a constant left out."""
    made = hashlib.sha256()
    for module in modules:
        tree = ast.parse(Path(module.__file__).read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            body = getattr(node, "body", None)
            if isinstance(body, list):  # neither texts that only explain nor the constant
                node.body = [one for one in body if not (_explains(one) or (but and ast.unparse(one).startswith(but)))]  # type: ignore[attr-defined]
        made.update(ast.dump(tree).encode())
    return made.hexdigest()[:16]


def _explains(node: ast.AST) -> bool:
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)


CUT = f"cut {written_in(segmenter, voice_detector)}"


class KeptPhonemes(PhonemeScorer):
    """The phoneme engine, which scores an utterance once."""

    def prepare(self, grammar: Grammar) -> Grammar:
        """As its parent."""
        made = super().prepare(grammar)
        words = f"{self._all.columns.tolist()} {self._inside.columns.tolist()} {self._inside_loss.tolist()}"
        own = hashlib.sha256(words.encode()).hexdigest()[:16]
        self._kind = f"phonemes {own} {taught.PHONES.sha256} {taught.SHARE} {written_in(phonemes, network)}"
        return made

    def _rank(self, samples: Sound) -> SpellingScores:
        return remembered(self._kind, samples, functools.partial(super()._rank, samples))


class KeptMoonshine(MoonshineScorer):
    """Moonshine, which scores an utterance once."""

    def prepare(self, grammar: Grammar) -> Grammar:
        """As its parent."""
        made = super().prepare(grammar)
        own = hashlib.sha256(f"{self.phrases}".encode()).hexdigest()[:16]
        code = written_in(moonshine, moonshine_network, moonshine_weights, but="EXPECTED = ")
        self._kind = f"moonshine {own} {taught.MOONSHINE.sha256} {code}"
        return made

    def _rank(self, samples: Sound) -> UtteranceScores:
        # what is expected before anything is heard is left out, so that its weight can be chosen
        expected = moonshine.EXPECTED * self.expected

        def plain() -> UtteranceScores:
            found = super(KeptMoonshine, self)._rank(samples)
            return UtteranceScores(found.scores + expected, found.text)

        kept = remembered(self._kind, samples, plain)
        return UtteranceScores(kept.scores - expected, kept.text)


MAKERS: dict[str, Callable[[], PhonemeScorer | MoonshineScorer | MixedScorer]] = {
    "mixed": lambda: MixedScorer(KeptPhonemes(), KeptMoonshine()),
    "phonemes": KeptPhonemes,
    "moonshine": KeptMoonshine,
}


@functools.cache
def _store() -> sqlite3.Connection:
    CACHE.mkdir(exist_ok=True)
    store = sqlite3.connect(CACHE / "scores.sqlite", timeout=60)
    store.execute("PRAGMA journal_mode = WAL")
    store.execute("PRAGMA synchronous = OFF")
    store.execute("CREATE TABLE IF NOT EXISTS kept (key BLOB PRIMARY KEY, found BLOB)")
    return store
