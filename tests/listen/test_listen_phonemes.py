from __future__ import annotations

import itertools
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from spoken import say

from voicecoach.errors import EngineError
from voicecoach.grammar import decide, parse
from voicecoach.listen.engines.phonemes import PhonemeScorer, forward, lay_out

ENGLISH = parse((Path(__file__).parents[2] / "grammars" / "en.yaml").read_text(encoding="utf-8"), "en.yaml")
ALWAYS = ["repeat", "back", "pause", "help", "where-am-i", "no-audio", "time", "end-session"]
ALWAYS += ["breach", "splash", "needle", "no-air", "torn", "stop"]


@pytest.fixture(scope="module")
def engine() -> PhonemeScorer:
    recogniser = PhonemeScorer()
    recogniser.prepare(ENGLISH)
    return recogniser


def taken(engine: PhonemeScorer, text: str, live: list[str], voice: str = "en-us") -> str | None:
    ranked, decoy = engine.score(say(text, voice=voice, pads_s=0.25), live)
    return decide(ENGLISH, ranked, live, decoy).command


def by_definition(emissions: np.ndarray, labels: tuple[int, ...]) -> float:
    """CTC as defined by Graves et al. 2006, equation 3 [mem]: the sum over every path that collapses to the labels."""
    total = 0.0
    for path in itertools.product(range(emissions.shape[1]), repeat=len(emissions)):
        collapsed = [label for label, _ in itertools.groupby(path) if label != 0]
        if collapsed == list(labels):
            total += math.prod(float(emissions[t, label]) for t, label in enumerate(path))
    return total


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**31), st.lists(st.integers(1, 2), min_size=1, max_size=3))
def test_the_forward_score_is_the_sum_over_all_paths(seed: int, labels: list[int]) -> None:
    emissions = np.random.default_rng(seed).random((5, 3))
    others = [[1], [2, 1], labels]  # rows of other lengths beside it change nothing
    score = forward(emissions, lay_out(others, 0))[2] * len(labels)
    assert score == pytest.approx(math.log(max(by_definition(emissions, tuple(labels)), 1e-300)), rel=1e-9)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**31), st.lists(st.integers(1, 2), min_size=1, max_size=3))
def test_a_word_inside_scores_no_less_than_the_word_alone_in_any_stretch(seed: int, labels: list[int]) -> None:
    emissions = np.random.default_rng(seed).random((6, 3))
    emissions /= emissions.max(axis=1, keepdims=True)
    paths = lay_out([labels], 0)
    inside = forward(emissions, paths, inside=True)[0]
    stretches = [emissions[low:high] for low in range(6) for high in range(low + 1, 7)]
    assert all(inside >= max_free(stretch, labels) - 1e-9 for stretch in stretches)


def max_free(stretch: np.ndarray, labels: list[int]) -> float:
    """Score of the best single path through the labels without a blank in front (which the free path is for)."""
    best = 0.0
    for path in itertools.product(range(3), repeat=len(stretch)):
        if path[0] != 0 and [label for label, _ in itertools.groupby(path) if label != 0] == labels:
            best = max(best, math.prod(float(stretch[t, label]) for t, label in enumerate(path)))
    return math.log(max(best, 1e-300)) / len(labels)


def test_every_word_of_the_english_grammar_has_its_sounds_written_down() -> None:
    """So that nothing has to be spelt when a session starts (40 ms a word)."""
    spelt = dict(ENGLISH.sounds)
    words = [word for command in ENGLISH.commands for phrase in command.phrases for word in phrase.split()]
    words += [word for decoy in ENGLISH.decoys for word in decoy.split()]
    assert [word for word in words if word not in spelt] == []


def test_a_sound_that_the_engine_does_not_know_is_named() -> None:
    text = (
        'grammar: x\nlanguage: en\nversion: "1"\nrisks: {routine: {floor: -2}, danger: {floor: -2}}\n'
        "commands: {routine: {done: done}, danger: {breach: breach}}\n"
    )
    with pytest.raises(EngineError, match="Ж"):
        PhonemeScorer().prepare(parse(text + "sounds: {done: dЖn}\n", "x.yaml"))


@pytest.mark.parametrize("voice", ["en-us", "en-gb", "en-us+f3"])
@pytest.mark.parametrize(
    ("text", "command"),
    [("step done", "done"), ("repeat", "repeat"), ("previous step", "back"), ("shield in place", "shield-on")],
)
def test_a_clearly_spoken_command_is_taken(engine: PhonemeScorer, text: str, command: str, voice: str) -> None:
    assert taken(engine, text, [*ALWAYS, command], voice) == command


@pytest.mark.parametrize(
    "text",
    ["the patient is stable", "pass me the scissors", "hello there", "coffee break", "two milligrams", "gown off"],
)
def test_what_is_not_a_live_command_advances_nothing(engine: PhonemeScorer, text: str) -> None:
    assert taken(engine, text, [*ALWAYS, "done", "gloves-off"]) not in {"done", "gloves-off"}


def test_an_answer_to_another_question_is_refused(engine: PhonemeScorer) -> None:
    """Rule 3: answers depend on the step."""
    assert taken(engine, "shield in place", [*ALWAYS, "shield-on"]) == "shield-on"
    assert taken(engine, "shield in place", [*ALWAYS, "gown-on"]) is None


def test_a_danger_word_is_found_inside_a_sentence(engine: PhonemeScorer) -> None:
    """Rule 7 and scene S5: "oh no, breach, breach"."""
    assert taken(engine, "oh no, breach, breach", [*ALWAYS, "done"]) == "breach"
    assert taken(engine, "careful, splash, splash", [*ALWAYS, "done"]) == "splash"


def test_only_danger_words_are_found_inside_a_sentence(engine: PhonemeScorer) -> None:
    assert taken(engine, "i think that this step done and then some more", ["step", "done"]) is None


@pytest.mark.parametrize("gain", [0.02, 0.3, 4.0])
def test_loudness_does_not_matter(engine: PhonemeScorer, gain: float) -> None:
    ranked, _ = engine.score(say("repeat", voice="en-us", pads_s=0.25), ["repeat", "done"])
    other, _ = engine.score(say("repeat", voice="en-us", pads_s=0.25) * np.float32(gain), ["repeat", "done"])
    assert other[0].command == ranked[0].command == "repeat"


@pytest.mark.parametrize(
    "sound",
    [
        np.zeros(0, np.float32),
        np.zeros(100, np.float32),
        np.zeros(16_000, np.float32),
        np.ones(16_000, np.float32),
        np.random.default_rng(0).normal(0, 0.1, 48_000).astype(np.float32),
    ],
    ids=["nothing", "a moment", "silence", "a constant", "noise"],
)
def test_no_command_is_taken_from_a_sound_without_a_voice(engine: PhonemeScorer, sound: np.ndarray) -> None:
    live = [command.name for command in ENGLISH.commands]
    ranked, decoy = engine.score(sound, live)
    assert decide(ENGLISH, ranked, live, decoy).command is None


def test_the_same_sound_scores_the_same(engine: PhonemeScorer) -> None:
    sound = say("gown off", voice="en-us", pads_s=0.25)
    assert engine.score(sound, ALWAYS) == engine.score(sound, ALWAYS)
