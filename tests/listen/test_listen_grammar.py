from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from voicecoach.errors import InputError
from voicecoach.grammar import Grammar, Scored, decide, match, normalise, parse

GRAMMARS = Path(__file__).parents[2] / "grammars"
ENGLISH = parse((GRAMMARS / "en.yaml").read_text(encoding="utf-8"), "en.yaml")
NAMES = [command.name for command in ENGLISH.commands]

SMALL = """\
grammar: small
language: en
version: "1"
risks:
  danger: {floor: -3, decoys: -1, others: 0, near: 0.5}
  routine: {floor: -2, decoys: 0, others: 0.3}
  matters: {floor: -2, decoys: 0, others: 0.3}
commands:
  danger: {breach: breach}
  routine:
    done: [done, step done]
    dry: {say: dry, floor: -1}
items: {gown: gown}
states: {"on": "on", "off": "off"}
decoys: ["beach, dawn"]
says: {say-again: Please say that again.}
sounds: {dry: draj draiz}
"""


def small(**changes: str) -> Grammar:
    text = SMALL
    for old, new in changes.items():
        text = text.replace(old, new)
    return parse(text, "small.yaml")


def test_the_grammar_file_gives_commands_items_with_states_decoys_and_sentences() -> None:
    grammar = small()
    assert [command.name for command in grammar.commands] == ["breach", "done", "dry", "gown-on", "gown-off"]
    assert grammar.command("gown-off").phrases == ("gown off",)  # type: ignore[union-attr]
    assert grammar.decoys == ("beach", "dawn")
    assert grammar.say("say-again") == "Please say that again."
    assert (grammar.floor("dry"), grammar.floor("done"), grammar.floor("nothing")) == (-1.0, -2.0, float("inf"))
    assert grammar.sounds == (("dry", ("draj", "draiz")),)


@pytest.mark.parametrize(
    ("old", "new", "line", "message"),
    [
        ("dry: {say: dry,", "dry: {say: done,", 12, "'done' is already a phrase of 'done'"),
        ("breach: breach}", "breach: Gown  OFF}", 13, "'gown off' is already a phrase of 'breach'"),
        ("dry: {say: dry,", "dry: {speak: dry,", 12, "not a known field"),
        ("floor: -1}", "floor: low}", 12, "'low' is not a number"),
        ("breach: breach}", "Breach: breach}", 9, "'Breach' is not a name"),
        ("breach: breach}", "breach: []}", 9, "has no phrase"),
        ("breach: breach}", "breach: a b c d e f}", 9, "is not a phrase"),
        ("beach, dawn", "beach, done", 15, "'done' is a phrase of 'done'"),
        ("  routine: {floor: -2, decoys: 0, others: 0.3}\n", "", 5, "has no floor for 'routine'"),
        ("items: {gown: gown}\n", "", 13, "is given without items"),
        ("floor: -3,", "flor: -3,", 5, "not a known field"),
        ("grammar: small", "gramar: small", 1, "not a known field"),
    ],
)
def test_a_mistake_in_a_grammar_is_named_with_file_and_line(old: str, new: str, line: int, message: str) -> None:
    with pytest.raises(InputError) as caught:
        small(**{old: new})
    assert message in str(caught.value)
    assert str(caught.value).startswith(f"small.yaml:{line}:")


def test_typed_words_mean_a_command_whatever_their_case_punctuation_and_spaces() -> None:
    assert match(ENGLISH, "  Gown   OFF! ", ["gown-off"]) == "gown-off"
    assert match(ENGLISH, "no, air", ["no-air", "no"]) == "no-air"
    assert match(ENGLISH, "gown off please", ["gown-off"]) is None
    assert match(ENGLISH, "gown off", ["gloves-off"]) is None
    assert match(ENGLISH, "", NAMES) is None


@given(st.text())
def test_typed_words_never_mean_a_command_that_is_not_live(words: str) -> None:
    assert match(ENGLISH, words, ["done"]) in {None, "done"}
    assert normalise(normalise(words)) == normalise(words)


scores = st.floats(min_value=-20, max_value=2) | st.sampled_from([float("nan"), float("inf"), float("-inf")])
ranked = st.lists(st.builds(Scored, st.sampled_from([*NAMES, "unknown"]), st.just("words"), scores), max_size=8)


@given(ranked, st.sets(st.sampled_from(NAMES)), st.none() | scores)
def test_no_command_is_taken_that_is_not_live_over_its_floor_and_ahead(
    found: list[Scored], live: set[str], decoy: float | None
) -> None:
    decision = decide(ENGLISH, found, live, decoy)
    assert decision == decide(ENGLISH, found[::-1], live, decoy)
    if decision.command is None:
        return
    assert decision.command in live
    assert decision.score >= ENGLISH.floor(decision.command)
    assert any(s.command == decision.command and s.score == decision.score for s in found)
    margins = ENGLISH.margin(decision.command)
    if decoy is not None and not math.isnan(decoy):
        assert decision.score >= decoy + margins.decoys
    assert decision.near is None


