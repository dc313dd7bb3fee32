from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

import numpy as np
import pytest
from spoken import say

from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ, Samples
from voicecoach.errors import EngineError
from voicecoach.grammar import Grammar, Scored, parse
from voicecoach.listen.echo import EchoCanceller
from voicecoach.listen.engines.phonemes import PhonemeScorer
from voicecoach.listen.pipeline import Pipeline, openings
from voicecoach.session.events import Event, Heard, Role, SoundTrouble, SpeechEnded, SpeechStarted, SpeechUnending

ENGLISH = parse((Path(__file__).parents[2] / "grammars" / "en.yaml").read_text(encoding="utf-8"), "en.yaml")
LIVE = ["done", "repeat", "back", "breach", "splash", "needle", "no-air", "torn", "stop"]
ROLES: dict[int, Role] = {0: "wearer", 1: "observer"}


@pytest.fixture(scope="module")
def engine() -> PhonemeScorer:
    return PhonemeScorer()


class Always:
    """A recogniser that hears one command whatever is said, and counts how often it is asked."""

    engine = "always"

    def __init__(self, command: str, score: float = 0.0, phrase: str = "") -> None:
        self.command, self.value, self.phrase, self.asked = command, score, phrase or command, 0

    def prepare(self, grammar: Grammar) -> Grammar:
        return grammar

    def score(self, samples: Samples, live: Collection[str]) -> tuple[list[Scored], float | None]:
        self.asked += 1
        return [Scored(self.command, self.phrase, self.value)] if self.command in live else [], None


def track(*parts: tuple[float, np.ndarray], length_s: float, seed: int = 0) -> np.ndarray:
    """Sounds laid over a little noise at their times (s)."""
    sound = np.random.default_rng(seed).normal(0, 5e-4, round(length_s * RATE_HZ)).astype(np.float32)
    for at_s, part in parts:
        low = round(at_s * RATE_HZ)
        sound[low : low + len(part)] += part[: len(sound) - low]
    return sound


def hear(ear: Pipeline, heard: np.ndarray, played: np.ndarray | None = None, block: int = BLOCK_FRAMES) -> list[Event]:
    frames = heard.reshape(len(heard), -1)
    silent = np.zeros(len(frames), np.float32) if played is None else played
    return [
        event
        for at in range(0, len(frames), block)
        for event in ear.feed(at, frames[at : at + block], silent[at : at + block])
    ]


def commands(events: list[Event]) -> list[str | None]:
    return [event.command for event in events if isinstance(event, Heard)]


def test_a_command_comes_as_speech_started_ended_and_heard(engine: PhonemeScorer) -> None:
    ear = Pipeline(engine, ENGLISH, ROLES)
    ear.listen(LIVE)
    word = say("repeat", voice="en-us")
    events = hear(ear, track((0.8, word), length_s=2.5))
    assert [type(event) for event in events] == [SpeechStarted, SpeechEnded, Heard]
    heard = events[-1]
    assert isinstance(heard, Heard)
    assert (heard.command, heard.role, heard.channel, heard.engine) == ("repeat", "wearer", 0, "phonemes")
    assert heard.score >= heard.floor
    assert abs(heard.begin - 0.8 * RATE_HZ) < 0.37 * RATE_HZ
    assert heard.begin < heard.end < heard.at <= 2.5 * RATE_HZ


def test_the_answer_to_an_utterance_is_decoded_once() -> None:
    """The decision is made while the hang-over runs, and only once."""
    recogniser = Always("done")
    ear = Pipeline(recogniser, ENGLISH, ROLES)
    ear.listen(LIVE)
    assert commands(hear(ear, track((0.8, say("done", voice="en-us")), length_s=2.5))) == ["done"]
    assert recogniser.asked == 1


def test_what_can_be_meant_may_change_while_the_hang_over_runs() -> None:
    recogniser = Always("done")
    ear = Pipeline(recogniser, ENGLISH, ROLES)
    ear.listen(LIVE)
    sound = track((0.8, say("done", voice="en-us")), length_s=2.5)
    events: list[Event] = []
    for at in range(0, len(sound), 320):
        events += ear.feed(at, sound[at : at + 320], np.zeros(len(sound[at : at + 320]), np.float32))
        if recogniser.asked:
            ear.listen(["repeat"])
    assert commands(events) == [None]


