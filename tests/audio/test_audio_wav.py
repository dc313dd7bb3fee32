"""Recordings that the recogniser can use are read as they sound, and others are named in one line."""

from __future__ import annotations

import struct
import wave
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ, Line, Samples
from voicecoach.audio.wav import WavLine, decode_wav, read_wav, resampled, write_wav
from voicecoach.errors import InputError, RecordError, VoicecoachError


def sine(rate_hz: int, seconds: float = 0.5, hz: float = 440.0) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.asarray(0.5 * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate_hz)) / rate_hz))


def save_pcm(path: Path, rate_hz: int, bits: int, channels: int) -> None:
    """Written by the standard library's own writer: the reference for what a PCM WAV file is."""
    values = np.repeat(sine(rate_hz)[:, np.newaxis], channels, axis=1)
    if bits == 8:
        data = np.rint(values * 128 + 128).astype(np.uint8).tobytes()
    elif bits == 24:
        wide = np.rint(values * 2**23).astype("<i4")
        data = wide.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    else:
        data = np.rint(values * 2.0 ** (bits - 1)).astype(f"<i{bits // 8}").tobytes()
    with wave.open(str(path), "wb") as out:
        out.setnchannels(channels)
        out.setsampwidth(bits // 8)
        out.setframerate(rate_hz)
        out.writeframes(data)


def riff(
    code: int, channels: int, rate_hz: int, bits: int, data: bytes, *, size: int | None = None, extra: bytes = b""
) -> bytes:
    block = channels * bits // 8
    fmt = struct.pack("<HHIIHH", code, channels, rate_hz, rate_hz * block, block, bits) + extra
    body = b"fmt " + struct.pack("<I", len(fmt)) + fmt
    body += b"data" + struct.pack("<I", len(data) if size is None else size) + data
    return b"RIFF" + struct.pack("<I", 4 + len(body)) + b"WAVE" + body


def assert_sounds_like_the_sine(samples: Samples, tolerance: float) -> None:
    assert samples.dtype == np.float32
    expected = sine(RATE_HZ)
    assert abs(len(samples) - len(expected)) <= 1
    inner = slice(400, 7600)  # a resampler rings at the ends
    for channel in range(samples.shape[1]):
        np.testing.assert_allclose(samples[inner, channel], expected[inner], atol=tolerance)


def refusal(path: Path, channels: tuple[int, ...] = (1,)) -> str:
    """The one line that refuses a recording; it begins with the file."""
    with pytest.raises(InputError) as caught:
        read_wav(path, channels)
    line = caught.value.line()
    assert line.startswith(f"{path}: ")
    assert "expected" in line
    assert "\n" not in line
    return line


@pytest.mark.parametrize("rate_hz", [16_000, 32_000, 48_000])
@pytest.mark.parametrize("channels", [1, 2])
def test_16_bit_recordings_at_16_32_and_48_khz_are_read_as_they_sound(
    tmp_path: Path, rate_hz: int, channels: int
) -> None:
    save_pcm(tmp_path / "a.wav", rate_hz, 16, channels)
    samples = read_wav(tmp_path / "a.wav", (1, 2))
    assert samples.shape[1] == channels
    assert_sounds_like_the_sine(samples, 1e-3)


CONVERT = "(convert it to 16 kHz, 16 bit, one channel)"


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 16_001, 22_050, 44_100, 96_000])
def test_a_recording_at_another_rate_is_refused_with_the_rate_and_how_to_mend_it(tmp_path: Path, rate_hz: int) -> None:
    save_pcm(tmp_path / "a.wav", rate_hz, 16, 1)
    said = refusal(tmp_path / "a.wav")
    assert f": is recorded at {rate_hz / 1000:g} kHz; expected " in said
    assert "at 16, 32 or 48 kHz" in said
    assert said.endswith(CONVERT)


@pytest.mark.parametrize("bits", [8, 24, 32])
def test_a_recording_of_another_width_is_refused_with_the_width(tmp_path: Path, bits: int) -> None:
    save_pcm(tmp_path / "a.wav", RATE_HZ, bits, 1)
    said = refusal(tmp_path / "a.wav")
    assert f": has {bits}-bit samples; expected " in said
    assert "16-bit PCM" in said
    assert said.endswith(CONVERT)