@given(ranked, st.sets(st.sampled_from(NAMES)), st.none() | scores)
def test_only_a_live_danger_word_or_stop_is_ever_asked_about(
    found: list[Scored], live: set[str], decoy: float | None
) -> None:
    """Rule 13."""
    near = decide(ENGLISH, found, live, decoy).near
    if near is not None:
        assert near in live
        assert ENGLISH.command(near).risk in {"danger", "stop"}  # type: ignore[union-attr]


def test_a_breach_just_under_its_floor_is_asked_about_and_a_weaker_one_is_refused() -> None:
    """Rule 13: "bridge" just under the floor: "Breach? Yes or no."."""
    grammar = small()
    assert decide(grammar, [Scored("breach", "breach", -3.3)], ["breach"], None).near == "breach"
    assert decide(grammar, [Scored("breach", "breach", -3.6)], ["breach"], None).near is None
    assert decide(grammar, [Scored("breach", "breach", -2.9)], ["breach"], None).command == "breach"


def test_a_breach_that_scores_below_a_decoy_by_more_than_its_margin_is_asked_about() -> None:
    """Rule 7: a doubtful danger word stops everything and asks."""
    grammar = small()
    assert decide(grammar, [Scored("breach", "breach", -2.0)], ["breach"], -1.2).command == "breach"
    assert decide(grammar, [Scored("breach", "breach", -2.0)], ["breach"], -0.7).near == "breach"
    assert decide(grammar, [Scored("breach", "breach", -2.0)], ["breach"], -0.1).near is None


def test_a_routine_word_no_better_than_a_decoy_or_a_close_runner_up_is_refused() -> None:
    grammar = small()
    live = ["done", "dry", "gown-on", "gown-off"]
    assert decide(grammar, [Scored("done", "done", -0.5)], live, -0.4).command is None
    assert decide(grammar, [Scored("done", "done", -0.5)], live, -0.6).command == "done"
    pair = [Scored("gown-on", "gown on", -0.5), Scored("gown-off", "gown off", -0.7)]
    refused = decide(grammar, pair, live, None)
    assert (refused.command, refused.phrase, refused.runner_up) == (None, "gown on", "gown-off")


def test_of_two_danger_words_the_better_one_is_taken() -> None:
    pair = [Scored("splash", "splash", -1.0), Scored("breach", "breach", -1.0001)]
    assert decide(ENGLISH, pair, ["splash", "breach"], None).command == "splash"


def test_nothing_heard_is_refused() -> None:
    decision = decide(ENGLISH, [], NAMES, -1.0)
    assert (decision.command, decision.near) == (None, None)


def test_danger_has_the_lowest_floor_of_all() -> None:
    """Rule 7: danger words are heard at the lowest floor of all."""
    floors = dict(ENGLISH.floors)
    assert all(floors["danger"] < floor for risk, floor in floors.items() if risk != "danger")


def test_the_english_grammar_has_every_command_that_the_conversation_needs() -> None:
    """The words of rules 1 to 25 and of the six scenes."""
    needed = [
        "done",
        "repeat",
        "breach",
        "back",
        "pause",
        "resume",
        "confirm",
        "stop",
        "clear",
        "torn",
        "soiled",
        "rubbing",
        "wiping",
        "dry",
        "needle",
        "splash",
        "no-air",
        "not-clear",
        "go-on",
        "start-removal",
        "end-session",
        "yes",
        "no",
        "right",
        "wrong",
        "not-finished",
        "went-wrong",
        "help",
        "where-am-i",
        "touched",
        "false-alarm",
        "no-audio",
        "time",
        "understood",
        "nobody-here",
        "partner-busy",
        "practice-run",
        "face",
        "eyes",
        "neck",
        "hair",
        "hand",
        "arm",
        "body",
        "leg",
        "foot",
        "loose",
        "open",
        "skin-showing",
    ]
    items = ["gown", "gloves", "hood", "shield", "mask", "boots", "apron", "coverall", "goggles", "hose", "belt"]
    assert set(needed) | {f"{item}-{state}" for item in items for state in ("on", "off")} <= set(NAMES)


@pytest.mark.parametrize("file", ["en.yaml", "ko.yaml"])
def test_the_coachs_own_sentences_are_short_and_hold_no_answer_as_a_whole(file: str) -> None:
    """Rules 1 and 2: at most 12 words, and the prompt is not the answer it waits for (but scene S6 asks "Right?")."""
    grammar = parse((GRAMMARS / file).read_text(encoding="utf-8"), file)
    for key, sentence in grammar.says:
        assert len(sentence.split()) <= 12, key
        said = match(grammar, sentence, [command.name for command in grammar.commands])
        assert said is None or key == "ask-right", key


FIVE = ["breach", "done", "dry", "gown-on", "gown-off"]
