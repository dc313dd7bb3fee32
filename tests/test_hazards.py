"""Each hazard has a control, a test that shows it, and a word on what is left."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
HEAD = ("No.", "Hazard, as a moment of use", "Way to harm", "Control", "Shown by", "What is left")
NAMED = re.compile(r"`([\w/]+\.py)::(test_\w+)`")
WANTED = (
    "misheard", "unheard", "wrong person", "wrong step", "ended", "delayed breach", "reflex answers", "a patient's",
    "record lost", "private speech kept",
)  # fmt: skip


def rows() -> list[tuple[str, ...]]:
    """The cells of every row of the table, its head first."""
    lines = (TESTS / "HAZARDS.md").read_text(encoding="utf-8").splitlines()
    table = [line for line in lines if line.startswith("|") and not line.startswith("|-")]
    return [tuple(cell.strip() for cell in line.strip("|").split("|")) for line in table]


@cache
def functions(file: Path) -> frozenset[str]:
    tree = ast.parse(file.read_text(encoding="utf-8"))
    return frozenset(node.name for node in tree.body if isinstance(node, ast.FunctionDef))


HAZARDS = rows()[1:]


def test_the_table_has_its_columns_and_numbers_that_rise() -> None:
    assert rows()[0] == HEAD
    assert [row[0] for row in HAZARDS] == [f"H{number}" for number in range(1, len(HAZARDS) + 1)]


@pytest.mark.parametrize("row", HAZARDS, ids=lambda row: row[0])
def test_every_cell_of_a_hazard_is_filled_and_its_control_is_of_a_kind(row: tuple[str, ...]) -> None:
    assert len(row) == len(HEAD)
    assert all(row)
    assert re.match(r"[DPI]: ", row[3])


@pytest.mark.parametrize("row", HAZARDS, ids=lambda row: row[0])
def test_every_hazard_names_tests_that_are_there(row: tuple[str, ...]) -> None:
    named = NAMED.findall(row[4])
    assert named, f"{row[0]} has no test"
    assert len(named) == row[4].count("`") // 2, "a test is written in another form"
    gone = [f"{file}::{test}" for file, test in named if not (TESTS / file).is_file()]
    gone += [f"{file}::{test}" for file, test in named if not gone and test not in functions(TESTS / file)]
    assert gone == []


@pytest.mark.parametrize("words", WANTED)
def test_the_hazards_that_any_such_coach_has_are_in_the_table(words: str) -> None:
    assert any(words in row[1].lower() for row in HAZARDS)
