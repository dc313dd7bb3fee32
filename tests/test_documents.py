"""What the documents say is what the program does: words, rules, topics, commands."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from voicecoach.cli import topics
from voicecoach.cli.main import main
from voicecoach.runtime import library

ROOT = Path(__file__).parents[1]
GRAMMAR = library.load_grammar("en")[0]
RULES = topics.page("rules", GRAMMAR)
CITED = re.compile(r"\brules? (\d+)(?:(?:,| (?:to|and)) (\d+))*")
"""'rule 7', 'rules 7 and 8', 'rules 15 to 18'."""


def cited(folder: str) -> dict[int, set[str]]:
    """Rule -> the Python files below `folder` that cite it; a span cites what lies between."""
    found: dict[int, set[str]] = {}
    for path in (ROOT / folder).rglob("*.py"):
        for text in CITED.finditer(path.read_text(encoding="utf-8")):
            numbers = [int(number) for number in re.findall(r"\d+", text.group())]
            if " to " in text.group():
                numbers = list(range(numbers[0], numbers[-1] + 1))
            for number in numbers:
                found.setdefault(number, set()).add(path.name)
    return found


def test_the_rules_are_numbered_from_one_without_a_gap() -> None:
    numbers = [int(number) for number in re.findall(r"^(\d+)\. \*\*", RULES, re.MULTILINE)]
    assert numbers == list(range(1, 42))


@pytest.mark.parametrize("folder", ["voicecoach", "tests"])
def test_every_rule_that_is_cited_is_there(folder: str) -> None:
    assert {number for number in cited(folder) if not 1 <= number <= 41} == set()


def test_the_readme_shows_the_words_that_the_grammar_has() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    table = "\n".join(topics.word_table(GRAMMAR))
    assert table in readme, "run: python -m voicecoach help words, and put its table into README.md"


def test_every_topic_is_a_page_and_an_unknown_one_is_one_line() -> None:
    for topic in topics.topics():
        done = CliRunner().invoke(main, ["help", topic])
        assert done.exit_code == 0, done.output
        assert done.stdout.startswith("# ")
    done = CliRunner().invoke(main, ["help", "cooking"])
    assert done.exit_code == 2
    assert "microphone" in done.output


def test_every_command_that_the_readme_shows_is_one() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    shown = set(re.findall(r"^voicecoach ([a-z]+)(?= .*#)", readme, re.MULTILINE))
    listed = CliRunner().invoke(main, ["--help"], env={"COLUMNS": "200"}).output
    assert shown
    assert {name for name in shown if not re.search(rf"\b{name}\b", listed)} == set()


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md"])
def test_every_file_that_a_document_names_is_there(document: str) -> None:
    text = (ROOT / document).read_text(encoding="utf-8")
    named = set(re.findall(r"`((?:tests|voicecoach|grammars|protocols)/[\w./-]+)`", text))
    assert {name for name in named if not (ROOT / name).exists()} == set()
