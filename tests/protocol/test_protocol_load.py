from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from voicecoach.errors import InputError
from voicecoach.grammar import parse
from voicecoach.protocol.lint import lint, spoken
from voicecoach.protocol.load import load
from voicecoach.runtime.library import load_protocol

HERE = Path(__file__).parents[2]
FILES = sorted((HERE / "protocols").glob("*.yaml"))
SHORT = load_protocol("short-practice")[1]
GRAMMAR = parse((HERE / "grammars" / "en.yaml").read_text(encoding="utf-8"), "en.yaml")


def changed(old: str, new: str) -> str:
    assert SHORT.count(old) >= 1, old
    return SHORT.replace(old, new, 1)


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_every_protocol_of_the_library_loads_and_agrees_with_the_english_grammar(file: Path) -> None:
    protocol = load_protocol(str(file))[0]
    assert [error.line() for error in lint(protocol, GRAMMAR)] == []
    assert protocol.name == file.stem


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_every_prompt_is_at_most_twelve_words_and_every_first_act_at_most_six(file: Path) -> None:
    # rules 1 and 11
    protocol = load_protocol(str(file))[0]
    assert all(0 < len(text.split()) <= 12 for _, text in spoken(protocol))
    assert all(0 < len(rule.first.split()) <= 6 for rule in protocol.breaches)


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_no_stage_has_more_than_eight_answers_that_must_be_named(file: Path) -> None:
    protocol = load_protocol(str(file))[0]  # rule 3
    assert all(sum(step.matters for step in plan.steps) <= 8 for plan in protocol.stages)


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_no_speech_is_asked_for_while_a_respirator_comes_off(file: Path) -> None:
    protocol = load_protocol(str(file))[0]  # rule 5
    masks = {item.name for item in protocol.items if item.say == "mask"}
    # dressing is clean, and in the shortened removal it may be a helper who answers
    for step in protocol.steps("undress"):
        if any(act.kind == "doff" and act.target in masks for act in step.acts):
            assert step.quiet_s > 0
            assert not step.answers


MISTAKES = {
    "unknown item": ("{doff: mask, grip: straps}", "{doff: hat, grip: straps}", "'hat' is unknown"),
    "unknown act": ("{doff: mask, grip: straps}", "{burn: mask}", "is not a known field"),
    "two acts in one": ("{doff: mask, grip: straps}", "{doff: mask, don: mask}", "names 2 acts"),
    "unknown zone": ("grip: straps}]\n      quiet", "grip: sleeve}]\n      quiet", "'sleeve' is unknown"),
    "unknown role": ("      answer: clear\n", "      answer: clear\n      role: nurse\n", "'nurse' is unknown"),
    "step twice": ("step: practice-leave\n", "step: practice-look\n", "is named twice, first on line"),
    "key twice": ("      answer: clear\n", "      answer: clear\n      answer: done\n", "is defined twice"),
    "alias": ("exposed: [eyes", "exposed: &bare [eyes", "alias or anchor"),
    "tag": ("exposed: [eyes", "exposed: !!set [eyes", "uses the YAML tag"),
    "branch to nowhere": ("torn: practice-torn,", "torn: practice-tear,", "'practice-tear' is unknown"),
    "way to nowhere": ("    then: next\n    ask", "    then: moon\n    ask", "'moon' is unknown"),
    "empty prompt": ("say: Look at both gloves, every finger.", "say: ''", "has no text"),
    "long prompt": ("say: That was the practice.", "say: a b c d e f g h i j k l m", "words long"),
    "no answer": ("      answer: clear\n", "", "has no answer"),
    "quiet and asked": ("      quiet: 3\n", "      quiet: 3\n      answer: done\n", "quiet step"),
    "quiet for nobody": ("      asks-for: practice-mask-away\n", "", "no later step asks about it"),
    "long first act": (
        "torn:\n  gloves: {undress",
        "breaches: [{kind: splash, stages: [work], first: Go back and keep both hands up.}]\ntorn:\n  gloves: {undress",
        "at most 6",
    ),
    "no start": ("seconds: 3, start: rubbing}", "seconds: 3}", "has no start command"),
    "removal begun again": (
        "torn:\n  gloves: {undress",
        "breaches: [{kind: torn, stages: [undress], first: Hands away., then: undress}]\ntorn:\n  gloves: {undress",
        "begins the removal again",
    ),
    "covers itself": ("tight: [face]", "tight: [mask.front]", "cannot lie over itself"),
    "covers nothing known": ("tight: [face]", "tight: [nose]", "'nose' is unknown"),
    "never put on": ("{don: mask, grip: straps}", "{don: gloves, grip: cuff}", "acts on 'mask', which no step puts on"),
    "ring": (
        "        say: Peel both gloves down into the bin.\n",
        "        say: Peel them.\n        repair: practice-torn\n",
        "leads back to itself",
    ),
    "nan": ("seconds: 3, start: rubbing}", "seconds: .nan, start: rubbing}", "number from"),
}  # fmt: skip


