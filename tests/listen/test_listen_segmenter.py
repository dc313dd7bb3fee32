from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from spoken import say

from voicecoach.audio.line import RATE_HZ
from voicecoach.listen.segmenter import PAD_AFTER_S, PAD_BEFORE_S, Segmenter, SegmentEvent, _ninth_decile
from voicecoach.listen.voice_detector import CHUNK

SECOND = RATE_HZ


class Loud:
    """Calls a chunk speech if it is loud: a detector whose answers are known beforehand."""

    def probability(self, samples: np.ndarray) -> float:
        return float(np.mean(np.square(samples)) > 1e-4)

    def reset(self) -> None:
        pass


def bursts(*spans: tuple[float, float], length_s: float) -> np.ndarray:
    """A tone between each pair of times (s), silence elsewhere."""
    sound = np.zeros(round(length_s * SECOND), np.float32)
    for begin_s, end_s in spans:
        low, high = round(begin_s * SECOND), round(end_s * SECOND)
        sound[low:high] = 0.1 * np.sin(np.arange(high - low) * 0.2)
    return sound


def found(sound: np.ndarray, **settings_: Any) -> list[SegmentEvent]:
    return Segmenter(detector=Loud(), **settings_).feed(0, sound)


def test_an_utterance_has_an_onset_a_draft_and_an_end_in_this_order() -> None:
    things = found(bursts((1.0, 1.5), length_s=3.0))
    assert [thing.what for thing in things] == ["onset", "draft", "whole"]
    onset, draft, whole = things
    assert onset.at - 1.0 * SECOND <= 3 * CHUNK
    assert 0.20 * SECOND <= draft.at - whole.segment.end < 0.20 * SECOND + CHUNK
    assert 0.30 * SECOND <= whole.at - whole.segment.end < 0.30 * SECOND + CHUNK


def test_what_is_clear_ends_with_its_draft_and_what_follows_is_another_utterance() -> None:
    sound = bursts((1.0, 1.5), (1.76, 2.2), length_s=3.5)
    things = found(sound, finished=lambda _: True)
    assert [thing.what for thing in things] == ["onset", "whole", "onset", "whole"]
    (first, second) = (thing for thing in things if thing.what == "whole")
    assert 0.20 * SECOND <= first.at - first.segment.end < 0.20 * SECOND + CHUNK
    assert first.segment.end <= second.segment.begin


def test_a_piece_of_speech_that_does_not_stop_is_never_asked_about() -> None:
    asked: list[bool] = []
    found(bursts((0.5, 5.0), length_s=7.0), finished=lambda segment: bool(asked.append(segment.part)))
    assert asked == []


def test_the_draft_is_the_same_sound_as_the_whole_so_nothing_is_decoded_twice() -> None:
    _, draft, whole = found(bursts((1.0, 1.5), length_s=3.0))
    assert (draft.segment.begin, draft.segment.end) == (whole.segment.begin, whole.segment.end)
    assert np.array_equal(draft.segment.samples, whole.segment.samples)


def test_the_cut_keeps_a_quarter_of_a_second_before_and_a_fifth_after() -> None:
    """Pads of 0.25 s and 0.20 s: measured, they turned 16 wrong of 120 into none."""
    sound = bursts((1.0, 1.5), length_s=3.0)
    segment = found(sound)[-1].segment
    assert segment.begin - segment.start == PAD_BEFORE_S * SECOND
    assert segment.start + len(segment.samples) - segment.end == PAD_AFTER_S * SECOND
    assert np.array_equal(segment.samples, sound[segment.start : segment.start + len(segment.samples)])


def test_a_gap_shorter_than_the_hang_over_does_not_split_a_word() -> None:
    """Gaps inside words reach 0.26 s; a hang-over of 0.20 s split "pause" in two."""
    sound = bursts((1.0, 1.3), (1.56, 1.9), length_s=3.0)
    things = [thing.what for thing in found(sound)]
    assert things == ["onset", "draft", "draft", "whole"]
    split = [thing.what for thing in found(sound, hangover_s=0.20)]
    assert split.count("whole") == 2


def test_two_utterances_are_two() -> None:
    wholes = [thing.segment for thing in found(bursts((0.5, 1.0), (1.8, 2.2), length_s=3.5)) if thing.what == "whole"]
    assert len(wholes) == 2
    assert wholes[0].end <= wholes[1].start