@pytest.mark.parametrize(
    ("there", "asked", "what", "expected"),
    [
        (2, (1,), "has two channels", "one channel"),
        (1, (2,), "has one channel", "two channels"),
        (3, (1, 2), "has 3 channels", "one or two channels"),
    ],
)
def test_a_recording_with_other_channels_than_there_are_people_at_microphones_is_refused(
    tmp_path: Path, there: int, asked: tuple[int, ...], what: str, expected: str
) -> None:
    save_pcm(tmp_path / "a.wav", RATE_HZ, 16, there)
    said = refusal(tmp_path / "a.wav", asked)
    assert f": {what}; expected " in said
    assert f"PCM, {expected}, at" in said
    assert ("--channels 2" in said) == (there == 2)


def test_all_that_is_odd_about_the_sound_is_reported_at_once(tmp_path: Path) -> None:
    save_pcm(tmp_path / "a.wav", 44_100, 16, 2)
    assert "is recorded at 44.1 kHz and has two channels; expected" in refusal(tmp_path / "a.wav")


def test_what_a_voice_renders_at_its_own_rate_is_decoded(tmp_path: Path) -> None:
    save_pcm(tmp_path / "a.wav", 22_050, 16, 1)
    samples, rate_hz = decode_wav((tmp_path / "a.wav").read_bytes())
    assert rate_hz == 22_050
    assert_sounds_like_the_sine(resampled(samples, rate_hz), 1e-3)


def test_the_extensible_header_of_many_recorders_is_read() -> None:
    # Microsoft's WAVEFORMATEXTENSIBLE [mem]: cbSize, valid bits, channel mask, then a GUID that begins with the format
    guid = struct.pack("<H", 1) + bytes.fromhex("000000001000800000aa00389b71")
    extra = struct.pack("<HHI", 22, 16, 0) + guid
    data = np.rint(sine(RATE_HZ) * 32768).astype("<i2").tobytes()
    samples, _ = decode_wav(riff(0xFFFE, 1, RATE_HZ, 16, data, extra=extra))
    assert_sounds_like_the_sine(samples, 1e-4)


def test_a_recording_that_was_written_to_a_pipe_is_read_to_its_end() -> None:
    data = np.rint(sine(RATE_HZ) * 32768).astype("<i2").tobytes()
    samples, _ = decode_wav(riff(1, 1, RATE_HZ, 16, data, size=0xFFFFFFFF))
    assert_sounds_like_the_sine(samples, 1e-4)


def test_chunks_of_other_programs_are_skipped() -> None:
    whole = riff(1, 1, RATE_HZ, 16, np.rint(sine(RATE_HZ) * 32768).astype("<i2").tobytes())
    odd = b"LIST" + struct.pack("<I", 3) + b"abc\0"
    samples, _ = decode_wav(whole[:12] + odd + whole[12:] + odd)
    assert_sounds_like_the_sine(samples, 1e-4)


GOOD = riff(1, 1, RATE_HZ, 16, bytes(3200))
BAD = {
    "empty": (b"", "is empty"),
    "text": (b"this is not sound at all, but long enough", "is not a WAV file"),
    "header only": (GOOD[:12], "holds no sound (no data)"),
    "cut in the header": (GOOD[:30], "has a damaged header: its format is too short"),
    "cut in the sound": (GOOD[:-1600], "is cut short: it holds 0.05 s; expected the 0.10 s given in its header"),
    "zero length": (riff(1, 1, RATE_HZ, 16, b""), "holds no sound (0 frames)"),
    "less than a frame": (riff(1, 2, RATE_HZ, 16, b"\0\0\0"), "holds no sound (0 frames)"),
    "MP3 inside": (riff(85, 1, RATE_HZ, 16, bytes(3200)), "is compressed (MP3)"),
    "A-law": (riff(6, 1, 8000, 8, bytes(3200)), "is compressed (A-law)"),
    "unknown codec": (riff(0x1234, 1, 8000, 8, bytes(3200)), "is compressed (format 0x1234)"),
    "12 bit": (riff(1, 1, RATE_HZ, 12, bytes(3200)), "has 12-bit samples"),
    "no channels": (riff(1, 0, RATE_HZ, 16, bytes(3200)), "has a damaged header: 0 channels"),
    "rate 0": (riff(1, 1, 0, 16, bytes(3200)), "has a damaged header: 1 channels, 0 Hz"),
    "float": (riff(3, 1, RATE_HZ, 32, bytes(3200)), "has 32-bit float samples"),
    "no format": (b"RIFF\0\0\0\0WAVEdata\2\0\0\0\0\0", "has a damaged header: data before format"),
}


