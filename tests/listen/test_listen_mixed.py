"""Both engines together: danger first, the rest by the chance that it is right."""

from __future__ import annotations

import json
import math
from collections.abc import Collection, Sequence
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.grammar import RISKS, Grammar, Scored, decide, parse
from voicecoach.listen import chance
from voicecoach.listen.chance import Calibration, Candidate, DecisionModel, Evidence, Weighing, chance_of, opposite
from voicecoach.listen.engines import moonshine, phonemes
from voicecoach.listen.engines.mixed import CERTAIN, MixedScorer

ENGLISH = parse((Path(__file__).parents[2] / "grammars" / "en.yaml").read_text(encoding="utf-8"), "en.yaml")
PHRASES = [phrase for command in ENGLISH.commands for phrase in command.phrases]
LIVE = ["done", "repeat", "back", "breach", "needle", "stop", "gown-off"]
LOOK_S = 1.55
"""A look into speech that continues, with the sound before it (s)."""
figures = st.floats(-12, 12)
evidences = st.builds(
    Evidence, figures, st.floats(-8, 0), figures, figures, figures, st.sampled_from([1.0, 2.0]), st.floats(3, 20),
    st.floats(1, 5),
)  # fmt: skip


class Phones:
    """Phonemes that hear one phrase; inside: within a sentence."""

    def __init__(self, phrase: str, score: float, *, inside: bool = False) -> None:
        self.phrase, self.value, self.is_inside = phrase, score, inside
        self.phrases: list[tuple[str, str]] = []

    def prepare(self, grammar: Grammar) -> Grammar:
        self.phrases = [(command.name, phrase) for command in grammar.commands for phrase in command.phrases]
        return grammar

    def rank(self, samples: Samples) -> phonemes.SpellingScores:
        rows = [row for row, (_, phrase) in enumerate(self.phrases) if phrase == self.phrase]
        whole = np.full(len(self.phrases), -9.0)
        if not self.is_inside or len(samples) < RATE_HZ:
            whole[rows] = self.value
        inside = dict.fromkeys(rows, self.value) if self.is_inside and len(samples) >= RATE_HZ else {}
        return phonemes.SpellingScores(whole, -2.5, inside)

    def find(self, samples: Samples, row: int) -> tuple[int, int]:
        return RATE_HZ, RATE_HZ * 3 // 2


class Words:
    """Moonshine that hears one phrase, and counts how often and on how much it is asked."""

    def __init__(self, phrase: str, score: float = 0.0, text: str = "") -> None:
        self.phrase, self.value, self.text = phrase, score, text
        self.asked: list[int] = []
        self.expected = np.zeros(len(PHRASES))

    def prepare(self, grammar: Grammar) -> Grammar:
        return grammar

    def rank(self, samples: Samples) -> moonshine.UtteranceScores:
        self.asked.append(len(samples))
        scores = np.full(len(PHRASES), -16.0)
        scores[[place for place, phrase in enumerate(PHRASES) if phrase == self.phrase]] = self.value
        return moonshine.UtteranceScores(scores, self.text)


def heard(phones: Phones, words: Words, live: Collection[str] = LIVE, seconds: float = 1.0) -> str | None:
    scorer = MixedScorer(phones, words)  # type: ignore[arg-type]
    rules = scorer.prepare(ENGLISH)
    ranked, decoy = scorer.score(np.zeros(round(seconds * RATE_HZ), np.float32), live)
    return decide(rules, ranked, live, decoy).command


def test_a_plain_danger_word_does_not_wait_for_moonshine() -> None:
    words = Words("done")
    assert heard(Phones("breach", -0.2), words) == "breach"
    assert words.asked == []


def test_a_word_that_both_hear_is_taken_and_one_that_either_doubts_is_not() -> None:
    assert heard(Phones("step done", -0.5), Words("step done")) == "done"
    assert heard(Phones("step done", -8.0), Words("step done")) is None
    assert heard(Phones("step done", -1.5), Words("i understand")) is None


def test_a_danger_word_in_a_sentence_is_cut_out_and_judged_alone() -> None:
    words = Words("needle stick")
    assert heard(Phones("needle stick", -0.8, inside=True), words, ["needle", "stop"], 3.0) == "needle"
    assert min(words.asked) < RATE_HZ  # not only the three seconds around it
    assert heard(Phones("needle stick", -2.4, inside=True), Words("continue", 0.0), ["needle", "stop"], 3.0) is None


