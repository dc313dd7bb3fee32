"""A person's isolated words by the original and the taught weights: `tests/bench/training/measure.py [SHARE ...]`.

The words are those of Debian's `asterisk-core-sounds-en-g722`, read by ffmpeg; the other voices are its
`asterisk-prompt-fr-armelle`, `-it-menardi-wav` and `-es-co`. None of them is in the training material. Known: the best
of all words. Right, wrong: among 15 live words that are not near each other, with the floor at which 1 % of strangers
would be taken. Prints, judges nothing.
"""

from __future__ import annotations

import subprocess
import sys
import zlib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1]))
from hearing_sounds import masked, table

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.listen.engines import taught
from voicecoach.listen.engines.conformer import Array
from voicecoach.listen.engines.network import HamaNetwork, assemble, original
from voicecoach.listen.engines.phonemes import PhonemeScorer, forward, lay_out

SOUNDS = Path("/usr/share/asterisk/sounds/en_US_f_Allison")
OTHERS = ("asterisk-prompt-fr-armelle", "asterisk-prompt-it-menardi-wav", "asterisk-prompt-es-co")
CONDITIONS = (("quiet", 40), ("mask", 20), ("mask", 10), ("mask", 5), ("voices", 20), ("voices", 10))
LIVE, ROUNDS = 15, 8

SMALL = """zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen
seventeen eighteen nineteen twenty"""
ORDINAL = """first second third fourth fifth sixth seventh eighth ninth tenth eleventh twelfth thirteenth fourteenth
fifteenth sixteenth seventeenth eighteenth nineteenth twentieth"""
TENS = "thirty forty fifty sixty seventy eighty ninety"
DAYS = "sunday monday tuesday wednesday thursday friday saturday"
MONTHS = """january february march april may june july august september october november december"""
LETTERS = """alpha bravo charlie delta echo foxtrot golf hotel india juliet kilo lima mike oscar papa quebec romeo
sierra tango uniform victor whiskey xray yankee zulu"""
DIGITS = "hundred thousand million billion at dollars minus pound star today tomorrow yesterday oclock"
SIGNS = "dash dollar dot equals slash space plus asterisk zed"
PLAIN = """activated added calling cancelled disabled enabled extension goodbye hello hours location lowercase uppercase
minute minutes number removed seconds time with your is for"""
MAILBOX = """Family Friends Old Urgent Work last message messages no password press received saved and from"""
OTHER = {
    "de-activated": "deactivated", "dictate/pause": "pause", "dictate/paused": "paused", "dictate/playback": "playback",
    "dictate/record": "record", "hello-world": "hello world", "do-not-disturb": "do not disturb",
    "speed-dial": "speed dial", "call-waiting": "call waiting", "call-forwarding": "call forwarding",
    "telephone-number": "telephone number", "im-sorry": "i'm sorry", "spy-agent": "agent", "spy-console": "console",
    "spy-local": "local",
}  # fmt: skip
"""Files whose names are not the words. Left out: those that say more than their name (invalid, transfer, sorry, next,
repeat, delete, duration and the like).
"""


def names() -> dict[str, str]:
    """Words by file, without the folder and the suffix."""
    found = {f"digits/{place}": word for place, word in enumerate(SMALL.split())}
    found |= {f"digits/h-{place}": word for place, word in enumerate(ORDINAL.split(), start=1)}
    for number, word in zip(range(30, 100, 10), TENS.split(), strict=True):
        found |= {f"digits/{number}": word, f"digits/h-{number}": f"{word[:-1]}ieth"}
    found |= {f"digits/day-{place}": word for place, word in enumerate(DAYS.split())}
    found |= {f"digits/mon-{place}": word for place, word in enumerate(MONTHS.split())}
    found |= {f"phonetic/{word[0]}_p": word for word in LETTERS.split()}
    found |= {f"digits/{word}": word for word in DIGITS.split()}
    found |= {f"digits/h-{word}": f"{word}th" for word in DIGITS.split()[:4]}
    found |= {f"letters/{word}": word for word in SIGNS.split()}
    found |= {word: word for word in PLAIN.split()}
    return found | {f"vm-{word}": word.lower() for word in MAILBOX.split()} | OTHER


def read(file: str, *given: str) -> Samples:
    """A sound file at 16 kHz by ffmpeg; empty if it cannot be read (one package has links that lead nowhere)."""
    command = ["ffmpeg", "-v", "error", *given, "-i", file, "-f", "s16le", "-ac", "1", "-ar", str(RATE_HZ), "-"]
    data = subprocess.run(command, check=False, capture_output=True).stdout
    return np.frombuffer(data, "<i2").astype(np.float32) / 32768


