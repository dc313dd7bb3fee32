"""What an engine writes is believed only after a look."""

from __future__ import annotations

import importlib
import struct
import warnings
import wave
from pathlib import Path

import numpy as np
import pytest

from voicecoach.audio.line import RATE_HZ
from voicecoach.errors import EngineError
from voicecoach.speak.decode import LEVEL, decode, levelled, trimmed

TEXT = "Take off the gown."


def buzz(seconds: float, rate_hz: int = 22_050, level: float = 0.3) -> np.ndarray[tuple[int], np.dtype[np.int16]]:
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    return np.asarray(level * 32767 * np.sin(2 * np.pi * 200 * time_s), dtype=np.int16)


def save(path: Path, samples: np.ndarray[tuple[int], np.dtype[np.int16]], rate_hz: int = 22_050) -> Path:
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(rate_hz)
        out.writeframes(samples.tobytes())
    return path


def test_a_prompt_is_resampled_trimmed_and_levelled(tmp_path: Path) -> None:
    quiet = np.zeros(22_050, dtype=np.int16)
    samples = decode(save(tmp_path / "a.wav", np.concatenate([quiet, buzz(1.5), quiet])), TEXT, 140)
    assert samples.dtype == np.float32
    assert len(samples) / RATE_HZ == pytest.approx(1.5 + 0.03 + 0.08, abs=0.03)
    assert np.sqrt(np.mean(samples**2)) == pytest.approx(LEVEL, rel=1e-3)


def test_a_prompt_of_few_peaks_is_not_overloaded() -> None:
    spiky = np.zeros(RATE_HZ, dtype=np.float32)
    spiky[::800] = 0.5
    assert np.abs(levelled(spiky)).max() <= 0.951


def test_soft_speech_at_the_edges_is_kept() -> None:
    samples = np.zeros(RATE_HZ, dtype=np.float32)
    samples[4000:12_000] = 0.3
    samples[3000:4000] = samples[12_000:13_000] = 0.005  # 36 dB below: a soft f
    rest = trimmed(samples)
    assert np.count_nonzero(rest) == 10_000


@pytest.mark.parametrize(
    ("samples", "message"),
    [
        (np.zeros(22_050, dtype=np.int16), "silence"),
        (buzz(0.05), "rendered to 0."),
        (buzz(60.0), "rendered to 60.0 s"),
        (buzz(0.0), "damaged"),
    ],
    ids=["silent", "too short", "too long", "no frames"],
)
def test_a_rendering_that_cannot_be_the_text_is_refused(
    tmp_path: Path, samples: np.ndarray[tuple[int], np.dtype[np.int16]], message: str
) -> None:
    with pytest.raises(EngineError, match=message) as caught:
        decode(save(tmp_path / "a.wav", samples), TEXT, 140)
    assert TEXT in caught.value.line()


def test_a_file_cut_short_or_of_another_kind_is_refused(tmp_path: Path) -> None:
    whole = save(tmp_path / "a.wav", buzz(1.5)).read_bytes()
    for data in (whole[:-5000], b"", b"nothing of the kind", b"FORM\0\0\0\4AIFF", b"FORM"):
        (tmp_path / "b.wav").write_bytes(data)
        with pytest.raises(EngineError, match="damaged"):
            decode(tmp_path / "b.wav", TEXT, 140)


def test_abbreviations_that_are_spoken_as_many_words_are_not_refused(tmp_path: Path) -> None:
    assert len(decode(save(tmp_path / "a.wav", buzz(3.0)), "IEC 60601.", 140))


def test_an_aiff_file_is_read_whatever_it_is_called(tmp_path: Path) -> None:
    # AIFF [mem]: big-endian chunks, the rate as an 80-bit float; 22050 Hz is exponent 0x400D, mantissa 0xAC44 << 48
    body = b"COMM" + struct.pack(">IhIhHQ", 18, 1, 33_075, 16, 0x400D, 0xAC44 << 48)
    body += b"SSND" + struct.pack(">III", 8 + 66_150, 0, 0) + buzz(1.5).astype(">i2").tobytes()
    (tmp_path / "a.wav").write_bytes(b"FORM" + struct.pack(">I", 4 + len(body)) + b"AIFF" + body)
    samples = decode(tmp_path / "a.wav", TEXT, 140)
    expected = decode(save(tmp_path / "b.wav", buzz(1.5)), TEXT, 140)
    np.testing.assert_allclose(samples, expected, atol=1e-4)


@pytest.mark.parametrize("kind", ["AIFF", "AIFC"])
def test_aiff_as_the_standard_library_wrote_it_is_read(tmp_path: Path, kind: str) -> None:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)
            aifc = importlib.import_module("aifc")
    except ImportError:
        pytest.skip(reason="Python 3.13 and later have no aifc to compare with")
    with aifc.open(str(tmp_path / "a.wav"), "wb") as out:
        if kind == "AIFC":
            out.aifc()
        else:
            out.aiff()
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(22_050)
        out.writeframes(buzz(1.5).astype(">i2").tobytes())
    expected = decode(save(tmp_path / "b.wav", buzz(1.5)), TEXT, 140)
    np.testing.assert_allclose(decode(tmp_path / "a.wav", TEXT, 140), expected, atol=1e-4)
