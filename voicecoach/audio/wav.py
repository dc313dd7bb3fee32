"""WAV recordings: read what the recogniser can use, write 16-bit clips, and play a recording to the ear."""

from __future__ import annotations

import struct
import wave
from collections.abc import Collection, Iterator
from pathlib import Path

import numpy as np
import soxr

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.audio.quiet import QuietLine
from voicecoach.errors import InputError, RecordError

UNKNOWN_SIZE = 0xFFFFFFFF
"""What writers to a pipe put where the size of the data belongs: it goes to the end of the file."""
RATES_HZ = (RATE_HZ, 2 * RATE_HZ, 3 * RATE_HZ)
"""Of recordings that are taken. Telephone bandwidth (8 kHz) lacks what tells consonants apart."""

_WANTED = "a WAV recording (16-bit PCM)"
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_CODECS = {2: "ADPCM", 6: "A-law", 7: "mu-law", 17: "IMA ADPCM", 49: "GSM", 80: "MPEG", 85: "MP3"}
_COUNTS = {1: "one channel", 2: "two channels"}


def read_wav(path: Path, channels: Collection[int] = (1,)) -> Samples:
    """A recording that a person hands in, at RATE_HZ; shape (frames, channels).

    Args:
        path: 16-bit PCM at one of RATES_HZ. channels: how many it may have; 1, 2 or either.

    Raises:
        InputError: it cannot be read, is not such a file, is cut short, or holds no sound.
    """
    few, many = min(channels), max(channels)
    count = _COUNTS[few] if few == many else f"one or {_COUNTS[many]}"
    wanted = f"a WAV recording of 16-bit PCM, {count}, at 16, 32 or 48 kHz"
    convert = f"convert it to 16 kHz, 16 bit, {_COUNTS[few]}"
    try:
        samples, rate_hz = decode_wav(path.read_bytes())
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror or error}", where=str(path), expected=wanted) from None
    except InputError as error:
        expected = wanted if error.expected == _WANTED else error.expected
        raise InputError(error.what, where=str(path), expected=expected, mend=error.mend or convert) from None
    odd = []
    if rate_hz not in RATES_HZ:
        odd.append(f"is recorded at {rate_hz / 1000:g} kHz")
    if samples.shape[1] not in channels:
        odd.append(f"has {_COUNTS.get(samples.shape[1], f'{samples.shape[1]} channels')}")
        if samples.shape[1] == 2:
            convert += "; or --channels 2, where wearer and observer have one each"
    if odd:
        raise InputError(" and ".join(odd), where=str(path), expected=wanted, mend=convert)
    return resampled(samples, rate_hz)


def decode_wav(data: bytes) -> tuple[Samples, int]:
    """The samples in `data`, a whole WAV file of 16-bit PCM, shape (frames, channels), and their rate (Hz).

    Raises:
        InputError: it is not such a file, is cut short, or holds no sound; no file is named.
    """
    if not data:
        raise InputError("is empty", expected=_WANTED, mend="record or copy it again")
    if data[:4] != b"RIFF" or data[8:12] != b"WAVE":
        raise InputError("is not a WAV file", expected=_WANTED)
    layout = None
    for name, body, size in _chunks(data):
        if name == b"fmt ":
            layout = _layout(body)
        elif name == b"data":
            if layout is None:
                raise InputError("has sound before its format", expected=_WANTED, mend="the header is damaged")
            rate_hz, channels = layout
            if len(body) < size != UNKNOWN_SIZE:
                rate = rate_hz * 2 * channels
                raise InputError(
                    f"is cut short: {len(body) / rate:.2f} s are there",
                    expected=f"the {size / rate:.2f} s that its header promises",
                    mend="copy it again",
                )
            frames = len(body) // (2 * channels)
            if not frames:
                raise InputError("holds no sound (0 frames)", expected=_WANTED, mend="record it again")
            values = np.frombuffer(body, "<i2", count=frames * channels)
            return values.reshape(frames, channels).astype(np.float32) * np.float32(2**-15), rate_hz
    raise InputError("holds no sound (no data)", expected=_WANTED, mend="record or copy it again")


def resampled(samples: Samples, rate_hz: int) -> Samples:
    """`samples`, taken at `rate_hz`, as float32 at RATE_HZ within [-1, 1]; at least one frame."""
    if rate_hz != RATE_HZ:
        whole = samples
        samples = soxr.resample(whole, rate_hz, RATE_HZ)
        if not len(samples):
            samples = whole[:1]
    return np.clip(samples, -1.0, 1.0).astype(np.float32)


def write_wav(path: Path, samples: Samples) -> None:
    """Write samples of shape (frames,) or (frames, channels) at RATE_HZ as 16-bit PCM.

    Raises:
        RecordError: the file cannot be written.
    """
    values = np.rint(np.clip(samples, -1.0, 1.0) * 32767).astype("<i2")
    try:
        with path.open("wb") as file, wave.open(file, "wb") as out:
            out.setnchannels(1 if samples.ndim == 1 else samples.shape[1])
            out.setsampwidth(2)
            out.setframerate(RATE_HZ)
            out.writeframes(values.tobytes())
    except OSError as error:
        raise RecordError(f"cannot be written: {error.strerror or error}", where=str(path)) from None


class WavLine(QuietLine):
    """A recording played to the ear open loop: it does not wait for the coach.

    Behind its end come `tail_s` seconds of silence, so that the last word is decided on; the block that ends them, and
    each one read after it, is marked `last`.

    Args:
        samples: at RATE_HZ, of shape (frames,) or (frames, channels).
        live: keep real time instead of running as fast as it is read.
    """

    def __init__(self, samples: Samples, tail_s: float = 3.0, live: bool = False) -> None:
        self._samples = samples[:, np.newaxis] if samples.ndim == 1 else samples
        self._end = len(self._samples) + round(tail_s * RATE_HZ)
        super().__init__(live, channels=self._samples.shape[1])

    def _hear(self, at: int, played: Samples) -> tuple[Samples, bool]:
        heard = np.zeros((len(played), self.channels), dtype=np.float32)
        part = self._samples[at : at + len(played)]
        heard[: len(part)] = part
        return heard, at + len(played) >= self._end


def _chunks(data: bytes) -> Iterator[tuple[bytes, bytes, int]]:
    """Name, what there is of the body, and the promised size of each chunk."""
    at = 12
    while at + 8 <= len(data):
        name, size = struct.unpack_from("<4sI", data, at)
        yield name, data[at + 8 : at + 8 + size], size
        at += 8 + size + size % 2


def _layout(body: bytes) -> tuple[int, int]:
    """Rate (Hz) and channels that a format chunk tells."""
    if len(body) < 16:
        raise InputError("has a format of too few bytes", expected=_WANTED, mend="the header is damaged")
    code, channels, rate_hz, _, block, bits = struct.unpack_from("<HHIIHH", body)
    if code == _EXTENSIBLE and len(body) >= 26:
        code = struct.unpack_from("<H", body, 24)[0]
    if code not in {_PCM, _FLOAT}:
        raise InputError(f"is compressed ({_CODECS.get(code, f'format {code:#06x}')})", expected=_WANTED)
    if code == _FLOAT or bits != 16:
        raise InputError(f"has {bits}-bit {'float ' if code == _FLOAT else ''}samples", expected=_WANTED)
    if not channels or not rate_hz or block != 2 * channels:
        raise InputError(
            f"has an impossible format ({channels} channels, {rate_hz} Hz, {block} bytes a frame)",
            expected=_WANTED,
            mend="the header is damaged",
        )
    return rate_hz, channels
