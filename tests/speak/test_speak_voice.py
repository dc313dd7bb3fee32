"""The coach's voice: rendered ahead, cached, repaired, and never in the way."""

from __future__ import annotations

import re
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from voicecoach.audio.line import RATE_HZ
from voicecoach.errors import EngineError
from voicecoach.speak import tones
from voicecoach.speak.cache import Cache
from voicecoach.speak.child import Renderer
from voicecoach.speak.port import Speaker
from voicecoach.speak.silent import SilentVoice
from voicecoach.speak.voice import GIVE_UP_AFTER, Voice, render_text, render_texts

Fake = Callable[..., Renderer]
WORKS = "write(path); tell(error='')"
PROMPTS = [
    "Hand rub, all over both outer gloves.",
    "Look at your outer gloves, front and back, for tears or soil.",
    "Rub the inner gloves with hand rub.",
    "Untie the gown at the waist, then at the neck.",
    "Roll the gown down and away from you, inside out.",
    "Take the hood by the back and pull it up and over.",
    "Close your eyes, bend forward, and lift the bottom strap first.",
    "Stop. Step away.",
    "Leave the patient area now.",
    "Are you all right?",
]


class NoRenderer(Renderer):
    """Fails the test if anything is rendered."""

    def start(self) -> None:
        raise AssertionError("nothing should be rendered")


def test_prompts_are_spoken_at_about_140_words_a_minute(tmp_path: Path) -> None:  # rule 23
    voice = Voice(folder=tmp_path)
    assert voice.prepare(PROMPTS) == []
    words = sum(len(re.findall(r"\w+", text)) for text in PROMPTS)
    minutes = sum(len(voice.sound(text)) for text in PROMPTS) / RATE_HZ / 60
    assert 126 <= words / minutes <= 154  # "about": within a tenth


@pytest.mark.skipif(sys.platform != "linux", reason="eSpeak's variants of voices")
def test_a_voice_with_breath_says_the_same_each_time(tmp_path: Path) -> None:
    """What is heard in tests and in the demo depends on it; eSpeak seeds the breath with the time, in seconds."""
    said = []
    for take in ("a", "b"):
        voice = Voice("en-us+f3", folder=tmp_path / take)
        voice.prepare(["All clear."])
        said.append(voice.sound("All clear."))
        time.sleep(1.1 if take == "a" else 0.0)
    assert np.array_equal(*said)


def test_a_prompt_is_speech_of_even_loudness(tmp_path: Path) -> None:
    voice = Voice(folder=tmp_path)
    voice.prepare(PROMPTS)
    for text in PROMPTS:
        samples = voice.sound(text)
        assert samples.dtype == np.float32
        assert samples.ndim == 1
        assert np.abs(samples).max() <= 1
        assert 0.07 <= np.sqrt(np.mean(samples**2)) <= 0.11


def test_the_same_text_is_the_same_sound_whatever_was_spoken_before(tmp_path: Path) -> None:
    alone = Voice(folder=tmp_path / "a").sound(PROMPTS[0])
    after = Voice(folder=tmp_path / "b")
    after.prepare([*PROMPTS[1:4], PROMPTS[0]])
    np.testing.assert_array_equal(alone, after.sound(PROMPTS[0]))


def test_a_warm_start_renders_nothing(tmp_path: Path) -> None:
    cold = Voice(folder=tmp_path)
    cold.prepare(PROMPTS)
    warm = Voice(folder=tmp_path, renderer=NoRenderer())
    progress: list[tuple[int, int]] = []
    assert warm.prepare(PROMPTS, lambda done, of: progress.append((done, of))) == []
    assert progress == [(n, len(PROMPTS)) for n in range(1, len(PROMPTS) + 1)]
    for text in PROMPTS:
        np.testing.assert_array_equal(warm.sound(text), cold.sound(text))


def test_what_is_prepared_can_be_played_without_disk_or_engine(tmp_path: Path) -> None:
    voice = Voice(folder=tmp_path, renderer=Renderer())
    voice.prepare(PROMPTS[:2])
    for file in tmp_path.iterdir():
        file.unlink()
    voice._renderer = NoRenderer()
    assert len(voice.sound(PROMPTS[0])) > RATE_HZ


