"""WAV recordings: read those a recogniser can use, write 16-bit clips, and play one to a recogniser."""

from __future__ import annotations

import io
import os
import struct
import wave
from collections.abc import Collection
from pathlib import Path
from typing import BinaryIO, NamedTuple, Self

import numpy as np
import soxr

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.audio.quiet import QuietLine
from voicecoach.errors import InputError, RecordError
from voicecoach.system.files import open_plain, why_unreadable

UNKNOWN_SIZE = 0xFFFFFFFF
"""Data size written by programs that stream to a pipe: the data extends to the end of the file."""
RATES_HZ = (RATE_HZ, 2 * RATE_HZ, 3 * RATE_HZ)
"""Accepted sample rates. Telephone bandwidth (8 kHz) lacks what distinguishes consonants."""
PIECE_S = 1
"""Amount of a recording read at a time (s)."""

_WANTED = "a WAV recording (16-bit PCM)"
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_CODECS = {2: "ADPCM", 6: "A-law", 7: "mu-law", 17: "IMA ADPCM", 49: "GSM", 80: "MPEG", 85: "MP3"}
_COUNTS = {1: "one channel", 2: "two channels"}


def read_wav(path: Path, channels: Collection[int] = (1,)) -> Samples:
    """A whole recording at RATE_HZ, shape (frames, channels); raises as `Recording` does."""
    pieces = []
    with Recording(path, channels) as recording:
        while (piece := recording.read(PIECE_S * RATE_HZ)) is not None:
            pieces.append(piece)
        return np.concatenate(pieces) if pieces else np.zeros((1, recording.channels), np.float32)


class Recording:
    """A recording supplied by a person, read in pieces, so that its length does not matter.

    Args:
        path: 16-bit PCM at one of RATES_HZ. channels: the accepted channel counts, of 1 and 2.

    Attributes:
        channels: number of channels.

    Raises:
        InputError: the file cannot be read, has another format, is truncated, or holds no sound.
    """

    def __init__(self, path: Path, channels: Collection[int] = (1,)) -> None:
        few, many = min(channels), max(channels)
        count = _COUNTS[few] if few == many else f"one or {_COUNTS[many]}"
        wanted = f"a WAV recording of 16-bit PCM, {count}, at 16, 32 or 48 kHz"
        convert = f"convert it to 16 kHz, 16 bit, {_COUNTS[few]}"
        self._path = path
        try:
            self._file = os.fdopen(open_plain(path, wanted), "rb")
            sound = _find_sound(self._file, os.fstat(self._file.fileno()).st_size)
        except OSError as error:
            raise InputError(why_unreadable(error), where=str(path), expected=wanted) from None
        except InputError as error:
            expected = wanted if error.expected == _WANTED else error.expected
            raise InputError(error.what, where=str(path), expected=expected, mend=error.mend or convert) from None
        odd = []
        if sound.rate_hz not in RATES_HZ:
            odd.append(f"is recorded at {sound.rate_hz / 1000:g} kHz")
        if sound.channels not in channels:
            odd.append(f"has {_COUNTS.get(sound.channels, f'{sound.channels} channels')}")
            if sound.channels == 2:
                convert += "; or --channels 2, where wearer and observer have one each"
        if odd:
            self.close()
            raise InputError(" and ".join(odd), where=str(path), expected=wanted, mend=convert)
        self.channels = sound.channels
        self._rate_hz, self._left = sound.rate_hz, sound.frames
        self._ready = np.zeros((0, sound.channels), np.float32)
        self._resampler = None if sound.rate_hz == RATE_HZ else soxr.ResampleStream(
            sound.rate_hz, RATE_HZ, sound.channels, dtype="float32"
        )  # fmt: skip

    @property
    def ended(self) -> bool:
        """Whether everything has been read."""
        return not (self._left or len(self._ready))

    def read(self, frames: int) -> Samples | None:
        """The next `frames` frames at RATE_HZ, fewer at the end; None past it.

        Raises:
            InputError: the file can no longer be read.
        """
        while len(self._ready) < frames and self._left:
            self._ready = np.concatenate([self._ready, self._piece()])
        found, self._ready = self._ready[:frames], self._ready[frames:]
        return found if len(found) else None

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _piece(self) -> Samples:
        wanted = min(self._left, PIECE_S * self._rate_hz)
        try:
            data = self._file.read(wanted * 2 * self.channels)
        except OSError as error:
            raise InputError(f"cannot be read: {error.strerror or error}", where=str(self._path)) from None
        samples = _floats(data, self.channels)
        self._left = self._left - wanted if len(samples) == wanted else 0
        if self._resampler is not None:
            samples = self._resampler.resample_chunk(samples, last=not self._left)
        return np.clip(samples, -1.0, 1.0).astype(np.float32)


