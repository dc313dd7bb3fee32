"""Gather the sounds that the phone network is taught with: `python tests/bench/training/material.py FOLDER`.

People are Debian's `asterisk-core-sounds-fr-g722`, `-it-g722` and `-ru-g722` (`apt-get install` them and ffmpeg). The
English ones are left out because the benches measure with them, the Spanish ones because the same woman speaks them.
The rest are renderings of this project's own sentences in voices that no bench holds out: of Debian's `flite` (rms) and
`festival` with `festvox-kdlpc16k`, made of recordings of people who speak English, whose sounds the three languages
lack in part; and of eSpeak NG.

FOLDER then holds one file a speaker, `people-*.npy`, `english-*.npy` and `espeak-*.npy`: int16 at 16 kHz, shape
(samples,), utterances one after another with a little silence between them. Nothing of it is shipped.
"""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
import wave
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import numpy as np
import soxr
from numpy.typing import NDArray

from voicecoach.audio.line import RATE_HZ
from voicecoach.grammar import parse
from voicecoach.yamltext import Node, read

Sound = NDArray[np.int16]
ROOT = Path(__file__).parents[3]
SPEAK_ONCE = ROOT / "tests" / "listen" / "speak_once.py"
SEED = 7
PACKAGES = ("fr", "it", "ru")
BETWEEN_S = (0.15, 0.6)
"""Shortest and longest silence between two utterances, in seconds."""

ACCENTS = ("en-us", "en-gb", "en-gb-scotland", "en-029")
SPEAKERS = ("m2", "m3", "m4", "f2", "f4", "Annie", "Andy")
"""eSpeak's variants; the benches hold out f1, f3, f5, m1, m5 and michael, and the accents rp, gbclan and gbcwmd."""

ENGLISH = {
    "rms": ["flite", "-voice", "rms", "-t", "{text}", "-o", "{out}"],
    "kdl": ["text2wave", "{file}", "-o", "{out}", "-eval", "(voice_ked_diphone)"],
    "slt": ["text2wave", "{file}", "-o", "{out}", "-eval", "(voice_cmu_us_slt_arctic_hts)"],
}
"""Commands that speak a text into a file."""
PHONES_ENGLISH = ("rms", "kdl")
"""Those that the phone network is taught with."""

ESPEAK_MIN, ENGLISH_MIN = 20 / 3, 10.0
"""Minutes of one speaker, without the silences; of each of the people there are 25."""


def people(language: str) -> Iterator[Sound]:
    """The utterances of one package."""
    listed = subprocess.run(
        ["dpkg", "-L", f"asterisk-core-sounds-{language}-g722"], check=True, capture_output=True, text=True
    ).stdout
    for name in sorted(line for line in listed.splitlines() if line.endswith(".g722") and "/silence/" not in line):
        command = ["ffmpeg", "-v", "error", "-f", "g722", "-i", name, "-f", "s16le", "-ar", str(RATE_HZ), "-"]
        sound = np.frombuffer(subprocess.run(command, check=True, capture_output=True).stdout, np.int16)
        if len(sound) > RATE_HZ // 5:
            yield sound


def sentences() -> tuple[list[str], list[str]]:
    """What the project listens for, short; and what it says, longer."""
    grammar = parse((ROOT / "grammars" / "en.yaml").read_text(encoding="utf-8"), "en.yaml")
    short = {phrase for command in grammar.commands for phrase in command.phrases} | set(grammar.decoys)
    long = {text for _, text in grammar.says}
    for file in sorted((ROOT / "protocols").glob("*.yaml")):
        long.update(_said(read(file.read_text(encoding="utf-8"), file.name)))
    plain = {text.replace("{", "").replace("}", "") for text in long}
    short |= {word.strip(".,;:?!").lower() for text in plain for word in text.split()}
    return sorted(word for word in short if any(map(str.isalpha, word))), sorted(plain)


def _said(node: Node) -> Iterator[str]:
    for name, child in node.entries or ():
        if name in {"say", "warn", "help"} and child.text is not None:
            yield child.scalar()
        yield from _said(child)
    for child in node.members or ():
        yield from _said(child)


def rendered(rng: random.Random, say: Callable[[random.Random, str], Sound], minutes: float) -> Iterator[Sound]:
    """At least that many minutes of utterances, short ones and long ones."""
    short, long = sentences()
    samples = minutes * 60 * RATE_HZ
    while samples > 0:
        sound = say(rng, rng.choice(short if rng.random() < 0.6 else long))
        samples -= len(sound)
        yield sound


def espeak(speaker: str, rng: random.Random, text: str) -> Sound:
    """A text by an eSpeak variant, in an accent, at a pace and a pitch drawn for it."""
    voice = f"{rng.choice(ACCENTS)}+{speaker}"
    command = [sys.executable, str(SPEAK_ONCE), text, voice, str(rng.randint(120, 190)), str(rng.randint(25, 75))]
    data = subprocess.run(command, check=True, capture_output=True).stdout
    (rate_hz,) = np.frombuffer(data, "<i4", 1)
    return _resampled(np.frombuffer(data, "<i2", offset=4), int(rate_hz))


def english(speaker: str, _rng: random.Random, text: str) -> Sound:
    """A text by one of `ENGLISH`."""
    with tempfile.TemporaryDirectory() as folder:
        file, out = Path(folder, "text"), Path(folder, "out.wav")
        file.write_text(text, encoding="utf-8")
        command = [part.format(text=text, file=file, out=out) for part in ENGLISH[speaker]]
        subprocess.run(command, check=True, capture_output=True)
        with wave.open(str(out)) as read_back:
            return _resampled(
                np.frombuffer(read_back.readframes(read_back.getnframes()), "<i2"), read_back.getframerate()
            )


def _resampled(sound: Sound, rate_hz: int) -> Sound:
    made: Sound = soxr.resample(sound, rate_hz, RATE_HZ)
    return made


def joined(utterances: Iterator[Sound], rng: random.Random) -> Sound:
    """One after another, with a little silence (and the quietest noise a 16-bit file has) between them."""
    noise = np.random.default_rng(SEED)
    parts: list[Sound] = []
    for sound in utterances:
        parts += [sound, noise.integers(-2, 3, round(rng.uniform(*BETWEEN_S) * RATE_HZ), np.int16)]
    return np.concatenate(parts)


def main(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for language in PACKAGES:
        rng = random.Random(f"{SEED} {language}")  # noqa: S311 (nothing secret)
        _keep(folder / f"people-{language}.npy", joined(people(language), rng))
    for kind, speakers, say, minutes in (
        ("english", PHONES_ENGLISH, english, ENGLISH_MIN),
        ("espeak", SPEAKERS, espeak, ESPEAK_MIN),
    ):
        for speaker in speakers:
            rng = random.Random(f"{SEED} {speaker}")  # noqa: S311
            share = rendered(rng, partial(say, speaker), minutes)
            _keep(folder / f"{kind}-{speaker}.npy", joined(share, rng))


def _keep(file: Path, sound: Sound) -> None:
    np.save(file, sound)
    print(f"{file.name}: {len(sound) / RATE_HZ / 60:.1f} min", flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
