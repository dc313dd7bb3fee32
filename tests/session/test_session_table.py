from __future__ import annotations

import ast
import inspect
from pathlib import Path

import pytest

from voicecoach.session.actions.by_name import ACTIONS
from voicecoach.session.diagram import mermaid
from voicecoach.session.guards import GUARDS
from voicecoach.session.interpret import answers, dispatch, intent, replies, word_tried
from voicecoach.session.table import OPEN, OVER, STATES, TABLE
from voicecoach.session.vocabulary import ASKED_OF_OBSERVER, REPLIES


def triggers_given() -> set[str]:
    """The first argument of every Intent(...) in the code that finds meanings."""
    found = set()
    for module in (dispatch, answers, replies, word_tried, intent):
        for node in ast.walk(ast.parse(inspect.getsource(module))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Intent":
                first = node.args[0]
                assert isinstance(first, ast.Constant), ast.unparse(node)
                found.add(first.value)
    return found


def test_every_trigger_that_an_intent_gives_is_in_the_table_and_the_other_way_round() -> None:
    assert triggers_given() - {""} == {row.trigger for row in TABLE}


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row.trigger}-{row.target}")
def test_every_guard_and_action_of_the_table_has_its_function(row) -> None:
    assert [name for name in row.guards if name not in GUARDS] == []
    assert [name for name in row.actions if name not in ACTIONS] == []
    assert {*row.sources, row.target} <= {*STATES, "="}


def test_no_guard_and_no_action_is_there_for_nothing() -> None:
    assert {name for row in TABLE for name in row.guards} == set(GUARDS)
    assert {name for row in TABLE for name in row.actions} == set(ACTIONS)


def test_no_row_leads_out_of_a_session_that_is_over() -> None:
    assert [row for row in TABLE if set(row.sources) & set(OVER)] == []


def test_danger_has_a_row_in_every_open_state() -> None:
    """Rules 7 and 8."""
    for trigger in ("breach", "stopped"):
        assert {state for row in TABLE if row.trigger == trigger for state in row.sources} == set(OPEN)


def test_each_question_knows_what_its_answers_come_to() -> None:
    assert set(replies._REPLIES) == set(REPLIES)
    assert set(ASKED_OF_OBSERVER) <= set(REPLIES)


def test_a_session_is_over_only_on_a_confirmed_word_or_when_told_to_with_nothing_on() -> None:
    """Rule 19."""
    assert {row.trigger for row in TABLE if row.target in OVER} == {"ended", "finished", "shutdown_asked"}


def test_the_diagram_in_the_developers_guide_is_the_one_the_table_gives() -> None:
    guide = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert mermaid() in guide, "python -m voicecoach.session.diagram gives the new one"