def test_speech_that_never_stops_is_noticed_within_the_cap_and_reported_once() -> None:
    """Speech that never stops is noticed within 3 s."""
    things = found(bursts((0.5, 9.0), length_s=10.0))
    reported = [thing for thing in things if thing.what == "unending"]
    assert len(reported) == 1
    assert reported[0].at <= 3.6 * SECOND
    cuts = [thing.segment for thing in things if thing.what == "cut"]
    assert all(segment.part and segment.end - segment.begin <= 3.1 * SECOND for segment in cuts)
    seen = [thing.segment for thing in things if thing.what in {"window", "cut"}]
    assert all(later.begin < earlier.end for earlier, later in itertools.pairwise(seen))
    assert things[-1].what == "whole"
    assert things[-1].segment.part


@pytest.mark.parametrize("louder", [1.6, 3.0])
def test_somebody_louder_amid_talk_that_does_not_stop_is_a_voice_of_their_own(louder: float) -> None:
    """4 and 10 dB above the talk; a word of 0.6 s after 8 s of it."""
    sound = bursts((0.5, 14.0), length_s=15.0)
    sound[8 * SECOND : round(8.6 * SECOND)] *= louder
    things = found(sound)
    (onset,) = [thing for thing in things if thing.what == "onset" and thing.at > SECOND]
    assert 8.0 * SECOND <= onset.at <= 8.2 * SECOND
    before = things[things.index(onset) - 1]
    assert (before.what, before.segment.part) == ("whole", True)
    assert before.segment.end <= onset.segment.begin
    assert not onset.segment.part


def test_talk_that_does_not_stop_is_not_divided_by_its_own_ups_and_downs() -> None:
    """Up and down by 2 dB, four times a second, and as loud throughout."""
    sound = bursts((0.5, 14.0), length_s=15.0)
    sound *= np.float32(10.0) ** (np.sin(np.arange(len(sound)) * 2 * np.pi * 4 / SECOND) / 10).astype(np.float32)
    assert [thing.at for thing in found(sound) if thing.what == "onset"][1:] == []


def test_ongoing_speech_is_looked_back_into_twice_a_second() -> None:
    windows = [thing for thing in found(bursts((0.5, 3.0), length_s=4.0)) if thing.what == "window"]
    assert len(windows) >= 2
    assert all(1.2 * SECOND <= thing.segment.end - thing.segment.begin <= 1.4 * SECOND for thing in windows)


def test_a_jump_in_the_sample_counter_restarts_the_segmenter() -> None:
    segmenter = Segmenter(detector=Loud())
    sound = bursts((0.5, 1.0), length_s=1.0)
    segmenter.feed(0, sound)
    assert segmenter.speaking
    assert segmenter.feed(5 * SECOND, np.zeros(SECOND, np.float32)) == []
    assert not segmenter.speaking


def test_a_segment_says_whether_the_coach_was_sounding() -> None:
    sound = bursts((1.0, 1.5), length_s=3.0)
    quiet = found(sound)[-1].segment
    over = Segmenter(detector=Loud()).feed(0, sound, playing=True)[-1].segment
    assert (quiet.played, over.played) == (False, True)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(1, 9000), min_size=1, max_size=30))
def test_the_same_sound_in_other_blocks_gives_the_same_utterances(sizes: list[int]) -> None:
    sound = bursts((0.3, 0.7), (1.3, 1.5), length_s=2.2)
    segmenter = Segmenter(detector=Loud())
    things: list[SegmentEvent] = []
    at = 0
    for size in [*sizes, len(sound)]:
        things += segmenter.feed(at, sound[at : at + size])
        at = min(at + size, len(sound))
    assert [(thing.what, thing.at, thing.segment.begin, thing.segment.end) for thing in things] == [
        (thing.what, thing.at, thing.segment.begin, thing.segment.end) for thing in found(sound)
    ]