@pytest.mark.parametrize("kind", BAD)
def test_a_bad_recording_gets_one_line_that_names_it(tmp_path: Path, kind: str) -> None:
    data, message = BAD[kind]
    path = tmp_path / "bad.wav"
    path.write_bytes(data)
    line = refusal(path)
    assert message in line
    assert "(" in line.partition("expected")[2]  # how to mend it


def test_a_missing_file_and_a_folder_are_named(tmp_path: Path) -> None:
    for path in (tmp_path / "none.wav", tmp_path):
        with pytest.raises(InputError, match=r"does not exist|cannot be read") as caught:
            read_wav(path)
        assert str(path) in caught.value.line()


@given(st.binary(max_size=200), st.integers(0, len(GOOD)), st.integers(0, len(GOOD)))
def test_no_damage_leads_to_anything_but_a_plain_error(noise: bytes, first: int, second: int) -> None:
    for data in (noise, GOOD[:first] + noise + GOOD[second:]):
        try:
            samples, rate_hz = decode_wav(data)
        except VoicecoachError:
            continue
        assert rate_hz > 0
        assert samples.size
        assert np.isfinite(samples).all()


def test_a_single_frame_of_another_rate_is_still_a_frame(tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_bytes(riff(1, 1, 48_000, 16, b"\0\x10"))
    assert len(read_wav(tmp_path / "a.wav")) >= 1


@pytest.mark.parametrize("channels", [1, 2])
def test_a_written_clip_is_read_by_the_standard_library_and_by_us(tmp_path: Path, channels: int) -> None:
    samples = np.repeat(sine(RATE_HZ)[:, np.newaxis], channels, axis=1).astype(np.float32)
    write_wav(tmp_path / "clip.wav", samples if channels > 1 else samples[:, 0])
    with wave.open(str(tmp_path / "clip.wav")) as file:
        assert file.getparams()[:4] == (channels, 2, RATE_HZ, len(samples))
    back = read_wav(tmp_path / "clip.wav", (channels,))
    np.testing.assert_allclose(back, samples, atol=1e-4)


def test_a_clip_that_cannot_be_written_says_so(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="cannot be written"):
        write_wav(tmp_path / "no" / "clip.wav", np.zeros(10, dtype=np.float32))


def read_all(line: Line) -> tuple[Samples, int]:
    """All that is heard up to the first block marked last, and how many samples were read."""
    parts = []
    while True:
        block = line.read(1.0)
        assert block is not None
        assert len(block.heard) == BLOCK_FRAMES
        parts.append(block.heard)
        if block.last:
            return np.concatenate(parts), block.end


def test_a_recording_is_heard_whole_and_followed_by_silence_in_which_the_last_word_can_be_decided() -> None:
    samples = np.stack([np.linspace(0.1, 0.9, 1000), np.linspace(-0.9, -0.1, 1000)], axis=1).astype(np.float32)
    line = WavLine(samples, tail_s=3.0)
    assert (line.channels, line.live) == (2, False)
    heard, end = read_all(line)
    np.testing.assert_array_equal(heard[:1000], samples)
    assert not heard[1000:].any()
    assert 3.0 <= (end - 1000) / RATE_HZ < 3.0 + BLOCK_FRAMES / RATE_HZ
    after = line.read(1.0)
    assert after is not None
    assert after.last
    assert not after.heard.any()
