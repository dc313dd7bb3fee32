"""What words are mistaken for: counted from utterances, ranked by cost, and better words that were heard too."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from voicecoach.audio.line import Samples
from voicecoach.cli.main import main
from voicecoach.grammar import Grammar, Scored, parse
from voicecoach.listen import confusion
from voicecoach.listen.confusion import Trial, cost, find, instead_of
from voicecoach.simulate.confusions import ROOMS, Bench

SMALL = """grammar: small
language: en
version: "1"
risks: {routine: {floor: -2}, danger: {floor: -2}, matters: {floor: -2}}
commands:
  danger: {breach: breach}
  routine: {done: [done, step complete]}
items: {shield: shield, hood: hood}
states: {"on": ["on"], "off": ["off"]}
decoys: [beach, gone]
"""
GRAMMAR = parse(SMALL, "small.yaml")


class Hearing:
    """An engine that hears each phrase as a table says, and anything else as it was said. Sounds carry a number."""

    engine = "table"

    def __init__(self, texts: list[str], mistakes: dict[str, str]) -> None:
        self.texts, self.mistakes = texts, mistakes
        self.prepared = 0

    def prepare(self, grammar: Grammar) -> Grammar:
        self.owners = {phrase: command.name for command in grammar.commands for phrase in command.phrases}
        self.prepared += 1
        return grammar

    def score(self, samples: Samples, live: Collection[str]) -> tuple[list[Scored], float | None]:
        text = self.texts[(len(samples) - 8000) // 100 - 1]
        heard = self.owners.get(self.mistakes.get(text, text), "")
        return [Scored(name, name, 0.0 if name == heard else -5.0) for name in live], None


def bench(mistakes: dict[str, str], voices: Sequence[str] = ("one", "two")) -> Bench:
    texts: list[str] = []

    def render(wanted: Sequence[str], _voice: str) -> list[Samples]:
        made = []
        for text in wanted:
            if text not in texts:
                texts.append(text)
            made.append(np.full(100 * texts.index(text) + 100, 0.1, np.float32))  # the length names the text
        return made

    return Bench(Hearing(texts, mistakes), GRAMMAR, voices, render)


def test_the_opposite_of_what_was_said_comes_first_and_any_other_word_last() -> None:
    trials = [
        Trial("shield off", "shield-off", "shield-on", rivals=(("shield-on", True, True),)),
        Trial("done", "done", "breach", rivals=(("breach", True, True),)),
        Trial("breach", "breach", "done", rivals=(("done", True, True),)),
        Trial("hood on", "hood-on", "shield-on", rivals=(("shield-on", False, True),)),
        Trial("step complete", "done", "done"),
        Trial("beach", "", "breach"),
    ]
    found = find(GRAMMAR, trials)
    assert [c.cost for c in found.confusions] == [
        "false confirmation", "false confirmation", "danger missed", "false alarm"
    ]  # fmt: skip
    assert [c.phrase for c in found.confusions] == ["shield off", "hood on", "breach", "done"]
    assert found.decoys == (("beach", "breach"),)


@pytest.mark.parametrize(
    ("said", "taken", "what"),
    [
        ("shield-off", "shield-on", "false confirmation"), ("hood-off", "shield-off", "false confirmation"),
        ("no", "yes", "false confirmation"), ("breach", "done", "danger missed"), ("done", "breach", "false alarm"),
        ("shield-on", "hood-off", "wrong word"), ("shield-on", "done", "wrong word"),
    ],
)  # fmt: skip
def test_a_mistake_costs_what_it_leads_to(said: str, taken: str, what: str) -> None:
    assert cost(GRAMMAR, said, taken) == what


def test_a_word_that_an_engine_mixes_up_is_found_and_one_that_it_hears_better_is_proposed() -> None:
    made = bench({"shield off": "shield on"})
    progress: list[tuple[int, int]] = []
    found, better = made.run(lambda done, total: progress.append((done, total)))
    worst = found.confusions[0]
    assert (worst.phrase, worst.taken_for, worst.beside, worst.of) == ("shield off", "shield-on", 4, 2 * len(ROOMS))
    assert better["shield off"] == ("shield removed", 4, 4)
    assert progress[-1][0] == progress[-1][1]
    lines = confusion.lines(found, better)
    assert lines[0].startswith("false confirmation: ")
    assert "better: 'shield removed' (understood 4 of 4 times)" in lines[1]


def test_a_grammar_without_trouble_says_so() -> None:
    found, better = bench({}).run(lambda _done, _total: None)
    assert (found.confusions, found.weak, better) == ((), (), {})
    assert confusion.lines(found, better) == [
        "nothing is mixed up, and every phrase is understood at least half the time"
    ]


def test_proposals_are_no_phrases_already_and_only_in_english() -> None:
    command = GRAMMAR.command("shield-off")
    assert command is not None
    assert instead_of(GRAMMAR, command, "shield off") == ["shield removed", "shield is off", "the shield off"]
    korean = parse(SMALL.replace("language: en", "language: ko"), "small.yaml")
    assert instead_of(korean, command, "shield off") == []


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("done: [done", "done: [a, done"), ["bad.yaml", "'a'", "single sound"]),
        (("done: [done", "done: [完了, done"), ["bad.yaml", "'完了'", "cannot be spelt"]),
        (("language: en", "language: fr"), ["bad.yaml", "'breach'", "'fr'"]),
    ],
)
def test_words_that_no_engine_can_hear_are_named_with_their_file(
    change: tuple[str, str], words: list[str], tmp_path: Path
) -> None:
    pytest.importorskip("hama", reason="the phoneme engine has no library for Windows")
    file = tmp_path / "bad.yaml"
    file.write_text(SMALL.replace(*change), encoding="utf-8")
    result = CliRunner().invoke(main, ["grammar", str(file), "--engine", "phonemes", "--voices", "1"])
    assert result.exit_code == 2
    assert len(result.stderr.strip().splitlines()) == 1
    assert all(word in result.stderr for word in words)


def test_a_thousand_commands_are_refused_with_their_line(tmp_path: Path) -> None:
    many = "".join(f"    word-{chr(97 + n % 26)}{n}: word {n}\n" for n in range(1000))
    file = tmp_path / "many.yaml"
    head = SMALL.partition("  routine:")[0].rstrip()
    file.write_text(f"{head}\n  routine:\n{many}decoys: []\n", encoding="utf-8")
    result = CliRunner().invoke(main, ["grammar", str(file)])
    assert result.exit_code == 2
    assert "many.yaml:" in result.stderr
    assert "1,001 commands" in result.stderr


def test_the_typed_recogniser_hears_no_words_to_mix_up() -> None:
    result = CliRunner().invoke(main, ["grammar", "en", "--engine", "typed"])
    assert result.exit_code == 2
    assert "does not listen to sound" in result.stderr