@pytest.mark.parametrize("pause_s", [0.30, 0.36])
def test_an_answer_may_pause_between_its_words(engine: PhonemeScorer, pause_s: float) -> None:
    ear = Pipeline(engine, ENGLISH, ROLES)
    ear.listen(LIVE)
    first, second = say("step", voice="en-us"), say("complete", voice="en-us")
    sound = track((0.8, first), (0.8 + len(first) / RATE_HZ + pause_s, second), length_s=4.0)
    assert commands(hear(ear, sound)) == ["done"]


def test_a_word_after_a_pause_counts_though_what_came_before_it_means_nothing(engine: PhonemeScorer) -> None:
    ear = Pipeline(engine, ENGLISH, ROLES)
    ear.listen(LIVE)
    first, second = say("where is", voice="en-us"), say("repeat", voice="en-us")
    sound = track((0.8, first), (0.8 + len(first) / RATE_HZ + 0.4, second), length_s=4.0)
    assert commands(hear(ear, sound)) == ["repeat"]


def test_a_pause_delays_nothing_that_was_understood_and_only_a_little_what_was_not() -> None:
    def waited_s(score: float) -> float:
        ear = Pipeline(Always("repeat", score), ENGLISH, ROLES)
        ear.listen(LIVE)
        (heard,) = (
            one for one in hear(ear, track((0.8, say("repeat", voice="en-us")), length_s=3.0)) if isinstance(one, Heard)
        )
        return (heard.at - heard.end) / RATE_HZ

    assert waited_s(10.0) < 0.35
    assert 0.45 < waited_s(-10.0) < 0.55


@pytest.mark.parametrize(
    ("command", "phrase", "score", "least_s"),
    [
        ("done", "step done", 10.0, 0.20),
        ("done", "step done", 0.5, 0.30),  # taken, but not clear
        ("done", "done", 10.0, 0.30),  # may begin a sentence
        ("no-air", "no air", 10.0, 0.30),  # may be "no air flow"
    ],
)
def test_a_clear_answer_of_two_words_waits_for_no_more_silence(
    command: str, phrase: str, score: float, least_s: float
) -> None:
    recogniser = Always(command, score, phrase)
    ear = Pipeline(recogniser, ENGLISH, ROLES)
    ear.listen(LIVE)
    (heard,) = (
        one for one in hear(ear, track((0.8, say(phrase, voice="en-us")), length_s=3.0)) if isinstance(one, Heard)
    )
    assert heard.command == command
    assert least_s <= (heard.at - heard.end) / RATE_HZ < least_s + 0.05
    assert recogniser.asked == 1


def test_every_phrase_with_which_a_longer_one_begins_is_known() -> None:
    phrases = [phrase.split() for one in ENGLISH.commands for phrase in one.phrases]
    longer = {" ".join(words[:count]) for words in phrases for count in range(1, len(words))}
    assert openings(ENGLISH) == longer.intersection(" ".join(words) for words in phrases)
    assert {"no", "no air"} <= openings(ENGLISH)


def test_nothing_is_heard_when_nothing_can_be_meant(engine: PhonemeScorer) -> None:
    ear = Pipeline(engine, ENGLISH, ROLES)
    assert commands(hear(ear, track((0.8, say("repeat", voice="en-us")), length_s=2.5))) == [None]


@pytest.mark.parametrize("block", [160, 999, 16_000])
def test_other_block_sizes_give_the_same_events(engine: PhonemeScorer, block: int) -> None:
    sound = track((0.8, say("repeat", voice="en-us")), (2.4, say("oh no, breach, breach", voice="en-us")), length_s=5.0)
    first, second = Pipeline(engine, ENGLISH, ROLES), Pipeline(engine, ENGLISH, ROLES)
    for ear in (first, second):
        ear.listen(LIVE)
    assert hear(first, sound) == hear(second, sound, block=block)


def test_a_breach_in_a_long_sentence_is_told_before_the_sentence_is_over_and_only_once(
    engine: PhonemeScorer,
) -> None:
    """Rule 7: also inside a sentence."""
    ear = Pipeline(engine, ENGLISH, ROLES)
    ear.listen(LIVE)
    text = "oh no, breach, breach, the people over there have to leave the room"
    events = hear(ear, track((0.8, say(text, voice="en-us", rate=150)), length_s=8.0))
    assert commands(events).count("breach") == 1
    kinds = [type(event) for event in events]
    assert kinds.index(Heard) < kinds.index(SpeechEnded)


