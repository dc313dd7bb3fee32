"""WAV recordings: read whatever a recorder writes, write 16-bit clips, and a line that plays a recording to the ear."""

from __future__ import annotations

import struct
import wave
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soxr

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.audio.quiet import QuietLine
from voicecoach.errors import InputError, RecordError

WANTED = "a WAV recording (PCM of 8, 16, 24 or 32 bit, or float)"
UNKNOWN_SIZE = 0xFFFFFFFF
"""What writers to a pipe put where the size of the data belongs: it goes to the end of the file."""
RATES_HZ = range(4_000, 384_001)

_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_CODECS = {2: "ADPCM", 6: "A-law", 7: "mu-law", 17: "IMA ADPCM", 49: "GSM", 80: "MPEG", 85: "MP3"}


@dataclass(frozen=True, slots=True)
class WavInfo:
    """How a recording was stored, before it became float32 at RATE_HZ. frames: at `rate_hz`."""

    rate_hz: int
    channels: int
    bits: int
    floating: bool
    frames: int

    @property
    def seconds(self) -> float:
        """Its length."""
        return self.frames / self.rate_hz


def read_wav(path: Path) -> tuple[Samples, WavInfo]:
    """The recording at RATE_HZ, shape (frames, channels), and how it was stored.

    Raises:
        InputError: it cannot be read, is not a WAV file, is cut short, or holds no sound.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror or error}", where=str(path), expected=WANTED) from None
    try:
        samples, info = decode_wav(data)
    except InputError as error:
        raise InputError(error.what, where=str(path), expected=error.expected, mend=error.mend) from None
    return resampled(samples, info.rate_hz), info


def decode_wav(data: bytes) -> tuple[Samples, WavInfo]:
    """The samples in `data`, a whole WAV file, at the rate they were stored with; shape (frames, channels).

    Raises:
        InputError: as `read_wav`, without naming a file.
    """
    if not data:
        raise InputError("is empty", expected=WANTED)
    if data[:4] != b"RIFF" or data[8:12] != b"WAVE":
        raise InputError("is not a WAV file", expected=WANTED)
    layout, block = None, 0
    for name, body, size in _chunks(data):
        if name == b"fmt ":
            layout, block = _layout(body)
        elif name == b"data":
            if layout is None:
                raise InputError("has sound before its format", expected=WANTED, mend="the header is damaged")
            if size == 0:
                raise InputError("holds no sound (0 frames)", expected=WANTED)
            if len(body) < size != UNKNOWN_SIZE:
                rate = layout.rate_hz * block
                raise InputError(
                    f"is cut short: {len(body) / rate:.2f} s are there",
                    expected=f"the {size / rate:.2f} s that its header promises",
                    mend="copy it again",
                )
            return _samples(body, layout, block)
    raise InputError("holds no sound (no data)", expected=WANTED)


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
        recording: a file, or samples at RATE_HZ of shape (frames,) or (frames, channels).
        live: keep real time instead of running as fast as it is read.

    Raises:
        InputError: as `read_wav`.
    """

    def __init__(self, recording: Path | Samples, tail_s: float = 3.0, live: bool = False) -> None:
        samples = read_wav(recording)[0] if isinstance(recording, Path) else recording
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


def _layout(body: bytes) -> tuple[WavInfo, int]:
    """Format and bytes a frame; the number of frames is not known yet."""
    if len(body) < 16:
        raise InputError("has a format of too few bytes", expected=WANTED, mend="the header is damaged")
    code, channels, rate_hz, _, block, bits = struct.unpack_from("<HHIIHH", body)
    if code == _EXTENSIBLE and len(body) >= 26:
        code = struct.unpack_from("<H", body, 24)[0]
    if code not in {_PCM, _FLOAT}:
        raise InputError(f"is compressed ({_CODECS.get(code, f'format {code:#06x}')})", expected=WANTED)
    if bits not in ((8, 16, 24, 32) if code == _PCM else (32, 64)):
        raise InputError(f"has samples of {bits} bit{' float' if code == _FLOAT else ''}", expected=WANTED)
    if not channels or rate_hz not in RATES_HZ or block != channels * bits // 8:
        raise InputError(
            f"has an impossible format ({channels} channels, {rate_hz} Hz, {block} bytes a frame)",
            expected=f"{RATES_HZ[0]} to {RATES_HZ[-1]} Hz",
            mend="the header is damaged",
        )
    return WavInfo(rate_hz, channels, bits, code == _FLOAT, 0), block


def _samples(body: bytes, layout: WavInfo, block: int) -> tuple[Samples, WavInfo]:
    frames = len(body) // block
    body = body[: frames * block]
    if not frames:
        raise InputError("holds no sound (0 frames)", expected=WANTED)
    samples: Samples
    if layout.floating:
        samples = np.frombuffer(body, f"<f{layout.bits // 8}").astype(np.float32)
        if not np.isfinite(samples).all():
            raise InputError("holds samples that are not numbers", expected=WANTED, mend="it is damaged")
    elif layout.bits == 8:
        samples = (np.frombuffer(body, np.uint8).astype(np.float32) - np.float32(128)) * np.float32(2**-7)
    elif layout.bits == 24:
        wide = np.zeros((frames * layout.channels, 4), dtype=np.uint8)
        wide[:, 1:] = np.frombuffer(body, np.uint8).reshape(-1, 3)
        samples = wide.view("<i4")[:, 0].astype(np.float32) * np.float32(2**-31)
    else:
        whole = np.frombuffer(body, f"<i{layout.bits // 8}").astype(np.float32)
        samples = whole * np.float32(2.0 ** (1 - layout.bits))
    info = WavInfo(layout.rate_hz, layout.channels, layout.bits, layout.floating, frames)
    return samples.reshape(frames, layout.channels), info