@pytest.mark.parametrize("text", ["done", "repeat", "gown off"])
def test_the_real_detector_finds_a_spoken_word_and_nothing_in_a_quiet_room(text: str) -> None:
    word = say(text, voice="en-us", pads_s=0.8)
    wholes = [thing.segment for thing in Segmenter().feed(0, word) if thing.what == "whole"]
    assert len(wholes) == 1
    assert abs(wholes[0].begin - 0.8 * SECOND) < 0.37 * SECOND
    room = np.random.default_rng(1).normal(0, 1e-3, 3 * SECOND).astype(np.float32)
    assert Segmenter().feed(0, room) == []
    assert Segmenter().feed(0, np.zeros(SECOND, np.float32)) == []


@pytest.mark.parametrize("quiet_s", [0.4, 2.0, 5.0])
def test_words_one_after_another_are_all_noticed_though_the_room_was_quiet_before(quiet_s: float) -> None:
    """How loud the room is must not be taken from the beginning of the words before."""
    word, pause = say("repeat", voice="en-us"), np.zeros(round(0.45 * SECOND), np.float32)
    sound = np.concatenate((np.zeros(round(quiet_s * SECOND), np.float32), *[word, pause] * 4))
    assert [thing.what for thing in Segmenter().feed(0, sound)].count("whole") == 4


@pytest.mark.parametrize("noise_db", [-40, -10])
def test_a_word_soon_after_a_long_sentence_is_noticed(noise_db: float) -> None:
    """Speech without a gap may be the room; what its pause leaves says that it was a voice."""
    sentence = say(
        "the lift in the next building is not working today so somebody has to bring more water", voice="en-us"
    )
    word, pause = say("breach", voice="en-us"), np.zeros(round(0.6 * SECOND), np.float32)
    sound = np.concatenate((np.zeros(3 * SECOND, np.float32), sentence, pause, word, pause))
    noise = np.sqrt(np.mean(sentence**2)) * 10 ** (noise_db / 20)
    sound += np.random.default_rng(0).normal(0, noise, len(sound)).astype(np.float32)
    assert len(sentence) > 3.3 * SECOND
    onsets = [thing.at for thing in Segmenter().feed(0, sound) if thing.what == "onset"]
    assert any(abs(at - (len(sound) - len(pause) - len(word))) < 0.4 * SECOND for at in onsets)


class Faint:
    """A detector that is never quite sure."""

    def probability(self, samples: np.ndarray) -> float:
        return 0.3

    def reset(self) -> None:
        pass


def test_over_a_prompt_a_sudden_sound_that_is_faintly_a_voice_is_one() -> None:
    sound = bursts((1.0, 1.5), length_s=2.0) + np.random.default_rng(0).normal(0, 1e-3, 2 * SECOND).astype(np.float32)
    things = Segmenter(detector=Faint()).feed(0, sound, playing=True)
    assert [thing.what for thing in things][:1] == ["onset"]
    assert 0 < things[0].at - 1.0 * SECOND <= 2 * CHUNK
    assert Segmenter(detector=Faint()).feed(0, sound, playing=False) == []


def test_over_a_prompt_what_the_canceller_usually_leaves_is_not_a_voice() -> None:
    rest = np.random.default_rng(0).normal(0, 1e-2, 5 * SECOND).astype(np.float32)
    assert Segmenter(detector=Faint()).feed(0, rest, playing=True) == []


def test_a_segment_knows_how_far_its_voice_stands_above_the_noise_before_it() -> None:
    noise = np.random.default_rng(0).normal(0, 0.005, 3 * SECOND).astype(np.float32)
    segment = found(bursts((1.5, 2.0), length_s=3.0) + noise)[-1].segment
    expected_db = 10 * np.log10((0.1**2 / 2 + 0.005**2) / 0.005**2)  # of a sine in white noise
    assert segment.over_noise_db == pytest.approx(expected_db, abs=1.0)
    assert found(bursts((0.1, 0.6), length_s=2.0))[-1].segment.over_noise_db == float("inf"), "nothing was before it"


@given(st.lists(st.floats(0, 10), min_size=0, max_size=100))
def test_the_ninth_decile_is_numpys(powers: list[float]) -> None:
    """Outside source: numpy's quantile, linear between the two nearest."""
    expected = np.quantile(powers, 0.9) if len(powers) >= 8 else 0.0
    assert _ninth_decile(powers) == pytest.approx(expected, rel=1e-9, abs=1e-12)
