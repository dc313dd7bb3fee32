"""What is wrong with a microphone's sound, by figures of known sounds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ, Samples
from voicecoach.listen.levels import METER_CELLS, SILENT_S, LevelWatch, flat, meter

SECOND = RATE_HZ


def voice(level: float, seconds: float = 0.6, limit: float = 1.0) -> Samples:
    """A voice-like sound of RMS `level`, cut off at `limit`, as a converter of 16 bits gives it."""
    rng = np.random.default_rng(3)
    count = round(seconds * RATE_HZ)
    time_s = np.arange(count) / RATE_HZ
    sound = sum(np.sin(2 * np.pi * 140 * k * time_s + k * k) / k for k in range(1, 20))
    sound = sound * (1.2 + np.sin(2 * np.pi * 4 * time_s)) + 0.05 * rng.standard_normal(count)
    sound *= level / np.sqrt(np.mean(sound**2))
    made: Samples = (np.rint(np.clip(sound, -limit, limit) * 32767) / 32767).astype(np.float32)
    return made


def troubles(sound: Samples, over_noise_db: float = 30.0, times: int = 2, watch: LevelWatch | None = None) -> list[str]:
    watch, at, found = watch or LevelWatch(), 0, []
    for _ in range(times):
        for begin in range(0, len(sound), BLOCK_FRAMES):
            found += watch.feed(at + begin, sound[begin : begin + BLOCK_FRAMES])
        found += watch.utterance(at, at + len(sound), over_noise_db, at + len(sound))
        at += len(sound) + SECOND
    return found


@pytest.mark.parametrize(
    ("sound", "over_noise_db", "trouble"),
    [
        (voice(0.08), 30.0, []), (voice(0.008), 30.0, []), (voice(0.2), 8.0, []),
        (voice(0.002), 30.0, ["quiet"]), (voice(0.6), 30.0, ["loud"]), (voice(0.3, limit=0.45), 30.0, ["clipped"]),
        (voice(0.08), 5.0, ["noisy"]), (voice(0.002), 5.0, ["quiet"]),
    ],
)  # fmt: skip
def test_a_sound_has_the_trouble_that_it_was_made_with(
    sound: Samples, over_noise_db: float, trouble: list[str]
) -> None:
    assert troubles(sound, over_noise_db) == trouble


def test_one_cough_is_no_trouble_and_a_trouble_that_lasts_is_reported_once_a_minute() -> None:
    assert troubles(voice(0.6), times=1) == []
    assert troubles(voice(0.6), times=20) == ["loud"]
    assert troubles(voice(0.6), times=60) == ["loud", "loud"]


def test_a_microphone_without_any_sound_is_reported_and_a_headset_that_is_silent_between_words_is_not() -> None:
    for before, expected in ((np.zeros(0, np.float32), ["silent"]), (voice(0.05), [])):
        watch, at, found = LevelWatch(), 0, []
        for sound in (before, np.zeros(round((SILENT_S + 1) * RATE_HZ), np.float32)):
            for begin in range(0, len(sound), BLOCK_FRAMES):
                found += watch.feed(at, sound[begin : begin + BLOCK_FRAMES])
                at += BLOCK_FRAMES
        assert found == expected


def test_the_hiss_of_a_converter_is_not_silence() -> None:
    watch, rng = LevelWatch(), np.random.default_rng(1)
    for second in range(60):
        hiss = np.rint(rng.standard_normal(RATE_HZ) * 3) / 32767  # 3 steps of 16 bits
        assert watch.feed(second * RATE_HZ, hiss.astype(np.float32)) == []


@given(st.floats(0.1, 0.9), st.integers(200, 800))
def test_a_pure_tone_has_no_flat_tops_until_it_is_cut_off(size: float, hz: int) -> None:
    tone = size * np.sin(2 * np.pi * hz * np.arange(RATE_HZ) / RATE_HZ + 0.3)
    assert flat(tone.astype(np.float32)) <= 0.004 * RATE_HZ
    cut = np.clip(tone, -0.3 * size, 0.3 * size).astype(np.float32)
    assert flat(cut) > 0.1 * RATE_HZ


@given(st.floats(0.0, 4.0))
def test_the_meter_is_as_long_for_any_power_and_grows_with_it(power: float) -> None:
    bar = meter(power)
    assert len(bar.split()[0]) == METER_CELLS
    assert meter(power * 2).count("#") >= bar.count("#")


def test_the_meter_is_full_at_full_scale_and_empty_at_60_db_under_it() -> None:
    assert (meter(1.0).count("#"), meter(1e-6).count("#"), meter(0.0).count("#")) == (METER_CELLS, 0, 0)