def test_voices_without_a_gap_are_reported_within_about_three_seconds() -> None:
    ear = Pipeline(Always("done"), ENGLISH, ROLES)
    ear.listen(LIVE)
    babble = say(", ".join(["the patient in the next room is waiting for a bed"] * 4), voice="en-us", rate=190)
    gapless = np.concatenate([babble[i : i + 8000] for i in range(0, len(babble), 8000)])
    events = hear(ear, track((0.3, gapless + gapless[::-1]), length_s=len(gapless) / RATE_HZ + 1.5))
    reported = [event for event in events if isinstance(event, SpeechUnending)]
    assert len(reported) == 1
    assert reported[0].at < 4.2 * RATE_HZ


def test_a_piece_of_unending_speech_is_not_a_routine_answer() -> None:
    """Promise: only a whole utterance advances a step."""
    recogniser = Always("done")
    ear = Pipeline(recogniser, ENGLISH, ROLES)
    ear.listen(LIVE)
    babble = say(", ".join(["the patient in the next room is waiting for a bed"] * 4), voice="en-us", rate=190)
    events = hear(ear, track((0.3, babble + babble[::-1]), length_s=len(babble) / RATE_HZ + 1.5))
    assert any(isinstance(event, SpeechUnending) for event in events)
    assert "done" not in commands(events)


def test_lost_frames_end_what_was_being_said(engine: PhonemeScorer) -> None:
    ear = Pipeline(engine, ENGLISH, ROLES)
    ear.listen(LIVE)
    sound = track((0.5, say("repeat", voice="en-us")), length_s=0.9)
    assert [type(event) for event in hear(ear, sound)] == [SpeechStarted]
    block = np.zeros((320, 1), np.float32)
    assert [type(event) for event in ear.feed(10 * RATE_HZ, block, block[:, 0])] == [SpeechEnded]


def two_channels(own_db: float, other_db: float) -> np.ndarray:
    word = say("repeat", voice="en-us")
    sides = [
        track((0.8, word * np.float32(10 ** (db / 20))), length_s=2.6, seed=n)
        for n, db in enumerate((own_db, other_db))
    ]
    return np.stack(sides, axis=1)


@pytest.mark.parametrize(("sides", "channel", "role"), [((0.0, -10.0), 0, "wearer"), ((-10.0, 0.0), 1, "observer")])
def test_an_utterance_that_crosses_to_the_other_channel_10_db_down_is_heard_once_on_its_own(
    engine: PhonemeScorer, sides: tuple[float, float], channel: int, role: str
) -> None:
    """Rule 15: roles by channel, with crosstalk."""
    ear = Pipeline(engine, ENGLISH, ROLES)
    ear.listen(LIVE)
    heard = [event for event in hear(ear, two_channels(*sides)) if isinstance(event, Heard)]
    assert [(event.command, event.channel, event.role) for event in heard] == [("repeat", channel, role)]


def test_an_utterance_as_loud_on_both_channels_belongs_to_nobody_certain(engine: PhonemeScorer) -> None:
    """Rule 15: when the coach can't tell them apart, it does not pretend to."""
    ear = Pipeline(engine, ENGLISH, ROLES)
    ear.listen(LIVE)
    heard = [event for event in hear(ear, two_channels(0.0, -1.0)) if isinstance(event, Heard)]
    assert [(event.command, event.role) for event in heard] == [("repeat", "unknown")]


def test_each_of_two_people_speaking_in_turn_has_a_role(engine: PhonemeScorer) -> None:
    ear = Pipeline(engine, ENGLISH, ROLES)
    ear.listen([*LIVE, "confirm"])
    wearer = track((0.6, say("repeat", voice="en-us")), length_s=4.0, seed=1)
    observer = track((2.3, say("step complete", voice="en-us")), length_s=4.0, seed=2)
    heard = [event for event in hear(ear, np.stack([wearer, observer], axis=1)) if isinstance(event, Heard)]
    assert [(event.command, event.role) for event in heard] == [("repeat", "wearer"), ("done", "observer")]


def test_the_number_of_channels_cannot_change(engine: PhonemeScorer) -> None:
    ear = Pipeline(engine, ENGLISH, ROLES)
    ear.feed(0, np.zeros((320, 1), np.float32), np.zeros(320, np.float32))
    with pytest.raises(EngineError, match="2 channels"):
        ear.feed(320, np.zeros((320, 2), np.float32), np.zeros(320, np.float32))