@pytest.mark.parametrize("damage", ["cut", "flipped", "emptied", "replaced"])
def test_a_damaged_cache_file_is_rendered_again(
    tmp_path: Path, fake: Fake, starts: Callable[[], int], damage: str
) -> None:
    folder = tmp_path / "cache"
    good = Voice(folder=folder, renderer=fake(WORKS)).sound("Gown off.")
    (file,) = folder.iterdir()
    data = file.read_bytes()
    file.write_bytes(
        {
            "cut": data[: len(data) // 2],
            "flipped": data[:500] + bytes([data[500] ^ 0x40]) + data[501:],
            "emptied": b"",
            "replaced": b"RIFF" + bytes(5000),
        }[damage]
    )
    voice = Voice(folder=folder, renderer=fake(WORKS))
    assert voice.prepare(["Gown off."]) == []
    np.testing.assert_array_equal(voice.sound("Gown off."), good)
    assert starts() == 2
    assert file.read_bytes() == data


def test_voice_rate_and_pitch_each_have_their_own_file(tmp_path: Path, fake: Fake) -> None:
    folder = tmp_path / "cache"
    for settings in ({}, {"rate_wpm": 150}, {"pitch": 70}):
        Voice("en-us", folder=folder, renderer=fake(WORKS), **settings).sound("Gown off.")
    Voice("en-gb", folder=folder, renderer=fake(WORKS)).sound("Gown off.")
    assert len(list(folder.iterdir())) == 4


def test_a_cache_that_cannot_be_written_costs_time_only(tmp_path: Path, fake: Fake) -> None:
    (tmp_path / "file").write_text("in the way")
    voice = Voice(folder=tmp_path / "file" / "cache", renderer=fake(WORKS))
    assert voice.prepare(["Gown off."]) == []
    assert voice.ok
    assert len(voice.sound("Gown off.")) > 1000


def test_temporaries_of_a_killed_process_are_swept_and_fresh_ones_left(tmp_path: Path) -> None:
    import os  # noqa: PLC0415 only here

    old, new = tmp_path / "a.part", tmp_path / "b.part"
    old.touch()
    new.touch()
    os.utime(old, (0, 0))
    Cache(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["b.part"]


def test_a_prompt_that_crashes_the_engine_costs_only_itself(
    tmp_path: Path, fake: Fake, starts: Callable[[], int]
) -> None:
    voice = Voice(
        folder=tmp_path / "c", renderer=fake("os.abort() if text == 'two' else " + f"({WORKS.replace(';', ',')})")
    )
    assert voice.prepare(["one", "two", "three"]) == ["two"]
    assert not voice.ok
    assert "died" in voice.why
    assert starts() == 3  # at first, for the second try, and for the third prompt
    np.testing.assert_array_equal(voice.sound("two"), tones.sound("unspoken"))
    assert len(voice.sound("three")) != len(tones.sound("unspoken"))


def test_a_prompt_that_fails_once_is_tried_again_alone(tmp_path: Path, fake: Fake) -> None:
    mark = tmp_path / "tried"
    body = f"""
    if text == 'two' and not os.path.exists({str(mark)!r}):
        open({str(mark)!r}, 'w').close()
        os.abort()
    {WORKS}
    """
    voice = Voice(folder=tmp_path / "c", renderer=fake(body))
    assert voice.prepare(["one", "two", "three"]) == []
    assert voice.ok


def test_a_silent_rendering_is_a_failed_one(tmp_path: Path, fake: Fake) -> None:
    voice = Voice(folder=tmp_path / "c", renderer=fake("write(path, level=0); tell(error='')"))
    assert voice.prepare(["Gown off."]) == ["Gown off."]
    assert "silence" in voice.why


def test_a_broken_engine_is_given_up_after_a_few_prompts(tmp_path: Path, fake: Fake, starts: Callable[[], int]) -> None:
    voice = Voice(folder=tmp_path / "c", renderer=fake("os._exit(1)"))
    texts = [f"prompt {n}" for n in range(50)]
    assert voice.prepare(texts) == texts
    assert starts() == 2 * GIVE_UP_AFTER


def test_a_text_that_was_not_prepared_is_rendered_when_it_is_wanted(tmp_path: Path) -> None:
    voice = Voice(folder=tmp_path)
    assert len(voice.sound("Step nine of twenty-four.")) > RATE_HZ
    assert voice.ok


def test_the_fall_back_is_heard_and_never_raises(tmp_path: Path) -> None:
    voice = Voice(folder=tmp_path, renderer=Renderer(["/nowhere/python"]))
    assert np.abs(voice.sound("Gown off.")).max() > 0.1
    assert not voice.ok
    assert "cannot be started" in voice.why


def test_both_voices_are_speakers(tmp_path: Path) -> None:
    speakers: list[Speaker] = [Voice(folder=tmp_path, renderer=NoRenderer()), SilentVoice()]
    assert all(speaker.name and speaker.ok for speaker in speakers)


@pytest.fixture
def user_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr("voicecoach.speak.voice.default_folder", lambda: tmp_path / "user")
    return tmp_path / "user"


def test_people_can_be_given_other_voices_and_pitches(user_cache: Path) -> None:
    sounds = [
        render_text("gown off", voice=voice, pitch=pitch)
        for voice, pitch in [("en-us", 45), ("en-gb", 45), ("en-us+f3", 45), ("en-gb-scotland", 45), ("en-us", 75)]
    ]
    assert len({samples.tobytes() for samples in sounds}) == len(sounds)
    assert all(0.2 < len(samples) / RATE_HZ < 1.5 for samples in sounds)


def test_pitch_raises_the_fundamental(user_cache: Path) -> None:
    # measured by autocorrelation, as speech textbooks do
    def fundamental_hz(pitch: int) -> float:
        samples = render_text("no", voice="en-gb", pitch=pitch, rate_wpm=110)
        middle = samples[len(samples) // 3 :][:1600].astype(np.float64)
        correlation = np.correlate(middle, middle, "full")[1600 - 1 :]
        return float(RATE_HZ / (90 + int(np.argmax(correlation[90:320]))))

    assert fundamental_hz(85) > 1.2 * fundamental_hz(15)


def test_an_unknown_voice_for_a_person_is_an_error_of_one_line(user_cache: Path) -> None:
    with pytest.raises(EngineError, match="atlantean") as caught:
        render_texts(["gown off"], voice="atlantean")
    assert "\n" not in caught.value.line()


def test_no_folder_is_left_in_the_temporary_directory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "tmp").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "tmp"))
    Voice(folder=tmp_path / "cache").prepare(PROMPTS[:2])
    assert list((tmp_path / "tmp").iterdir()) == []