@pytest.mark.parametrize("mistake", MISTAKES, ids=lambda name: name.replace(" ", "-"))
def test_a_mistake_is_refused_in_one_line_that_names_file_and_line(mistake: str) -> None:
    old, new, words = MISTAKES[mistake]
    text = changed(old, new)
    with pytest.raises(InputError) as caught:
        load(text, "mine.yaml")
    line = caught.value.line()
    assert line.startswith("mine.yaml:")
    assert line.split(":")[1].strip().isdigit()
    assert words in line
    assert "\n" not in line


def test_the_ninth_answer_that_must_be_named_is_refused() -> None:
    steps = "".join(f"    - {{step: s{n}, say: Look there., answer: clear, matters: yes}}\n" for n in range(9))
    text = changed("  close:\n", f"  close:\n{steps}")
    with pytest.raises(InputError, match="is step 9 that matters in 'close'"):
        load(text, "mine.yaml")


def test_a_protocol_without_steps_is_refused() -> None:
    head = SHORT.split("stages:")[0]
    with pytest.raises(InputError, match="have no steps"):
        load(head + "stages: {dress: []}\n", "mine.yaml")


def test_a_file_of_ten_thousand_steps_is_refused() -> None:
    steps = "".join(f"    - {{step: s{n}, say: Look there., answer: done}}\n" for n in range(10_000))
    with pytest.raises(InputError, match="at most"):
        load(changed("  close:\n", f"  close:\n{steps}"), "mine.yaml")


@settings(deadline=None)
@given(st.text(max_size=300))
def test_any_text_loads_or_is_refused_with_an_error_for_people(text: str) -> None:
    with pytest.raises(InputError):
        load(text, "mine.yaml")


@settings(deadline=None)
@given(st.integers(0, len(SHORT) - 1), st.text(max_size=12))
def test_a_damaged_protocol_loads_or_is_refused_with_an_error_for_people(at: int, patch: str) -> None:
    said = "mine.yaml"
    try:
        load(SHORT[:at] + patch + SHORT[at + len(patch) + 1 :], "mine.yaml")
    except InputError as error:
        said = error.line()
    assert said.startswith(("mine.yaml", "shared/"))


def test_lint_names_an_answer_that_the_grammar_does_not_have() -> None:
    found = lint(load(changed("answer: clear", "answer: splendid"), "mine.yaml"), GRAMMAR)
    assert [error.what for error in found] == ["'splendid' is not a command of grammar 'en'"]
    assert "practice-look.answer" in found[0].line()


def test_lint_refuses_a_prompt_that_contains_its_own_answer() -> None:
    # rule 2, as text
    text = changed("Look at both gloves, every finger.", "Say clear when they are whole.")
    found = lint(load(text, "m.yaml"), GRAMMAR)
    assert [error.what for error in found] == ["contains the answer 'clear'"]


def test_lint_refuses_a_prompt_with_a_danger_word_that_is_always_heard() -> None:
    found = lint(load(changed("Look at both gloves, every finger.", "Is one of them torn?"), "m.yaml"), GRAMMAR)
    assert any("always listened for" in error.what for error in found)


def test_lint_misses_no_breach_kind_in_any_stage() -> None:
    text = changed("{kind: no-air, stages: [work], first", "{kind: no-air, stages: [], first")
    found = lint(load(text, "m.yaml"), GRAMMAR)
    assert [error.what for error in found] == ["has no rule for 'no-air' in 'work'"]