def test_a_score_that_is_not_a_number_is_an_error_of_the_engine() -> None:
    ear = Pipeline(Always("done", float("nan")), ENGLISH, ROLES)
    ear.listen(LIVE)
    with pytest.raises(EngineError, match="invalid score"):
        hear(ear, track((0.8, say("done", voice="en-us")), length_s=2.5))


def echo_of(played: np.ndarray, down_db: float) -> np.ndarray:
    """The speaker in the microphone: 30 ms late."""
    return (np.pad(played, (480, 0))[: len(played)] * 10 ** (-down_db / 20)).astype(np.float32)


def test_the_coachs_own_prompt_is_neither_a_voice_nor_a_command(engine: PhonemeScorer) -> None:
    """Rule 7: zero false commands from prompts alone."""
    ear = Pipeline(engine, ENGLISH, ROLES)
    ear.listen(LIVE)
    prompt = say("Stop. Step away. Take the gown off and roll it inside out.", voice="en-gb")
    played = np.pad(prompt, (8000, 16_000)).astype(np.float32)
    heard = echo_of(played, 6.0) + track(length_s=len(played) / RATE_HZ)
    assert hear(ear, heard, played) == []
    deaf = Pipeline(engine, ENGLISH, ROLES)  # without the reference it is a voice: the test can fail
    deaf.listen(LIVE)
    assert any(isinstance(event, SpeechStarted) for event in hear(deaf, heard))


def test_a_voice_over_a_prompt_is_noticed(engine: PhonemeScorer) -> None:
    """Rule 7: any voice over a prompt stops it."""
    ear = Pipeline(engine, ENGLISH, ROLES)
    ear.listen(LIVE)
    prompt = say("Rub both outer gloves, all over, until they are dry to the tips.", voice="en-gb")
    played = np.pad(prompt * np.float32(0.3), (8000, 16_000)).astype(np.float32)
    begin_s = 1.5
    voice = track((begin_s, say("breach, breach", voice="en-us")), length_s=len(played) / RATE_HZ)
    events = hear(ear, voice + echo_of(played, 6.0), played)
    started = [event.at / RATE_HZ - begin_s for event in events if isinstance(event, SpeechStarted)]
    assert started
    assert 0 <= started[0] < 1.0


def test_the_canceller_keeps_each_sample_in_its_place() -> None:
    """Sound that is not an echo comes out where it went in, whether the canceller works or rests."""
    rng = np.random.default_rng(3)
    heard = rng.normal(0, 0.05, 32_000).astype(np.float32)
    for resting in EchoCanceller().feed(heard, np.zeros_like(heard)):
        assert np.array_equal(resting[124:], heard[: len(resting) - 124])
    played = np.zeros_like(heard)
    played[:4000] = rng.normal(0, 0.01, 4000)
    working, natural = (side[8000:16_000] for side in EchoCanceller().feed(heard, played))
    assert np.allclose(natural, heard[8000 - 124 : 16_000 - 124], atol=1e-3)
    shifts = [float(np.dot(working, heard[8000 - lag : 16_000 - lag])) for lag in range(100, 150)]
    assert abs(100 + int(np.argmax(shifts)) - 124) <= 8  # half a millisecond: its filters turn phases


def test_what_is_decoded_over_a_prompt_is_the_voice_as_it_was() -> None:
    """WebRTC's canceller swallows the voice with the prompt; the filter that learns the room does not."""
    prompt = say("Rub both outer gloves, all over, until they are dry to the tips.", voice="en-gb")
    played = np.pad(np.concatenate([prompt, prompt]), (8000, 8000)).astype(np.float32)
    echo = echo_of(played, 6.0)
    begin = len(prompt) + 24_000
    voice = np.zeros_like(played)
    word = say("breach", voice="en-us")
    voice[begin : begin + len(word)] = word
    clean, natural = EchoCanceller().feed(echo + voice + track(length_s=len(played) / RATE_HZ), played)
    over, cleaned = (side[begin + 124 : begin + 124 + len(word)] for side in (natural, clean))
    before = natural[begin - 8000 : begin]
    assert np.corrcoef(over, word)[0, 1] > np.corrcoef(cleaned, word)[0, 1]
    assert np.mean(before**2) < 0.1 * np.mean(echo[begin - 8000 : begin] ** 2)


