"""The playing queue: order, gaplessness, silence within its time, and the report of ended prompts."""

from __future__ import annotations

import threading

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from voicecoach.audio.line import RATE_HZ, PlayedPrompt, Samples, Sound
from voicecoach.audio.mix import FADE_FRAMES, Mixer


def flat(frames: int, level: float = 0.5) -> Samples:
    return np.full(frames, level, dtype=np.float32)


def test_sounds_follow_each_other_without_a_gap_and_their_ends_are_reported_to_the_sample() -> None:
    mixer = Mixer()
    mixer.play(Sound(flat(500, 0.1), prompt=1))
    mixer.play(Sound(flat(100, 0.2)))  # a tone
    mixer.play(Sound(flat(300, 0.3), prompt=2))
    blocks, ended = list[Samples](), list[PlayedPrompt]()
    for at in range(1000, 1000 + 4 * 320, 320):
        samples, over = mixer.take(320, at)
        blocks.append(samples)
        ended += over
    expected = np.concatenate([flat(500, 0.1), flat(100, 0.2), flat(300, 0.3), flat(380, 0.0)])
    np.testing.assert_array_equal(np.concatenate(blocks), expected)
    assert ended == [PlayedPrompt(1, 1000, 1500, complete=True), PlayedPrompt(2, 1600, 1900, complete=True)]
    assert not mixer.busy


def test_silence_fades_within_50_ms_and_reports_each_dropped_prompt() -> None:
    mixer = Mixer()
    for prompt in (1, 2, 3):
        mixer.play(Sound(flat(RATE_HZ), prompt=prompt))
    mixer.play(Sound(flat(10)))
    mixer.take(320, 0)
    mixer.silence()
    samples, ended = mixer.take(RATE_HZ, 320)
    last = int(np.flatnonzero(samples)[-1]) + 1
    assert last <= 0.050 * RATE_HZ
    assert np.all(np.diff(samples[:last]) < 0)
    assert [played.prompt for played in ended] == [2, 3, 1]
    assert ended[-1] == PlayedPrompt(1, 0, 320 + FADE_FRAMES, complete=False)
    assert not any(played.complete for played in ended)
    assert not mixer.busy


def test_a_second_silence_neither_prolongs_the_fade_nor_reports_twice() -> None:
    mixer = Mixer()
    mixer.play(Sound(flat(RATE_HZ), prompt=1))
    mixer.take(320, 0)
    mixer.silence()
    first, _ = mixer.take(160, 320)
    mixer.silence()
    second, ended = mixer.take(RATE_HZ, 480)
    assert np.all(np.diff(np.concatenate([first, second[: FADE_FRAMES - 160]])) < 0)
    assert ended == (PlayedPrompt(1, 0, 320 + FADE_FRAMES, complete=False),)


def test_what_is_played_after_silence_is_kept() -> None:
    mixer = Mixer()
    mixer.play(Sound(flat(RATE_HZ), prompt=1))
    mixer.take(320, 0)
    mixer.silence()
    mixer.play(Sound(flat(200, 0.25), prompt=2))
    samples, ended = mixer.take(RATE_HZ, 320)
    np.testing.assert_array_equal(samples[FADE_FRAMES : FADE_FRAMES + 200], flat(200, 0.25))
    assert ended[-1] == PlayedPrompt(2, 320 + FADE_FRAMES, 520 + FADE_FRAMES, complete=True)


def test_silence_leaves_the_caller_s_samples_as_they_were() -> None:
    mixer, samples = Mixer(), flat(RATE_HZ)
    mixer.play(Sound(samples, prompt=1))
    mixer.take(320, 0)
    mixer.silence()
    mixer.take(320, 320)
    np.testing.assert_array_equal(samples, flat(RATE_HZ))


def test_a_sound_without_samples_ends_where_it_begins() -> None:
    mixer = Mixer()
    mixer.play(Sound(flat(0), prompt=7))
    _, ended = mixer.take(320, 640)
    assert ended == (PlayedPrompt(7, 640, 640, complete=True),)


def test_what_would_overload_the_speaker_is_clipped() -> None:
    mixer = Mixer()
    mixer.play(Sound(flat(320, 3.0)))
    samples, _ = mixer.take(320, 0)
    assert samples.max() == 1.0


@given(
    st.lists(st.tuples(st.integers(0, 900), st.booleans()), max_size=8),
    st.lists(st.tuples(st.integers(1, 700), st.booleans()), max_size=12),
)
def test_every_prompt_is_reported_once_whatever_is_played_and_silenced(
    sounds: list[tuple[int, bool]], takes: list[tuple[int, bool]]
) -> None:
    mixer, at, ended = Mixer(), 0, list[PlayedPrompt]()
    for prompt, (frames, _) in enumerate(sounds, start=1):
        mixer.play(Sound(flat(frames), prompt=prompt))
    for frames, hush in takes:
        if hush:
            mixer.silence()
        samples, over = mixer.take(frames, at)
        assert samples.shape == (frames,)
        assert samples.dtype == np.float32
        assert all(at <= played.end <= at + frames for played in over)
        ended += over
        at += frames
    _, over = mixer.take(10_000, at)
    ended += over
    assert sorted(played.prompt for played in ended) == list(range(1, len(sounds) + 1))
    assert all(played.end - played.begin == sounds[played.prompt - 1][0] for played in ended if played.complete)


def test_sounds_played_from_another_thread_all_come_out_once() -> None:
    mixer, count = Mixer(), 400

    def feed() -> None:
        for prompt in range(1, count + 1):
            mixer.play(Sound(flat(37), prompt=prompt))

    thread = threading.Thread(target=feed)
    thread.start()
    ended, at = list[PlayedPrompt](), 0
    while thread.is_alive() or mixer.busy:
        ended += mixer.take(320, at)[1]
        at += 320
    thread.join()
    assert [played.prompt for played in ended] == list(range(1, count + 1))
