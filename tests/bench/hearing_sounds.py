"""Spoken words, masks and noise for the hearing benches: whatever synthetic voices are to hand, cached between runs."""

from __future__ import annotations

import functools
import hashlib
import math
import shutil
import subprocess
import sys
import tempfile
import wave
import zlib
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
import soxr
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1] / "listen"))
import hearing_voices
from hearing_voices import CACHE
from spoken import say

from voicecoach.audio.line import RATE_HZ
from voicecoach.grammar import Grammar, parse

Sound = NDArray[np.float32]
ROOT = Path(__file__).parents[2]
LEVEL = 0.06

NATURAL_TUNING = {
    "hibari heart": "hibari heart",
    "kokoro alpha": "kokoro jf_alpha",
    "flite rms": "flite rms",
    "kokoro sarah": "kokoro af_sarah",
    "kokoro fenrir": "kokoro am_fenrir",
    "kokoro fable": "kokoro bm_fable",
}
NATURAL_HELD_OUT = {
    "piper joe": "piper joe",
    "kokoro kumo": "kokoro jm_kumo",
    "flite awb": "flite awb",
    "kokoro michael": "kokoro am_michael",
    "kokoro emma": "kokoro bf_emma",
}
"""On the first the chances were fitted, with TALK_TUNING and the Spanish and French speakers as strangers; the others,
and the English, Italian and Russian speakers, were kept out."""

CONDITIONS: dict[str, tuple[bool, float, str]] = {
    "quiet": (False, 30.0, "hiss"),
    "mask, 20 dB": (True, 20.0, "hiss"),
    "mask, 10 dB": (True, 10.0, "hiss"),
    "mask, 5 dB": (True, 5.0, "hiss"),
    "ambulance, 10 dB": (False, 10.0, "ambulance"),
    "siren and mask, 10 dB": (True, 10.0, "siren"),
    "blower and mask, 10 dB": (True, 10.0, "blower"),
    "white, 5 dB": (False, 5.0, "white"),
    "one voice, 10 dB": (False, 10.0, "voices 1"),
    "three voices, 20 dB": (False, 20.0, "voices 3"),
    "three voices, 10 dB": (False, 10.0, "voices 3"),
    "three voices, 5 dB": (False, 5.0, "voices 3"),
}
"""Mask or not, signal over noise (dB), and what the noise is."""

LEAD_S = 3.2
"""Noise before a word: the ear has got used to the room."""

# The constants of the engine were chosen on other voices than these; the tuning voices are listed for a fresh choice.
TUNING = {
    "espeak us": "espeak-ng en-us 45 150",
    "espeak us m3": "espeak-ng en-us+m3 35 165",
    "espeak gb m7": "espeak-ng en-gb+m7 55 140",
    "espeak us f2": "espeak-ng en-us+f2 60 155",
    "espeak scotland": "espeak-ng en-gb-scotland 40 150",
    "espeak caribbean f4": "espeak-ng en-029+f4 60 145",
    "flite rms": "flite rms",
    "flite kal16": "flite kal16",
    "festival slt": "festival cmu_us_slt_arctic_hts",
    "espeak rp annie": "espeak-ng en-gb-x-rp+Annie 50 160",
}
HELD_OUT = {
    "flite slt": "flite slt",
    "espeak gb": "espeak-ng en-gb 50 155",
    "flite awb": "flite awb",
    "espeak us f3": "espeak-ng en-us+f3 55 150",
    "festival kal": "festival kal_diphone",
    "espeak us m5": "espeak-ng en-us+m5 40 145",
    "espeak west midlands f5": "espeak-ng en-gb-x-gbcwmd+f5 50 150",
    "espeak rp m1": "espeak-ng en-gb-x-rp+m1 45 165",
    "espeak lancaster f1": "espeak-ng en-gb-x-gbclan+f1 60 160",
    "espeak us michael": "espeak-ng en-us+michael 45 150",
}

STRANGERS_NEAR = """bridge, speech, bean, done in, dunes, dug, pawn, bad, bark, hemp, cart, staff, steps, stops by,
fly, sly, knees, noodles, torch, form, cleared out, clip, defeat, peter, presume, content, comfort, gum, gallon, gauze,
globe, wool, shell, mat, boats, hoses, bell, spill, rubble, dried up, dragon, soy, royal"""
STRANGERS_FAR = """bring the trolley, check the monitor, how are you feeling, two milligrams, we need a chest x ray,
good morning, are you ready, let's move him, call the lab, coffee break, is he awake, she went home, turn him over,
blood sugar, cut the tape, repeat after me yesterday, finger on the switch, hand me the tape, my back hurts"""


def strangers(text: str) -> list[str]:
    """Words that are no commands, as a list."""
    return [" ".join(words.split()) for words in text.split(",")]


@functools.cache
def english() -> Grammar:
    """The English grammar."""
    return parse((ROOT / "grammars" / "en.yaml").read_text(encoding="utf-8"), "en.yaml")


