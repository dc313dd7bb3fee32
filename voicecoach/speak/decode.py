"""Turns an engine's file into a prompt: decodes, checks, resamples, trims and levels it."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.audio.wav import decode_wav, resampled
from voicecoach.errors import EngineError, InputError
from voicecoach.speak.silent import WORDS_A_MINUTE, spoken_s

LEVEL = 0.1
"""Root mean square of the speech in a prompt (-20 dB below full scale), so that all voices are equally loud."""
PEAK = 0.95
FRAME_S = 0.01
QUIET_DB = -46.0
"""Before the first and after the last sound, whatever is this far below the loudest frame is silence."""
LEAD_S, TRAIL_S = 0.03, 0.08
"""Kept before and after the speech (s), for soft beginnings and the last consonant."""


def decode(path: Path, text: str, rate_wpm: int) -> Samples:
    """The prompt `text` in an engine's file as float32 at RATE_HZ, shape (frames,).

    Raises:
        EngineError: the file is damaged, silent, or of a length that the text cannot have.
    """
    try:
        data = path.read_bytes()
        samples, rate_hz = _decode_aiff(data) if data[:4] == b"FORM" else _decode_riff(data)
    except (OSError, InputError, struct.error, ValueError) as error:
        raise EngineError(f"{text!r} was rendered to a damaged file: {error}", where="speech") from None
    speech = trimmed(resampled(samples, rate_hz))
    if not len(speech):
        raise EngineError(f"{text!r} was rendered to silence", where="speech")
    heard_s, expected_s = len(speech) / RATE_HZ, spoken_s(text) * WORDS_A_MINUTE / rate_wpm
    # numbers and abbreviations are spoken as several words, and pauses count too: the bounds are wide
    if not 0.2 * expected_s <= heard_s <= 5 * expected_s + 2:
        raise EngineError(
            f"{text!r} was rendered to {heard_s:.1f} s of speech", where="speech", expected=f"about {expected_s:.1f} s"
        )
    return levelled(speech)


def trimmed(samples: Samples) -> Samples:
    """`samples` without the silence around them; empty if they hold nothing else. Shape (frames,)."""
    size = round(FRAME_S * RATE_HZ)
    frames = samples[: len(samples) // size * size].reshape(-1, size)
    power = np.square(frames, dtype=np.float64).mean(axis=1)
    if not len(power) or power.max() < 1e-8:
        return samples[:0]
    loud = np.flatnonzero(power > power.max() * 10 ** (QUIET_DB / 10))
    begin = int(loud[0]) * size - round(LEAD_S * RATE_HZ)
    end = int(loud[-1] + 1) * size + round(TRAIL_S * RATE_HZ)
    return samples[max(0, begin) : end]


def levelled(samples: Samples) -> Samples:
    """`samples` with the root mean square LEVEL, or less where the peaks would exceed PEAK."""
    power = float(np.sqrt(np.mean(np.square(samples, dtype=np.float64))))
    gain = min(LEVEL / power, PEAK / float(np.abs(samples).max()))
    return (samples * np.float32(gain)).astype(np.float32)


def _decode_riff(data: bytes) -> tuple[Samples, int]:
    samples, rate_hz = decode_wav(data)
    return samples.mean(axis=1, dtype=np.float32), rate_hz


def _decode_aiff(data: bytes) -> tuple[Samples, int]:
    """16-bit AIFF or uncompressed AIFF-C: what macOS writes whatever the file's suffix."""
    channels, rate_hz, order, at = 0, 0, ">", 12
    while at + 8 <= len(data):
        name, size = struct.unpack_from(">4sI", data, at)
        body = data[at + 8 : at + 8 + size]
        if name == b"COMM":
            channels, _, bits, exponent, mantissa = struct.unpack_from(">hIhHQ", body)
            rate_hz = round(mantissa * 2.0 ** (exponent - 16383 - 63))
            kind = body[18:22] if data[8:12] == b"AIFC" else b"NONE"
            if bits != 16 or kind not in {b"NONE", b"twos", b"sowt"} or channels < 1 or rate_hz < 1:
                raise ValueError(f"AIFF of {bits} bit, {kind!r}")
            order = "<" if kind == b"sowt" else ">"
        elif name == b"SSND" and rate_hz:
            values = body[8 : 8 + (size - 8) // (2 * channels) * 2 * channels]
            samples = np.frombuffer(values, f"{order}i2").astype(np.float32) * np.float32(2**-15)
            return samples.reshape(-1, channels).mean(axis=1, dtype=np.float32), rate_hz
        at += 8 + size + size % 2
    raise ValueError("AIFF without sound")