def decode_wav(data: bytes) -> tuple[Samples, int]:
    """The samples in `data`, a whole WAV file of 16-bit PCM, shape (frames, channels), and their rate (Hz).

    Raises:
        InputError: the data has another format, is truncated, or holds no sound; the message names no file.
    """
    file = io.BytesIO(data)
    sound = _find_sound(file, len(data))
    return _floats(file.read(sound.frames * 2 * sound.channels), sound.channels), sound.rate_hz


class _WavFormat(NamedTuple):
    rate_hz: int
    channels: int
    frames: int


def _find_sound(file: BinaryIO, length: int) -> _WavFormat:
    """Read a header; leaves the file at its first frame. length: of the file (bytes)."""
    head = file.read(12)
    if not head:
        raise InputError("is empty", expected=_WANTED, mend="record or copy it again")
    if head[:4] != b"RIFF" or head[8:12] != b"WAVE":
        raise InputError("is not a WAV file", expected=_WANTED)
    layout = None
    at = 12
    while at + 8 <= length:
        file.seek(at)
        name, size = struct.unpack("<4sI", file.read(8))
        at += 8
        if name == b"fmt ":
            layout = _layout(file.read(min(size, 64)))
        elif name == b"data":
            if layout is None:
                raise InputError("has a damaged header: data before format", expected=_WANTED, mend="copy it again")
            return _sound(*layout, there=length - at, size=size)
        at += size + size % 2
    raise InputError("holds no sound (no data)", expected=_WANTED, mend="record or copy it again")


def _sound(rate_hz: int, channels: int, *, there: int, size: int) -> _WavFormat:
    if there < size != UNKNOWN_SIZE:
        rate = rate_hz * 2 * channels
        raise InputError(
            f"is cut short: it holds {there / rate:.2f} s",
            expected=f"the {size / rate:.2f} s given in its header",
            mend="copy it again",
        )
    frames = min(there, size) // (2 * channels)
    if not frames:
        raise InputError("holds no sound (0 frames)", expected=_WANTED, mend="record it again")
    return _WavFormat(rate_hz, channels, frames)


def _floats(data: bytes, channels: int) -> Samples:
    frames = len(data) // (2 * channels)
    values = np.frombuffer(data, "<i2", count=frames * channels)
    return values.reshape(frames, channels).astype(np.float32) * np.float32(2**-15)


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
    """A recording as the microphone. It does not wait for the coach.

    It is followed by `tail_s` seconds of silence, so that the last word is decided; the block that ends the silence,
    and every one read after it, is marked `last`.

    Args:
        source: a recording, or samples at RATE_HZ of shape (frames,) or (frames, channels).
        live: run in real time instead of as fast as it is read.
    """

    def __init__(self, source: Recording | Samples, tail_s: float = 3.0, live: bool = False) -> None:
        self._source = source if isinstance(source, Recording) else _SamplesInMemory(source)
        self._tail = round(tail_s * RATE_HZ)
        super().__init__(live, channels=self._source.channels)

    def close(self) -> None:
        """Close the file."""
        self._source.close()

    def _hear(self, at: int, played: Samples) -> tuple[Samples, bool]:
        del at
        heard = np.zeros((len(played), self.channels), dtype=np.float32)
        part = self._source.read(len(played))
        if part is not None:
            heard[: len(part)] = part
        self._tail -= len(played) - (0 if part is None else len(part))
        return heard, self._source.ended and self._tail <= 0


class _SamplesInMemory:
    """Samples in memory with the interface of a recording."""

    def __init__(self, samples: Samples) -> None:
        self._left = samples[:, np.newaxis] if samples.ndim == 1 else samples
        self.channels = self._left.shape[1]

    @property
    def ended(self) -> bool:
        return not len(self._left)

    def read(self, frames: int) -> Samples | None:
        found, self._left = self._left[:frames], self._left[frames:]
        return found if len(found) else None

    def close(self) -> None:
        pass


def _layout(body: bytes) -> tuple[int, int]:
    """Rate (Hz) and channels of a format chunk."""
    if len(body) < 16:
        raise InputError("has a damaged header: its format is too short", expected=_WANTED, mend="copy it again")
    code, channels, rate_hz, _, block, bits = struct.unpack_from("<HHIIHH", body)
    if code == _EXTENSIBLE and len(body) >= 26:
        code = struct.unpack_from("<H", body, 24)[0]
    if code not in {_PCM, _FLOAT}:
        raise InputError(f"is compressed ({_CODECS.get(code, f'format {code:#06x}')})", expected=_WANTED)
    if code == _FLOAT or bits != 16:
        raise InputError(f"has {bits}-bit {'float ' if code == _FLOAT else ''}samples", expected=_WANTED)
    if not channels or not rate_hz or block != 2 * channels:
        raise InputError(
            f"has a damaged header: {channels} channels, {rate_hz} Hz, {block} bytes per frame",
            expected=_WANTED,
            mend="copy it again",
        )
    return rate_hz, channels