def test_between_the_pieces_of_its_work_it_says_that_it_is_working() -> None:
    reported: list[str] = []
    ear = Pipeline(Always("repeat"), ENGLISH, ROLES, working=lambda: reported.append("working"))
    ear.listen(LIVE)
    assert commands(hear(ear, track((0.8, say("repeat", voice="en-us")), length_s=2.5))) == ["repeat"]
    assert reported


class OnlyCleaned:
    """A recogniser that hears a danger word in every second sound it is given."""

    engine = "only cleaned"

    def __init__(self) -> None:
        self.asked = 0

    def prepare(self, grammar: Grammar) -> Grammar:
        return grammar

    def score(self, samples: Samples, live: Collection[str]) -> tuple[list[Scored], float | None]:
        self.asked += 1
        return [Scored("stop", "stop", 0.0 if self.asked % 2 == 0 else -9.0)], None


def test_over_a_prompt_danger_is_found_in_either_sound_and_without_one_nothing_is_decoded_twice() -> None:
    prompt = say("Rub both outer gloves, all over, until they are dry to the tips.", voice="en-gb")
    played = np.pad(prompt * np.float32(0.3), (8000, 16_000)).astype(np.float32)
    voice = track((1.5, say("stop", voice="en-us")), length_s=len(played) / RATE_HZ)
    recogniser = OnlyCleaned()
    ear = Pipeline(recogniser, ENGLISH, ROLES)
    ear.listen(LIVE)
    assert "stop" in commands(hear(ear, voice + echo_of(played, 6.0), played))
    word = track((1.5, say("stop", voice="en-us")), length_s=3.5)
    recogniser.asked = 0
    ear = Pipeline(recogniser, ENGLISH, ROLES)
    ear.listen(LIVE)
    assert commands(hear(ear, word)) == [None]
    assert recogniser.asked == 1


def test_a_doubtful_danger_word_is_asked_about_unless_the_noise_drowns_the_voice() -> None:
    almost = ENGLISH.floor("breach") - 0.1
    word = say("breach", voice="en-us")
    loud = float(np.sqrt(np.mean(word**2)))
    near = {}
    for noise_db in (-20, 0):
        rng = np.random.default_rng(1)
        sound = rng.normal(0, loud * 10 ** (noise_db / 20), 5 * RATE_HZ).astype(np.float32)
        sound[3 * RATE_HZ : 3 * RATE_HZ + len(word)] += word
        ear = Pipeline(Always("breach", almost), ENGLISH, ROLES)
        ear.listen(LIVE)
        near[noise_db] = {event.near for event in hear(ear, sound) if isinstance(event, Heard)}
    assert near[-20] == {"breach"}
    assert near[0] <= {None}


def test_a_floor_set_for_a_voice_takes_what_was_only_asked_about_and_no_less_than_that() -> None:
    """The voice check may lower a danger word's floor to where it is asked about, never below."""
    word = track((0.8, say("breach", voice="en-us")), length_s=2.5)
    floor = ENGLISH.floor("breach")
    near = ENGLISH.margin("breach").near
    for score, wanted in ((floor - 0.5 * near, "breach"), (floor - 1.5 * near, None)):
        ear = Pipeline(Always("breach", score), ENGLISH, ROLES)
        ear.listen(LIVE)
        before = [event for event in hear(ear, word) if isinstance(event, Heard)]
        assert before[0].command is None
        ear.set_floors({"breach": floor - 9.0})
        at = len(word)
        after = [
            event
            for begin in range(0, len(word), BLOCK_FRAMES)
            for event in ear.feed(
                at + begin, word[begin : begin + BLOCK_FRAMES], np.zeros(len(word[begin : begin + BLOCK_FRAMES]))
            )
            if isinstance(event, Heard)
        ]
        assert after[0].command == wanted


def test_a_voice_too_faint_for_the_engines_is_reported_the_second_time() -> None:
    ear = Pipeline(Always("done"), ENGLISH, ROLES)
    ear.listen(LIVE)
    word = 0.01 * say("step complete", voice="en-us")
    rng = np.random.default_rng(0)
    sound = rng.normal(0, 3e-5, 8 * RATE_HZ).astype(np.float32)
    for at_s in (1.0, 4.0):
        low = round(at_s * RATE_HZ)
        sound[low : low + len(word)] += word
    reported = [event.what for event in hear(ear, sound) if isinstance(event, SoundTrouble)]
    assert reported == ["quiet"]
