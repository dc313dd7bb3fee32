"""The simulated room: what is played comes back as it would, and people speak when they should."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ, Block, Samples, Sound
from voicecoach.simulate.persona import AGAIN, REPLY_S, Reaction, ScriptedPersona, SoundBegan, SoundEnded, SpokenLine
from voicecoach.simulate.room import SPEECH_LEVEL, Mask, Room, RoomLine, SpokenWords, muffled

QUIET = Room(echo_db=-200.0, noise_db=-200.0)
WORDS_S = 0.5


def beep(text: str, voice: str = "", rate_wpm: int = 140) -> Samples:
    """Half a second for any words, another pitch for each: nothing here needs real speech."""
    hz = 300 + 10 * (sum(text.encode()) % 100)
    time_s = np.arange(round(WORDS_S * RATE_HZ)) / RATE_HZ
    return np.asarray(SPEECH_LEVEL * np.sqrt(2) * np.sin(2 * np.pi * hz * time_s), dtype=np.float32)


def person(*rules: Reaction, seed: int = 0) -> ScriptedPersona:
    return ScriptedPersona(rules, np.random.default_rng(seed), speak=beep)


def listen(line: RoomLine, seconds: float) -> Samples:
    blocks = [read(line) for _ in range(round(seconds * RATE_HZ / BLOCK_FRAMES))]
    return np.concatenate([block.heard for block in blocks])


def read(line: RoomLine) -> Block:
    block = line.read(1.0)
    assert block is not None
    return block


def prompt(line: RoomLine, number: int, text: str, seconds: float = 1.0) -> None:
    line.play(Sound(np.full(round(seconds * RATE_HZ), 0.1, dtype=np.float32), number, text))


def level_db(samples: Samples) -> float:
    return float(20 * np.log10(np.sqrt(np.mean(np.square(samples, dtype=np.float64))) / SPEECH_LEVEL))


def exactly(seconds: float) -> tuple[float, float]:
    return (seconds, seconds)


# the room


@pytest.mark.parametrize("echo_db", [-6.0, -12.0, -20.0])
def test_the_coach_s_own_voice_comes_back_at_its_level(echo_db: float) -> None:
    line = RoomLine(person(), Room(echo_db=echo_db, noise_db=-200.0))
    noise = np.random.default_rng(1).standard_normal(10 * RATE_HZ).astype(np.float32) * SPEECH_LEVEL
    line.play(Sound(noise, 1))
    heard = listen(line, 10.0)
    assert level_db(heard[RATE_HZ:]) == pytest.approx(echo_db, abs=1.0)


def test_the_coach_s_own_voice_comes_back_after_its_delay() -> None:
    line = RoomLine(person(), Room(delay_ms=40.0, noise_db=-200.0))
    click = np.zeros(100, dtype=np.float32)
    click[0] = 0.5
    line.play(Sound(click, 1))
    heard = listen(line, 0.5)[:, 0]
    assert int(np.argmax(np.abs(heard))) == 640
    assert np.abs(heard[:640]).max() < 1e-5
    assert np.abs(heard[640 + 1300 :]).max() < 1e-3 * np.abs(heard).max()  # the reflections are over


def test_blocks_of_echo_join_without_a_seam() -> None:
    # the overlap-save blocks against one convolution of the whole by numpy
    room = Room(noise_db=-200.0)
    line = RoomLine(person(), room, seed=5)
    sound = np.random.default_rng(1).uniform(-0.2, 0.2, RATE_HZ).astype(np.float32)
    click = np.zeros(BLOCK_FRAMES, dtype=np.float32)
    click[0] = 1.0
    line.play(Sound(click, 1))
    path = listen(line, 0.5)[:, 0]
    line.play(Sound(sound, 2))
    heard = listen(line, 1.5)[:, 0]
    np.testing.assert_allclose(heard[:20_000], np.convolve(sound, path)[:20_000], atol=1e-4)


@pytest.mark.parametrize("pink", [True, False])
def test_noise_has_its_level_and_colour(pink: bool) -> None:
    heard = listen(RoomLine(person(), Room(noise_db=-10.0, pink=pink)), 25.0)[:, 0]
    assert level_db(heard) == pytest.approx(-10.0, abs=0.5)
    power = np.abs(np.fft.rfft(heard)) ** 2
    hz = np.fft.rfftfreq(len(heard), 1 / RATE_HZ)

    def octave_db(low_hz: float) -> float:
        return float(10 * np.log10(power[(hz >= low_hz) & (hz < 2 * low_hz)].sum()))

    # by definition pink noise has equal power in each octave, white noise 3 dB more in each
    assert octave_db(2000) - octave_db(500) == pytest.approx(0.0 if pink else 6.02, abs=0.7)


def test_two_microphones_hear_each_person_and_the_other_by_crosstalk() -> None:
    room = Room(echo_db=-200.0, noise_db=-200.0, crosstalk_db=-18.0)
    rule = Reaction("gown", "confirm", "confirm", wait_s=exactly(0.5), channel=1)
    line = RoomLine(person(rule), room, channels=2)
    prompt(line, 1, "Gown off?")
    heard = listen(line, 3.0)
    (said,) = line.said
    assert said.channel == 1
    assert level_db(heard[said.begin : said.end, 1]) == pytest.approx(0.0, abs=0.1)
    assert level_db(heard[said.begin : said.end, 0]) == pytest.approx(-18.0, abs=0.1)


def test_words_are_heard_at_the_very_samples_that_are_noted() -> None:
    line = RoomLine(person(Reaction("gown", "gown off", wait_s=exactly(0.777))), QUIET)
    prompt(line, 1, "The gown.", 0.5003)
    heard = listen(line, 3.0)[:, 0]
    (said,) = line.said
    assert said == SpokenWords(round(0.5003 * RATE_HZ) + round(0.777 * RATE_HZ), said.end, "gown off", None, 0, 0)
    np.testing.assert_allclose(heard[said.begin : said.end], beep("gown off"), atol=1e-6)
    assert np.abs(heard[: said.begin]).max() < 1e-6
    assert np.abs(heard[said.end :]).max() < 1e-6


def test_two_people_at_once_are_both_heard() -> None:
    rules = (
        Reaction("gown", "gown off", wait_s=exactly(0.5)),
        Reaction("gown", "nice weather", wait_s=exactly(0.7), also=True, gain_db=-6.0),
    )
    line = RoomLine(person(*rules), QUIET)
    prompt(line, 1, "The gown.")
    heard = listen(line, 3.0)[:, 0]
    first, second = line.said
    assert second.begin < first.end
    both = np.zeros(second.end - first.begin, dtype=np.float32)
    both[: len(beep(""))] += beep("gown off")
    both[second.begin - first.begin :] += beep("nice weather") * np.float32(10 ** (-6 / 20))
    np.testing.assert_allclose(heard[first.begin : second.end], both, atol=1e-5)


@pytest.mark.parametrize(("mask", "low_db", "high_db"), [("none", 0, 0), ("respirator", 0, -5.5), ("shield", 0, -11)])
def test_masks_take_the_high_tones_away(mask: Mask, low_db: float, high_db: float) -> None:
    # Corey 2020; Inter-Noise 2021: under 2 dB below 2 kHz; 5-6 dB above for an N95, over 10 dB at 4 kHz with a shield
    for hz, expected_db in ((500, low_db), (4000, high_db)):
        tone = np.sin(2 * np.pi * hz * np.arange(RATE_HZ) / RATE_HZ).astype(np.float32)
        loss_db = level_db(muffled(tone, mask)) - level_db(tone)
        assert loss_db == pytest.approx(expected_db, abs=0.1)


def test_the_same_seeds_give_the_same_session() -> None:
    def session(seed: int) -> tuple[Samples, list[SpokenWords]]:
        line = RoomLine(person(Reaction("gown", "gown off"), Reaction("", "done"), seed=seed), seed=seed)
        prompt(line, 1, "Hand rub.")
        prompt(line, 2, "The gown.")
        return listen(line, 5.0), line.said

    first, again, other = session(1), session(1), session(2)
    np.testing.assert_array_equal(first[0], again[0])
    assert first[1] == again[1]
    assert other[1] != first[1]


def test_a_session_that_never_ends_is_ended() -> None:
    line = RoomLine(person(), QUIET, limit_s=0.1)
    assert [read(line).last for _ in range(6)] == [False] * 4 + [True] * 2


# the people


def said(*rules: Reaction, script: Callable[[RoomLine], None]) -> list[tuple[str, float, int]]:
    """Text, begin in seconds and the prompt it was spoken over, for each thing said."""
    line = RoomLine(person(*rules), QUIET)
    script(line)
    listen(line, 4.0)
    return [(what.text, round(what.begin / RATE_HZ, 2), what.over) for what in line.said]


def test_an_answer_waits_for_the_end_of_the_prompt_and_its_own_time() -> None:
    rules = (Reaction("gown", "gown off", wait_s=exactly(0.6)),)
    assert said(*rules, script=lambda line: prompt(line, 1, "Take the gown off.")) == [("gown off", 1.6, 0)]


def test_what_nobody_minds_is_not_answered() -> None:
    assert said(Reaction("hood", "hood off"), script=lambda line: prompt(line, 1, "Take the gown off.")) == []


def test_a_sound_without_words_is_never_answered_even_by_a_rule_for_all() -> None:
    assert said(Reaction("", "done"), script=lambda line: prompt(line, 0, "")) == []


def test_words_over_a_prompt_come_their_time_after_its_begin() -> None:
    rules = (Reaction("gown", "breach", "breach", over_s=0.4),)
    assert said(*rules, script=lambda line: prompt(line, 7, "Take the gown off.")) == [("breach", 0.4, 7)]


def test_a_prompt_that_was_cut_off_is_not_answered() -> None:
    def script(line: RoomLine) -> None:
        prompt(line, 1, "Take the gown off.")
        listen(line, 0.5)
        line.silence()

    assert said(Reaction("gown", "gown off"), script=script) == []


def test_the_first_rule_that_fits_speaks_and_each_counts_its_own_turns() -> None:
    rules = (
        Reaction("gown", "repeat", nth=1, wait_s=exactly(0.5)),
        Reaction("gown", "back", nth=2, wait_s=exactly(0.5)),
        Reaction("gown", "gown off", wait_s=exactly(0.5)),
    )

    def script(line: RoomLine) -> None:
        for number in (1, 2, 3, 4):
            prompt(line, number, "The gown.")
            listen(line, 3.0)

    assert [text for text, _, _ in said(*rules, script=script)] == ["repeat", "gown off", "back", "gown off"]


def test_a_rule_that_says_nothing_keeps_the_others_silent() -> None:
    rules = (Reaction("gown", "", nth=1), Reaction("gown", "gown off"))
    assert said(*rules, script=lambda line: prompt(line, 1, "The gown.")) == []


def test_an_answer_is_held_while_the_next_prompt_sounds() -> None:
    def script(line: RoomLine) -> None:
        prompt(line, 1, "The gown.")
        prompt(line, 2, "Slowly.", 2.0)

    assert said(Reaction("gown", "gown off", wait_s=exactly(0.5)), script=script) == [("gown off", 3.5, 0)]


def test_an_answer_is_given_up_when_the_next_prompt_has_one() -> None:
    def script(line: RoomLine) -> None:
        prompt(line, 1, "The gown.")
        prompt(line, 2, "Stop.")

    rules = (Reaction("gown", "gown off"), Reaction("stop", "go on", wait_s=exactly(0.5)))
    assert said(*rules, script=script) == [("go on", 2.5, 0)]


def test_chatter_waits_for_nobody() -> None:
    def script(line: RoomLine) -> None:
        prompt(line, 1, "The gown.")
        prompt(line, 2, "Slowly.", 2.0)

    rules = (Reaction("gown", "nice weather", wait_s=exactly(0.5), also=True),)
    assert said(*rules, script=script) == [("nice weather", 1.5, 2)]


def test_a_person_without_a_voice_is_noticed_at_once() -> None:
    with pytest.raises(ValueError, match=r"no voice for channels \[7\]"):
        person(Reaction("gown", "gown off", channel=7))


def test_the_last_words_are_said_again_when_asked_for() -> None:
    def script(line: RoomLine) -> None:
        prompt(line, 1, "Say it again.")  # nothing was said yet
        listen(line, 2.0)
        prompt(line, 2, "The gown.")
        listen(line, 3.0)
        prompt(line, 3, "Say it again.")
        listen(line, 3.0)

    rules = (Reaction("again", AGAIN), Reaction("gown", "gown off", "gown-off"))
    line = RoomLine(person(*rules), QUIET)
    script(line)
    assert [(what.text, what.meant) for what in line.said] == [("gown off", "gown-off")] * 2


def test_the_room_tells_a_persona_every_begin_and_end_in_their_order() -> None:
    class Listener:
        def __init__(self) -> None:
            self.news: list[SoundBegan | SoundEnded] = []

        def hear(self, until: int, news: Sequence[SoundBegan | SoundEnded]) -> list[SpokenLine]:
            self.news += news
            return []

    listener = Listener()
    line = RoomLine(listener, QUIET)
    line.play(Sound(np.zeros(100, dtype=np.float32), 0, "tick"))
    line.play(Sound(np.zeros(1000, dtype=np.float32), 1, "one"))
    line.play(Sound(np.zeros(1000, dtype=np.float32), 2, "two"))
    listen(line, 0.08)
    line.silence()
    listen(line, 1.0)
    assert listener.news == [
        SoundBegan(0, "tick", 0),
        SoundEnded(0, "tick", 100, complete=True),
        SoundBegan(1, "one", 100),
        SoundEnded(1, "one", 1100, complete=True),
        SoundBegan(2, "two", 1100),
        SoundEnded(2, "two", 1280 + 480, complete=False),
    ]


def test_somebody_who_yields_speaks_neither_over_the_coach_nor_into_an_answer() -> None:
    rules = (
        Reaction("the work", "an answer", "done", wait_s=(3.0, 3.0)),
        Reaction("the work", "first chatter", over_s=0.5, channel=1, also=True, yields=True),
        Reaction("the work", "more chatter", over_s=0.6, channel=1, also=True, yields=True),
    )
    one_s = np.ones(RATE_HZ, np.float32)
    persona = ScriptedPersona(rules, np.random.default_rng(1), speak=lambda *_, **__: one_s)
    said: list[SpokenLine] = []
    for block in range(1, 1000):
        until = block * BLOCK_FRAMES
        news: list[SoundBegan | SoundEnded] = []
        if block == 1:
            news = [SoundBegan(1, "This is the work.", 0)]
        elif until == 2 * RATE_HZ:
            news = [SoundEnded(1, "This is the work.", 2 * RATE_HZ, complete=True)]
        said += persona.hear(until, news)
    begins_s = {one.text: one.at / RATE_HZ for one in said}
    assert list(begins_s) == ["first chatter", "an answer", "more chatter"]
    assert begins_s["an answer"] == 5.0
    assert begins_s["first chatter"] == pytest.approx(2.0, abs=0.03)  # to the block
    assert begins_s["more chatter"] == pytest.approx(6.0 + REPLY_S, abs=0.03)
