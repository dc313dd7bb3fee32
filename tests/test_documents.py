"""What the documents say is what the program does: words, rules, topics, commands."""

from __future__ import annotations

import ast
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
CITED = re.compile(r"\brules? (\d+)(?:(?:,| to| and) (\d+))*", re.IGNORECASE)
"""'rule 7', 'rules 7, 9 and 16', 'rules 15 to 18'."""
COUNT = 41


def rules_in(text: str) -> set[int]:
    """The rules that a text cites; a span cites what lies between."""
    found: set[int] = set()
    for citation in CITED.finditer(text):
        numbers = [int(number) for number in re.findall(r"\d+", citation.group())]
        found |= set(range(numbers[0], numbers[-1] + 1)) if " to " in citation.group() else set(numbers)
    return found


def cited(folder: str) -> set[int]:
    """The rules that the Python files below `folder` cite."""
    return {rule for path in (ROOT / folder).rglob("*.py") for rule in rules_in(path.read_text(encoding="utf-8"))}


def cited_by_tests() -> set[int]:
    """The rules that test functions cite, in their docstrings or comments; what only heads a file does not count."""
    found: set[int] = set()
    for path in (ROOT / "tests").rglob("test_*.py"):
        text = path.read_text(encoding="utf-8")
        lines = text.splitlines()
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                found |= rules_in("\n".join(lines[node.lineno - 1 : node.end_lineno]))
    return found


def test_the_rules_are_numbered_from_one_without_a_gap() -> None:
    numbers = [int(number) for number in re.findall(r"^(\d+)\. \*\*", RULES, re.MULTILINE)]
    assert numbers == list(range(1, COUNT + 1))


@pytest.mark.parametrize("folder", ["voicecoach", "tests"])
def test_every_rule_that_is_cited_is_there(folder: str) -> None:
    assert {number for number in cited(folder) if not 1 <= number <= COUNT} == set()


def test_every_rule_is_held_by_a_test_that_cites_it() -> None:
    assert set(range(1, COUNT + 1)) - cited_by_tests() == set()


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