def word(file: str) -> Samples:
    """A word cut to its sound, with 0.05 s on both sides."""
    sound = read(str(SOUNDS / f"{file}.g722"), "-f", "g722")
    loud = np.flatnonzero(np.abs(sound) > 0.02 * np.abs(sound).max())
    return sound[max(0, loud[0] - 800) : loud[-1] + 800]


def babblers() -> list[Samples]:
    """About a minute of each other voice."""
    found = []
    for package in OTHERS:
        listed = subprocess.run(["dpkg", "-L", package], check=True, capture_output=True, text=True).stdout.splitlines()
        files = [name for name in listed if name.endswith((".wav", ".gsm"))][::3][:40]
        found.append(np.concatenate([sound for sound in map(read, files) if len(sound) > RATE_HZ // 2]))
    return found


def speech_rms(sound: Samples) -> float:
    """Root mean square over the frames of 25 ms at most 25 dB under the loudest."""
    power = np.square(sound[: len(sound) // 400 * 400].reshape(-1, 400)).mean(axis=1)
    return float(np.sqrt(power[power > power.max() * 10**-2.5].mean()))


def scene(sound: Samples, key: str, kind: str, under_db: float, others: list[Samples]) -> Samples:
    """The word with 0.25 s before and 0.2 s after it, through a mask in brown noise, among voices, or in quiet."""
    rng = np.random.default_rng(zlib.crc32(f"{key} {kind} {under_db}".encode()))
    level = speech_rms(sound)
    out = np.pad(masked(sound) if kind == "mask" else sound, (4000, 3200))
    white = rng.standard_normal(len(out))
    noise = np.fft.irfft(np.fft.rfft(white) / np.maximum(np.fft.rfftfreq(len(out), 1 / RATE_HZ), 50), len(out))
    if kind == "mask":
        out = out + noise / np.sqrt(np.mean(noise**2)) * level * 10 ** (-under_db / 20)
    else:
        out = out + white * level * 10 ** (-40 / 20)
    for other in others if kind == "voices" else []:
        while speech_rms(piece := other[(at := int(rng.integers(len(other) - len(out)))) : at + len(out)]) < 0.01:
            pass
        out = out + piece * level / speech_rms(piece) * 10 ** (-under_db / 20) / np.sqrt(len(others))
    return out.astype(np.float32)


def decided(scores: NDArray[np.float64], words: list[str]) -> tuple[float, float]:
    """Shares right and wrong among live words, at the floor that 1 % of strangers pass."""
    rng = np.random.default_rng(3)
    strangers, taken = [], []
    for row, said in enumerate(words):
        far = [place for place, other in enumerate(words) if other[:4] != said[:4] and other[-4:] != said[-4:]]
        for _ in range(ROUNDS):
            drawn = rng.choice(far, LIVE, replace=False)
            strangers.append(scores[row, drawn].max())
            live = np.append(drawn[1:], row)
            best = live[scores[row, live].argmax()]
            taken.append((scores[row, best], best == row))
    over = [right for score, right in taken if score > np.quantile(strangers, 0.99)]
    return sum(over) / len(taken), (len(over) - sum(over)) / len(taken)


def main(shares: list[float]) -> None:
    first = HamaNetwork("original")
    speller = PhonemeScorer(first)
    sounds = {words: word(file) for file, words in names().items()}
    words, others = list(sounds), babblers()
    spelt = [[c for part in w.split() for c in speller._split("".join(first.spell(part)), w)] for w in words]
    paths = lay_out(spelt, first.blank)
    rows = []
    for kind, under_db in CONDITIONS:
        for share in shares:
            named: dict[str, Array] = taught.mixed(original(), share)
            speller._network = network = HamaNetwork("original")
            network._network = assemble(named)
            emissions = (speller._emissions(scene(sounds[w], w, kind, under_db, others)) for w in words)
            scores = np.array([forward(each, paths) for each in emissions])
            known = int((scores.argmax(axis=1) == np.arange(len(words))).sum())
            right, wrong = decided(scores, words)
            own = float(np.median(scores.diagonal()))
            rows.append(
                (f"{kind} {under_db} dB", share, f"{known}/{len(words)}", f"{right:.1%}", f"{wrong:.1%}", f"{own:.2f}")
            )
    table(("condition", "taught share", "known", "right", "wrong", "median of its own"), rows)


if __name__ == "__main__":
    main([float(share) for share in sys.argv[1:]] or [0.0, taught.SHARE, 1.0])