def test_a_danger_word_that_moonshine_writes_down_is_taken_inside_a_sentence() -> None:
    for text, taken in (("Stop right there.", "stop"), ("Press the stopper.", None)):
        assert heard(Phones("stop", -3.5), Words("no audio", text=text), seconds=3.0) == taken


def test_a_look_into_ongoing_speech_costs_moonshine_nothing_without_a_danger_word() -> None:
    words = Words("done")
    assert heard(Phones("done", -0.2), words, ["breach", "stop"], LOOK_S) is None
    assert words.asked == []


def test_running_speech_that_fits_a_danger_word_as_a_whole_is_not_taken_for_it() -> None:
    words = Words("done")
    assert heard(Phones("needle", -0.1), words, ["breach", "needle"], LOOK_S) is None
    assert words.asked == []
    assert heard(Phones("needle", -0.1), words, ["breach", "needle"]) == "needle"  # short: said alone


class Twice(Phones):
    """Phonemes that hear one phrase in the sound as it is, and another in the same sound when it is slower."""

    def __init__(self, first: tuple[str, float], then: tuple[str, float]) -> None:
        super().__init__(*first)
        self.first, self.then = first, then
        self.looks = 0

    def rank(self, samples: Samples) -> phonemes.SpellingScores:
        self.looks += 1
        self.phrase, self.value = self.then if len(samples) > RATE_HZ else self.first
        return super().rank(samples)


def test_what_is_refused_by_little_gets_a_second_look_and_the_mean_decides() -> None:
    unsure = Twice(("step done", -5.0), ("step done", -0.2))
    assert heard(Phones("step done", -5.0), Words("step done", -10.0)) is None
    assert heard(unsure, Words("step done", -10.0)) == "done"
    assert unsure.looks == 2
    assert heard(Twice(("step done", -5.0), ("step done", -5.0)), Words("step done", -10.0)) is None


def test_what_is_taken_or_is_nothing_like_a_command_costs_no_second_look() -> None:
    for phones, words in (
        (Twice(("step done", -0.5), ("step done", -0.5)), Words("step done")),
        (Twice(("step done", -8.0), ("step done", -0.1)), Words("i understand", -16.0)),
    ):
        heard(phones, words)
        assert phones.looks == 1


def test_a_danger_word_that_is_asked_about_is_not_exchanged_for_an_answer() -> None:
    scorer = MixedScorer(Twice(("breach", -4.0), ("step done", 2.0)), Words("breach", -6.0))  # type: ignore[arg-type]
    rules = scorer.prepare(ENGLISH)
    ranked, decoy = scorer.score(np.zeros(RATE_HZ, np.float32), LIVE)
    decision = decide(rules, ranked, LIVE, decoy)
    assert (decision.command, decision.near) == (None, "breach")


def test_on_is_not_taken_where_off_is_nearly_as_likely() -> None:
    """Behind a mask 'shield off' came out as 'shield on': a false confirmation."""
    weighing = Weighing(ENGLISH)
    fitted = chance.fitted("mixed")
    moon, phones = np.full(len(PHRASES), -16.0), np.full(len(PHRASES), -8.0)
    at = PHRASES.index
    moon[[at("shield on"), at("shield off")]], phones[[at("shield on"), at("shield off")]] = (0.0, -0.8), (-0.4, -0.5)
    for live in (["shield-on", "shield-off"], ["shield-on"]):  # also while the opposite cannot be meant
        (found,) = [c for c in weighing.candidates(live, moon, phones, -4.0) if c.command == "shield-on"]
        assert fitted.score(found) < -50
    moon[at("shield off")] = -9.0
    (found,) = weighing.candidates(["shield-on"], moon, phones, -4.0)
    assert fitted.score(found) > -50
    assert (opposite("go-on"), opposite("gown-on"), opposite("done")) == ("go-off", "gown-off", "")


@given(evidences)
def test_the_chance_is_a_chance(evidence: Evidence) -> None:
    for engine in ("mixed", "moonshine"):
        odds = chance.fitted(engine).chance.log_odds(evidence)
        assert math.isfinite(odds)
        assert 0.0 <= chance_of(odds) <= 1.0


