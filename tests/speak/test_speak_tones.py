"""The coach's own sounds: measured, and unlike the alarms of patients and of fires."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import pytest

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.speak import tones

WINDOW = RATE_HZ // 200  # 5 ms


@dataclass(frozen=True)
class Pulse:
    begin_s: float
    length_s: float
    lowest_hz: float
    partials: int
    """Spectral lines from 300 to 4000 Hz within 15 dB of the strongest."""


def pulses(samples: Samples) -> list[Pulse]:
    """The pulses in a sound, found without knowing how it was made."""
    frames = samples[: len(samples) // WINDOW * WINDOW].reshape(-1, WINDOW)
    level = np.abs(frames).max(axis=1)
    loud = np.concatenate([[False], level > 0.2 * level.max(), [False]])
    edges = np.flatnonzero(np.diff(loud.astype(int)))
    found = []
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        part = samples[begin * WINDOW : end * WINDOW]
        # a glide has many frequencies over its length but one at a time: look at the first 50 ms
        start = part[: RATE_HZ // 20] * np.hanning(len(part[: RATE_HZ // 20]))
        power_db = 20 * np.log10(np.abs(np.fft.rfft(start, RATE_HZ)) + 1e-9)
        lines = [
            hz
            for hz in range(300, 4000)
            if power_db[hz] > power_db.max() - 15 and power_db[hz] == power_db[max(0, hz - 60) : hz + 61].max()
        ]
        found.append(Pulse(begin * WINDOW / RATE_HZ, (end - begin) * WINDOW / RATE_HZ, min(lines), len(lines)))
    return found


def burst(count: int, pulse_s: float, gap_s: float, pauses_s: dict[int, float] | None = None) -> Samples:
    """A patient's alarm in outline: harmonics of 440 Hz, `count` pulses, longer gaps after some of them."""
    time_s = np.arange(round(pulse_s * RATE_HZ)) / RATE_HZ
    pulse = sum(0.2 * np.sin(2 * np.pi * 440 * n * time_s) for n in range(1, 6))
    parts = []
    for number in range(1, count + 1):
        parts += [pulse, np.zeros(round((pauses_s or {}).get(number, gap_s) * RATE_HZ))]
    return np.concatenate(parts).astype(np.float32)


def test_the_measure_used_here_sees_a_patient_s_alarm_for_what_it_is() -> None:
    medium = pulses(burst(3, 0.2, 0.2))
    assert [round(pulse.length_s, 2) for pulse in medium] == [0.2] * 3
    assert medium[0].lowest_hz == pytest.approx(440, abs=5)
    assert medium[0].partials == 5
    high = pulses(burst(10, 0.12, 0.1, {3: 0.3, 5: 0.8, 8: 0.3}))
    assert len(high) == 10


@pytest.mark.parametrize("name", tones.NAMES)
def test_no_tone_has_the_pulses_of_a_patient_s_alarm(name: str) -> None:  # rule 23
    # IEC 60601-1-8: medium priority is a burst of 3 pulses, high priority 3+2, repeated once, 10 pulses
    # (seen at anaesthesia.med.usyd.edu.au/resources/alarms; the doubling is from memory [mem]); low priority has
    # 1 or 2 pulses of 125 to 250 ms [mem], the fundamental of all of them lies in 150-1000 Hz and at least 4 harmonics
    # in 300-4000 Hz lie within 15 dB of it [2nd: puiaudio.com, elsmar forum].
    found = pulses(tones.sound(name))
    assert len(found) in {1, 2}
    for pulse in found:
        assert pulse.lowest_hz > 1000
        assert pulse.partials < 4


@pytest.mark.parametrize("name", tones.NAMES)
def test_two_pulses_never_keep_the_time_of_an_alarm(name: str) -> None:  # rule 23
    # IEC 60601-1-8: pulses of 75 to 250 ms, spaced by 50 to 250 ms, taken over the high and medium priorities [mem].
    # ISO 8201: the evacuation signal is three pulses of 0.5 s, 0.5 s apart [mem].
    found = pulses(tones.sound(name))
    for first, second in itertools.pairwise(found):
        assert first.length_s > 0.25
        assert second.begin_s - first.begin_s - first.length_s > 0.25
    assert len(found) != 3


def test_the_outward_alarm_is_loud_and_leaves_pauses_for_an_answer() -> None:  # rule 20
    alarm = tones.sound("outward-alarm")
    others = [np.abs(tones.sound(name)).max() for name in tones.NAMES if name != "outward-alarm"]
    assert np.abs(alarm).max() >= 2 * max(others)
    assert float(np.mean(np.abs(alarm) > 0)) < 0.6


def test_the_tick_is_faint_and_short() -> None:  # rule 22
    tick = tones.sound("tick")
    assert 0 < np.abs(tick).max() <= 0.03
    assert len(tick) / RATE_HZ <= 0.02


def test_every_tone_is_sound_within_bounds_and_no_two_are_alike() -> None:
    sounds = [tones.sound(name) for name in tones.NAMES]
    for samples in sounds:
        assert samples.dtype == np.float32
        assert 0 < np.abs(samples).max() <= 1
        assert abs(samples[0]) < 0.01 * np.abs(samples).max()
        assert len(samples) / RATE_HZ < 4
    assert len({samples.tobytes() for samples in sounds}) == len(tones.NAMES)


def test_answers_to_the_wearer_are_over_before_they_are_in_the_way() -> None:
    for name in ("taken", "early", "window", "again"):
        assert len(tones.sound(name)) / RATE_HZ <= 0.3


def test_the_tones_that_the_session_asks_for_exist() -> None:
    assert {"taken", "early", "window", "time-up", "again", "outward-alarm"} <= set(tones.NAMES)  # effects.Tone
    with pytest.raises(KeyError):
        tones.sound("fanfare")


def test_a_tone_cannot_be_changed_by_who_plays_it() -> None:
    with pytest.raises(ValueError, match="read-only"):
        tones.sound("taken")[0] = 1.0
