"""A piece named together with what is wrong with it, as one phrase: "gown is torn", "shield missing"."""

from __future__ import annotations

import pytest
from session_driver import Session, grammar, setup

from voicecoach.grammar import match
from voicecoach.session.events import Heard, Role

COMMANDS = tuple(command.name for command in grammar().commands)


def types(session: Session, words: str, role: Role = "wearer") -> list[str]:
    """Type words; what is said then."""
    session.said_out()
    command = match(grammar(), words, session.state.listening)
    effects = session.happens(Heard(session.at, command, words, session.at, session.at, role=role, source="key"))
    said = session.says(effects)
    session.said_out()
    return said


@pytest.mark.parametrize(
    ("words", "command", "piece"),
    [
        ("gown torn", "torn", "gown"),
        ("Gown is torn", "torn", "gown"),
        ("inner gloves are torn", "torn", "inner-gloves"),
        ("respirator torn", "torn", "mask"),
        ("boot covers missing", "missing", "boots"),
        ("torn", "torn", ""),
    ],
)
def test_the_phrase_is_its_fault_and_names_its_piece(words: str, command: str, piece: str) -> None:
    assert match(grammar(), words, COMMANDS) == command
    assert grammar().piece_in(words) == piece


@pytest.mark.parametrize(
    ("words", "step"),
    [
        ("gown torn", "rub-for-damage"),
        ("gown is torn", "rub-for-damage"),
        ("inner gloves torn", "both-rub-outer"),
        ("outer gloves torn", "torn-outer-rub"),
        ("respirator torn", "torn-respirator-stays"),
    ],
)
@pytest.mark.parametrize("name", ["n95-gown", "ambulance-bay"])
def test_in_removal_a_named_piece_is_not_asked_for_again(begin, name: str, words: str, step: str) -> None:
    """Rule 29: the first words, and then that piece's own way."""
    session = begin(name, "pair", independent=True)
    session.go_to("rub-outer-1")
    assert types(session, words) == ["Hands away from everything."]
    if step == "rub-for-damage":
        session.answer_step()
    assert session.step == step
    assert session.noted("deviation")[-1]["fault"] == "torn"


def test_gloves_of_two_layers_are_asked_about(begin) -> None:
    """Rule 29: only what can mean one piece alone goes unasked."""
    session = begin("n95-gown")
    session.go_to("rub-outer-1")
    types(session, "gloves torn")
    assert session.state.question == "torn-piece"


def test_at_work_the_way_out_comes_first_and_the_piece_is_not_asked_for(begin) -> None:
    session = begin("n95-gown")
    session.go_to_work()
    assert types(session, "gown torn") == ["Move back. Hands away from everything."]
    session.answer_step()
    session.answer_step()
    assert (session.state.question, session.state.ledger.torn) == ("skin", ("gown",))


@pytest.mark.parametrize(
    ("at", "words"), [("look-all-over", "gown torn"), ("look-at-inner-gloves", "inner gloves torn")]
)
def test_at_a_look_the_named_piece_takes_its_way_as_well(begin, at: str, words: str) -> None:
    session = begin("n95-gown", "pair", independent=True)
    session.go_to(at)
    types(session, words, "observer")
    assert session.noted("branch")
    assert session.state.question == ""
    assert session.step in {"hands-from-damage", "torn-rub"}


def test_at_a_look_at_other_pieces_it_is_an_incident(begin) -> None:
    session = begin("n95-gown", "pair", independent=True)
    session.go_to("look-at-inner-gloves")
    assert types(session, "gown torn", "observer") == ["Hands away from everything."]
    assert session.step == "hands-from-damage"


@pytest.mark.parametrize("words", ["gown torn", "torn"])
def test_the_piece_that_is_being_put_on_can_be_the_torn_one(begin, words: str) -> None:
    """Rule 29: it is not on yet, and a fresh one is taken."""
    session = begin("n95-gown")
    session.go_to("gown-on")
    types(session, words)
    if words == "torn":
        types(session, "the gown")
    assert session.step == "piece-changed"
    types(session, "done")
    assert session.step == "gown-on"


@pytest.mark.parametrize("words", ["missing", "gown missing"])
def test_a_piece_that_is_missing_while_dressing_is_fetched_or_nobody_goes_in(begin, words: str) -> None:
    """Rule 37."""
    session = begin("n95-gown")
    session.go_to("gown-on")
    types(session, words)
    assert session.step == "piece-fetched"
    types(session, "yes")
    assert session.step == "gown-on"
    types(session, words)
    types(session, "no")
    assert session.step == "nobody-goes-in"


def test_no_engine_listens_for_the_phrases_that_are_typed() -> None:
    spoken = {phrase for command in setup().grammar.commands for phrase in command.phrases}
    assert not spoken & {phrase for phrase, _, _ in grammar().typed}