def owners(grammar: Grammar) -> dict[str, str]:
    """The command of each phrase."""
    return {phrase: command.name for command in grammar.commands for phrase in command.phrases}


def to_hand(voices: dict[str, str]) -> dict[str, str]:
    """Those of `voices` whose program is here; the others are named on the way."""
    here = {name: spec for name, spec in voices.items() if _program(spec)}
    for name in voices.keys() - here.keys():
        print(f"not run: {name}: no program {voices[name].split()[0]!r} here")
    return here


def _program(spec: str) -> bool:
    name = spec.split(maxsplit=1)[0]
    if name in {"hibari", "piper", "kokoro"}:
        return hearing_voices.can_speak(spec)
    return name == "espeak-ng" or shutil.which("text2wave" if name == "festival" else name) is not None


def spoken(spec: str, text: str) -> Sound:
    """`text` in a voice, cut to its sound, at RMS 0.06."""
    file = CACHE / f"{hashlib.sha256(f'{spec}|{text}'.encode()).hexdigest()[:24]}.npy"
    if file.exists():
        found: Sound = np.load(file)
        return found
    sound = _render(spec.split(), text)
    loud = np.flatnonzero(np.abs(sound) > 1e-3)
    sound = sound[max(0, loud[0] - 160) : loud[-1] + 160] if len(loud) else sound
    sound = (sound * (LEVEL / max(float(np.sqrt(np.mean(sound**2))), 1e-6))).clip(-0.99, 0.99).astype(np.float32)
    CACHE.mkdir(exist_ok=True)
    np.save(file, sound)
    return sound