@given(
    st.dictionaries(st.sampled_from(["done", "breach", "gown-off", "help", "no-audio"]), figures, min_size=1),
    st.sampled_from(RISKS), st.floats(0.01, 0.98), st.floats(0.0, 0.5),
)  # fmt: skip
def test_raising_a_floor_never_takes_more(scores: dict[str, float], risk: str, floor: float, more: float) -> None:
    fitted = chance.fitted("mixed")
    ranked = [Scored(name, name, score) for name, score in scores.items()]
    taken = []
    for chances in (floor, min(floor + more, 0.99)):
        floors = {**fitted.floors, risk: chances}
        asked = min(fitted.asked, floors["danger"], floors["stop"])
        rules = DecisionModel(fitted.chance, floors, asked, 0).rules(ENGLISH)
        taken.append(decide(rules, ranked, list(scores), None).command)
    command = ENGLISH.command(taken[1] or "")
    if command is not None and command.risk == risk:
        assert taken[0] is not None


def test_the_floors_rise_with_what_a_mistake_costs_and_danger_has_the_lowest() -> None:
    for engine in ("mixed", "moonshine"):
        fitted = chance.fitted(engine)
        assert set(fitted.floors) == set(RISKS)
        assert fitted.asked < fitted.floors["danger"] <= fitted.floors["stop"] <= fitted.floors["routine"]
        assert fitted.floors["routine"] <= fitted.floors["matters"]


def test_the_chance_agrees_with_counts_on_voices_that_were_kept_out_of_the_fit() -> None:
    """The counts stand beside the weights. A chance that is given for 100 utterances and more is at most 0.05 too high;
    it may be 0.125 too low, since an answer that is asked for once more costs less than one taken wrongly.
    """
    text = resources.files("voicecoach.listen").joinpath(chance.FILE).read_text(encoding="utf-8")
    for data in json.loads(text)["engines"].values():
        (rows,) = [value for key, value in data.items() if key.startswith("reliability")]
        checked = [row for row in rows if row[2] >= 100]
        assert len(checked) >= 6
        assert all(-0.125 <= mean - share <= 0.05 for _, _, _, mean, share in checked)


def test_weights_of_another_number_of_figures_are_refused() -> None:
    evidence = Evidence(0, 0, 0, 0, 0, 1, 4, 3)
    with pytest.raises(ValueError, match="zip"):
        Calibration((1.0,), 0.0).log_odds(evidence)
    assert len(chance.names()) == len(evidence.vector())


def test_candidates_know_their_lead_over_what_is_live_and_what_is_not() -> None:
    grammar = parse(SMALL, "small.yaml")
    found: Sequence[Candidate] = Weighing(grammar).candidates(
        ["done", "dry"], np.array([-1.0, 0.0, -2.0]), np.array([-1.0, -1.0, -1.0]), -2.0
    )  # breach, done, dry
    done = next(candidate for candidate in found if candidate.command == "done")
    assert done.evidence.lead == pytest.approx(chance.MIXED.moonshine * 2.0)
    assert done.evidence.lead_elsewhere == pytest.approx(chance.MIXED.moonshine * 1.0)
    assert done.evidence.lead_decoys == pytest.approx(1.0)
    assert max(map(chance_of, (0.0, 1.0))) < CERTAIN


SMALL = """grammar: small
language: en
version: "1"
risks: {routine: {floor: -2}, danger: {floor: -2}}
commands: {routine: {done: done, dry: dry}, danger: {breach: breach}}
"""


def test_an_items_word_is_not_taken_where_another_items_fits_better() -> None:
    """'apron removed' while 'coverall removed' is awaited: the coverall would be on record as off."""
    fitted = chance.fitted("mixed")
    weighing = Weighing(ENGLISH)
    moon, phones = np.full(len(PHRASES), -16.0), np.full(len(PHRASES), -8.0)
    at = PHRASES.index
    for coverall, apron, taken in ((-1.0, -0.5, False), (-0.5, -1.5, True)):
        moon[[at("coverall removed"), at("apron removed")]] = coverall, apron
        phones[[at("coverall removed"), at("apron removed")]] = coverall, apron
        (found,) = weighing.candidates(["coverall-off"], moon, phones, -4.0)
        assert (fitted.score(found) > -50) == taken
