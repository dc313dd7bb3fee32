"""The voice that cannot be heard takes the time that words take."""

from __future__ import annotations

import numpy as np
import pytest

from voicecoach.audio.line import RATE_HZ
from voicecoach.speak.port import Speaker
from voicecoach.speak.silent import SilentVoice, spoken_s


def test_silent_prompts_take_the_time_of_140_words_a_minute() -> None:  # rule 23
    voice: Speaker = SilentVoice()
    text = "Hand rub, all over both outer gloves, don't hurry: palms, backs, fingers, thumbs."
    assert len(voice.sound(text)) / RATE_HZ == pytest.approx(13 * 60 / 140, abs=1e-3)


def test_a_silent_prompt_is_not_quite_silent_so_that_its_sounding_shows() -> None:
    samples = SilentVoice().sound("Gown off.")
    assert samples.dtype == np.float32
    assert 0 < np.abs(samples).max() <= 1e-3


@pytest.mark.parametrize("text", ["", "...", "?"])
def test_a_prompt_without_words_still_sounds_for_a_moment(text: str) -> None:
    assert spoken_s(text) > 0.2
    assert len(SilentVoice().sound(text)) > 0


def test_preparing_a_silent_voice_reports_all_as_done() -> None:
    progress: list[tuple[int, int]] = []
    assert SilentVoice().prepare(["one", "two"], lambda done, of: progress.append((done, of))) == []
    assert progress == [(2, 2)]