def _render(spec: Sequence[str], text: str) -> Sound:
    if spec[0] in {"hibari", "piper", "kokoro"}:
        return hearing_voices.natural(" ".join(spec), text)
    if spec[0] == "espeak-ng" and shutil.which("espeak-ng") is None:
        return say(text, voice=spec[1], pitch=int(spec[2]), rate=int(spec[3]))
    with tempfile.TemporaryDirectory() as folder:
        out = f"{folder}/out.wav"
        if spec[0] == "espeak-ng":
            command = ["espeak-ng", "-v", spec[1], "-p", spec[2], "-s", spec[3], "-w", out, text]
        elif spec[0] == "flite":
            command = ["flite", "-voice", spec[1], "-t", text, "-o", out]
        else:
            command = ["text2wave", "-o", out, "-eval", f"(voice_{spec[1]})"]
        subprocess.run(command, input=text.encode(), check=True, capture_output=True)
        with wave.open(out) as file:
            rate_hz, data = file.getframerate(), file.readframes(10**8)
    sound = np.frombuffer(data[: len(data) // 2 * 2], np.int16).astype(np.float32) / 32768
    return soxr.resample(sound, rate_hz, RATE_HZ).astype(np.float32)


def masked(sound: Sound) -> Sound:
    """As through a respirator: nothing lost up to 1.5 kHz, 6 dB from 2.5 kHz, 10 dB at 8 kHz (Corey 2020, N95)."""
    spectrum = np.fft.rfft(sound)
    hertz = np.fft.rfftfreq(len(sound), 1 / RATE_HZ)
    loss_db = np.interp(hertz, [0, 1500, 2500, 4000, 8000], [0, 0, 6, 8, 10])
    return np.fft.irfft(spectrum * 10 ** (-loss_db / 20), len(sound)).astype(np.float32)


def noise(count: int, seed: int) -> Sound:
    """Half pink, half white, RMS 1."""
    rng = np.random.default_rng(seed)
    spectrum = np.fft.rfft(rng.normal(size=count)) / np.sqrt(np.maximum(np.fft.rfftfreq(count, 1 / RATE_HZ), 50.0))
    pink = np.fft.irfft(spectrum, count)
    mixed = pink / np.sqrt(np.mean(pink**2)) + rng.normal(size=count)
    return (mixed / np.sqrt(np.mean(mixed**2))).astype(np.float32)


def of_kind(count: int, rng: np.random.Generator, kind: str, languages: Sequence[str]) -> Sound | None:
    """A room's noise, RMS 1; None if it is other people and no recordings of them are installed."""
    if kind.startswith("voices"):
        pools = [pool(language) for language in languages]
        if not all(len(one) > count for one in pools):
            return None
        made = np.zeros(count)
        for number in range(int(kind.split()[1])):
            one = pools[number % len(pools)]
            begin = int(rng.integers(0, len(one) - count))
            made += one[begin : begin + count]
    elif kind == "siren":
        pitch = 700 + 500 * np.sin(2 * np.pi * 0.25 * np.arange(count) / RATE_HZ + rng.uniform(0, 6))
        phase = 2 * np.pi * np.cumsum(pitch) / RATE_HZ
        made = np.sin(phase) + 0.5 * np.sin(2 * phase) + 0.3 * np.sin(3 * phase) + 0.1 * rng.standard_normal(count)
    else:
        spectrum, hertz = np.fft.rfft(rng.standard_normal(count)), np.fft.rfftfreq(count, 1 / RATE_HZ)
        slope = {"white": 0.0, "ambulance": 1.0, "blower": 0.5, "hiss": 0.5}[kind]
        spectrum /= np.maximum(hertz, 40.0) ** slope
        if kind == "blower":
            spectrum *= 1 + 4 * np.exp(-(((hertz - 400) / 60) ** 2)) + 3 * np.exp(-(((hertz - 800) / 60) ** 2))
        made = np.fft.irfft(spectrum, count)
        if kind == "hiss":
            made = made / np.sqrt(np.mean(made**2)) + rng.standard_normal(count)
    return (made / np.sqrt(np.mean(made**2))).astype(np.float32)


@functools.cache
def pool(language: str) -> Sound:
    """A minute and more of one speaker, one recording after the other."""
    files = list(hearing_voices.person(language).values())[::5]
    levelled = [level(hearing_voices.recording(file)) for file in files[:60]]
    return np.concatenate([*levelled, np.zeros(0, np.float32)])


def level(sound: Sound) -> Sound:
    """Cut to its sound, at RMS 0.06."""
    loud = np.flatnonzero(np.abs(sound) > 0.01 * np.abs(sound).max(initial=1e-6))
    cut = sound[max(0, loud[0] - 160) : loud[-1] + 160] if len(loud) else sound
    return (cut * (LEVEL / max(float(np.sqrt(np.mean(cut**2))), 1e-6))).clip(-0.99, 0.99).astype(np.float32)


def in_room(
    sound: Sound, key: str, condition: str, languages: Sequence[str] = ("it", "ru"), lead_s: float = LEAD_S
) -> Sound | None:
    """`sound` in a condition, every third with echo; None if its noise is not to hand. The same key, the same sound."""
    mask, snr_db, kind = CONDITIONS[condition]
    rng = np.random.default_rng(zlib.crc32(f"{key}|{condition}".encode()))
    if zlib.crc32(f"{key}{condition}".encode()) % 3 == 0:
        ring = rng.standard_normal(RATE_HZ * 35 // 100)
        ring *= 10.0 ** (-3 * np.arange(len(ring)) / len(ring))
        ring[0] = 6.0
        sound = np.convolve(sound, ring / np.sqrt(np.sum(ring**2)))[: len(sound) + len(ring) // 2].astype(np.float32)
    heard = masked(sound) if mask else sound
    out = np.pad(heard, (round(lead_s * RATE_HZ), round(0.9 * RATE_HZ)))
    loudness = float(np.sqrt(np.mean(heard**2)))
    around = of_kind(len(out), rng, kind, languages)
    if around is None:
        return None
    return (out + around * loudness * 10 ** (-snr_db / 20) + noise(len(out), 1) * loudness * 0.015).astype(np.float32)


def scene(sound: Sound, key: str, *, mask: bool = False, snr_db: float = 30.0, lead_s: float = 0.5) -> Sound:
    """`sound` between silences, through a mask or not, in noise; the same key gives the same noise."""
    heard = masked(sound) if mask else sound
    out = np.pad(heard, (round(lead_s * RATE_HZ), round(0.75 * RATE_HZ)))
    rms = float(np.sqrt(np.mean(heard**2)))
    return (out + noise(len(out), zlib.crc32(key.encode())) * rms * 10 ** (-snr_db / 20)).astype(np.float32)


def upper(count: int, tries: int, level: float = 0.95) -> float:
    """Exact binomial (Clopper-Pearson) one-sided upper bound of a rate, by bisection."""
    if count >= tries:
        return 1.0
    low, high = 0.0, 1.0
    for _ in range(60):
        rate = (low + high) / 2
        below = sum(math.exp(_log_term(tries, k, rate)) for k in range(count + 1))
        low, high = (rate, high) if below > 1 - level else (low, rate)
    return high


def lower(count: int, tries: int, level: float = 0.95) -> float:
    """Exact one-sided lower bound of a rate."""
    return 1.0 - upper(tries - count, max(tries, 1), level)


def _log_term(tries: int, count: int, rate: float) -> float:
    rate = min(max(rate, 1e-12), 1 - 1e-12)
    choose = math.lgamma(tries + 1) - math.lgamma(count + 1) - math.lgamma(tries - count + 1)
    return choose + count * math.log(rate) + (tries - count) * math.log1p(-rate)


def table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Print rows in columns."""
    lines = [list(map(str, head)), *(list(map(str, row)) for row in rows)]
    widths = [max(len(line[i]) for line in lines) for i in range(len(head))]
    for line in lines:
        print("  ".join(text.ljust(width) for text, width in zip(line, widths, strict=True)).rstrip())
