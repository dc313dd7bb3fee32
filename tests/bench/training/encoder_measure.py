"""How often moonshine alone ranks first what was said, original and taught: `python ./encoder_measure.py [--every N]`.

A person's isolated words (Debian's English sounds) among all of them; then the grammar's phrases by the voices of
kokoro-js that the chances are fitted with, single words and longer ones apart. The encoder was taught with neither.
"""

from __future__ import annotations

import argparse
import sys
import zlib
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
import hearing_voices
from hearing_sounds import NATURAL_TUNING, Sound, english, in_room, level, owners, spoken, table, to_hand

from voicecoach.grammar import Grammar
from voicecoach.listen.engines.moonshine import MoonshineScorer
from voicecoach.listen.engines.moonshine_network import MoonshineNetwork
from voicecoach.listen.engines.taught import Weights

CONDITIONS = (
    "quiet", "mask, 20 dB", "mask, 10 dB", "ambulance, 10 dB", "three voices, 20 dB", "three voices, 10 dB",
)  # fmt: skip
LEAD_S = 0.3
WEIGHTS: tuple[Weights, ...] = ("original", "taught")
ONE_IN = 3
"""Of so many phrases one is said, in each condition other ones."""


def scorers(grammar: Grammar) -> dict[str, MoonshineScorer]:
    """One for each encoder; what it expects is its own."""
    made = {}
    for weights in WEIGHTS:
        scorer = MoonshineScorer(MoonshineNetwork(weights))
        scorer.prepare(grammar)
        if weights != "taught":  # what is shipped is expected by the taught one
            scorer.expected = np.array(scorer.expect(scorer.phrases))
        made[weights] = scorer
    return made


def words(condition: str, every: int) -> Iterator[tuple[str, str, Sound]]:
    """What is counted, the word, and its sound."""
    for word, file in list(hearing_voices.words().items())[::every]:
        sound = in_room(level(hearing_voices.recording(file)), f"person|{word}", condition, ("it", "ru"), LEAD_S)
        if sound is not None:
            yield "a person's words", word, sound


def phrases(grammar: Grammar, condition: str) -> Iterator[tuple[str, str, Sound]]:
    """The same for phrases."""
    voices = {name: spec for name, spec in NATURAL_TUNING.items() if spec.startswith("kokoro") and " j" not in spec}
    for voice, spec in to_hand(voices).items():
        for phrase in (phrase for command in grammar.commands for phrase in command.phrases):
            if zlib.crc32(f"{voice}{phrase}{condition}".encode()) % ONE_IN == 0:
                sound = in_room(spoken(spec, phrase), f"{voice}|{phrase}", condition, ("es", "fr"), LEAD_S)
                if sound is not None:
                    yield "longer phrases" if " " in phrase else "single words", phrase, sound


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--every", type=int, default=2, help="of the person's words one in so many")
    wanted = arguments.parse_args()
    grammar = english()
    spoken_words = [(word, word.replace(" ", "-")) for word in hearing_voices.words()]
    (first, *_) = grammar.commands
    person = replace(
        grammar,
        commands=tuple(replace(first, name=name, phrases=(word,)) for word, name in spoken_words), typed=(), decoys=(),
    )  # fmt: skip
    ears = {"words": scorers(person), "phrases": scorers(grammar)}
    owner = owners(grammar) | owners(person)
    rows = []
    for condition in CONDITIONS:
        counts: dict[str, Counter[str]] = {}
        for kind, said in (("words", words(condition, wanted.every)), ("phrases", phrases(grammar, condition))):
            for what, text, sound in said:
                count = counts.setdefault(what, Counter())
                count["of"] += 1
                for name, ear in ears[kind].items():
                    best = ear.phrases[int(ear.rank(sound).scores.argmax())]
                    count[name] += owner[best] == owner[text]
        for what, count in counts.items():
            rows.append((condition, what, count["of"], *(count[name] for name in WEIGHTS)))
            print(rows[-1], flush=True)
    table(("condition", "what", "of", *WEIGHTS), rows)


if __name__ == "__main__":
    main()
