"""How often moonshine alone ranks first what was said: `python tests/bench/training/encoder_measure.py [RUN.npz ...]`.

With the original encoder, the shipped one, and any that `encoder_teach.py` or `encoder_mean.py` made. Isolated words of
three people (Debian's English sounds, and those of two games), each among all of that person's; then, without
`--people`, the grammar's phrases by the voices of kokoro-js that the chances are fitted with, single words and longer
ones apart. The encoder was taught with neither.
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
from voicecoach.listen.engines import taught
from voicecoach.listen.engines.moonshine import MoonshineScorer
from voicecoach.listen.engines.moonshine_network import MoonshineNetwork
from voicecoach.listen.engines.taught import TaughtWeights

CONDITIONS = (
    "quiet", "mask, 20 dB", "mask, 10 dB", "ambulance, 10 dB", "three voices, 20 dB", "three voices, 10 dB",
)  # fmt: skip
LEAD_S = 0.3
ONE_IN = 3
"""Of so many phrases one is said, in each condition other ones."""


class Run(TaughtWeights):
    """Weights in any file."""

    def read(self) -> bytes:
        """The file's bytes."""
        return Path(self.name).read_bytes()


def networks(files: list[str]) -> dict[str, MoonshineNetwork]:
    """One for each encoder."""
    made = {weights: MoonshineNetwork(weights) for weights in ("original", "taught")}
    shipped = taught.MOONSHINE
    for file in files:
        taught.MOONSHINE = Run(file, "", "")
        made[file] = MoonshineNetwork()
    taught.MOONSHINE = shipped
    return made


def scorers(grammar: Grammar, encoders: dict[str, MoonshineNetwork]) -> dict[str, MoonshineScorer]:
    """One for each encoder; what it expects is its own."""
    made = {name: MoonshineScorer(network) for name, network in encoders.items()}
    for name, scorer in made.items():
        scorer.prepare(grammar)
        if name != "taught":  # what is shipped is expected by the taught one
            scorer.expected = np.array(scorer.expect(scorer.phrases))
    return made


def people() -> dict[str, dict[str, Path]]:
    """The words of three people, by what is counted, as far as they are installed."""
    found = {"a person's words": hearing_voices.words()}
    found |= {f"words in {package}": words for package, words in hearing_voices.words_in_games().items()}
    if not all(found.values()) or len(found) <= len(hearing_voices.GAMES):
        print("not run in part: packages with people's words are not installed (see hearing_voices)")
    return {what: words for what, words in found.items() if words}


def of_words(grammar: Grammar, files: dict[str, Path]) -> Grammar:
    """A grammar of a person's words instead."""
    (first, *_) = grammar.commands
    commands = tuple(replace(first, name=word.replace(" ", "-"), phrases=(word,)) for word in files)
    return replace(grammar, commands=commands, typed=(), decoys=())


def words(condition: str, files: dict[str, Path], every: int) -> Iterator[tuple[str, Sound]]:
    """One word in so many, and its sound."""
    for word, file in list(files.items())[::every]:
        sound = in_room(level(hearing_voices.recording(file)), f"person|{word}", condition, ("it", "ru"), LEAD_S)
        if sound is not None:
            yield word, sound


def phrases(grammar: Grammar, condition: str) -> Iterator[tuple[str, Sound]]:
    """The same for phrases."""
    voices = {name: spec for name, spec in NATURAL_TUNING.items() if spec.startswith("kokoro") and " j" not in spec}
    for voice, spec in to_hand(voices).items():
        for phrase in (phrase for command in grammar.commands for phrase in command.phrases):
            if zlib.crc32(f"{voice}{phrase}{condition}".encode()) % ONE_IN == 0:
                sound = in_room(spoken(spec, phrase), f"{voice}|{phrase}", condition, ("es", "fr"), LEAD_S)
                if sound is not None:
                    yield phrase, sound


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("runs", nargs="*", metavar="RUN.npz")
    arguments.add_argument("--every", type=int, default=1, help="of the people's words one in so many")
    arguments.add_argument("--people", action="store_true", help="no phrases of the grammar")
    wanted = arguments.parse_args()
    grammar, recorded, encoders = english(), people(), networks(wanted.runs)
    grammars = {what: of_words(grammar, files) for what, files in recorded.items()}
    if not wanted.people:
        grammars["phrases"] = grammar
    ears = {what: scorers(one, encoders) for what, one in grammars.items()}
    rows = []
    for condition in CONDITIONS:
        for what, one in grammars.items():
            counts: dict[str, Counter[str]] = {}
            owner = owners(one)
            said = words(condition, recorded[what], wanted.every) if what in recorded else phrases(grammar, condition)
            for text, sound in said:
                kind = what if what in recorded else "longer phrases" if " " in text else "single words"
                count = counts.setdefault(kind, Counter())
                count["of"] += 1
                for name, ear in ears[what].items():
                    best = ear.phrases[int(ear.rank(sound).scores.argmax())]
                    count[name] += owner[best] == owner[text]
            for kind, count in counts.items():
                rows.append((condition, kind, count["of"], *(count[name] for name in encoders)))
                print(rows[-1], flush=True)
    table(("condition", "what", "of", *(Path(name).name for name in encoders)), rows)


if __name__ == "__main__":
    main()
