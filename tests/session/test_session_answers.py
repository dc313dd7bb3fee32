"""What people naturally say leads somewhere, wherever somebody is waited for (rule 32)."""

from __future__ import annotations

from functools import cache
from typing import Literal

import pytest
from session_driver import Session, grammar, setup

from voicecoach.grammar import match
from voicecoach.protocol.navigation.position import steps_named
from voicecoach.session import naturals
from voicecoach.session.events import Role
from voicecoach.session.naturals import NOTHING, SILENCE, Wait, table, text

NAMED = ("yes", "no", "i don't know", "it is off", "not yet", "not finished", "i can't", SILENCE)
"""Those that the rule names, the refusals among them, and silence."""
Mode = Literal["solo", "pair"]


@cache
def waits(protocol: str, mode: Mode) -> tuple[Wait, ...]:
    return table(setup(protocol), mode)


def at(protocol: str, mode: Mode, name: str) -> dict[str, str]:
    return dict(next(wait for wait in waits(protocol, mode) if wait.name == name).outcomes)


SEEN = [
    ("short-practice", "solo"),
    *(pytest.param(name, "pair", marks=pytest.mark.long) for name in ("n95-gown",)),
]


@pytest.mark.parametrize(("protocol", "mode"), SEEN)
def test_nothing_that_the_rule_names_is_met_with_nothing(protocol: str, mode: Mode) -> None:
    """Only while a face piece is being moved nobody is asked for words (rule 5), and silence moves that on."""
    quiet = {name for name, step in steps_named(setup(protocol).protocol).items() if step.quiet_s}
    bad = [
        (wait.name, said)
        for wait in waits(protocol, mode)
        for said, outcome in wait.outcomes
        if said in NAMED and outcome == NOTHING and not (wait.name in quiet and said != SILENCE)
    ]
    assert bad == []


def test_the_table_reaches_every_step_of_the_way_and_the_coachs_questions() -> None:
    names = {wait.name for wait in waits("n95-gown", "pair")}
    main = {step.name for plan in setup("n95-gown").protocol.stages if plan.stage != "work" for step in plan.steps}
    assert main <= names
    assert {
        f"question '{q}'"
        for q in ("all-right", "down", "go-alone", "where", "touched", "back", "right", "item", "end", "all-clear")
    } <= names


def test_a_question_takes_its_yes_and_its_no() -> None:
    """'Any leak?' takes no, 'every piece there?' takes nothing missing, and who does not know goes the careful way."""
    leak = at("n95-gown", "pair", "seal-check")
    assert leak["no"].startswith("goes to hood-on")
    assert leak["no leak"] == leak["no"]
    assert leak["yes"] == leak["i don't know"]
    assert not leak["yes"].startswith("goes to hood-on")
    pieces = at("n95-gown", "pair", "look-at-set")
    assert pieces["nothing missing"].startswith("goes to first-hand-rub")
    assert pieces["yes"] == pieces["nothing missing"]
    assert not pieces["no"].startswith("goes to first-hand-rub")


def test_an_inspection_takes_no_yes_and_no_no() -> None:
    """Rule 3: looked-and-found and did-not-look must not sound alike."""
    look = at("n95-gown", "pair", "look-at-inner-gloves")
    assert {look[said].split(",")[0] for said in ("yes", "no", "done", "nothing missing")} == {"stays"}
    assert look["all clear"].startswith("goes to rub-inner-1")


def test_it_is_off_does_not_pass_a_step_that_matters_and_not_yet_gets_patience() -> None:
    gown = at("n95-gown", "pair", "gown-away")
    assert gown["it is off"] == 'stays, and says "Name the piece and how it is; a fault by itself."'
    assert gown["not yet"] == gown["no"] == 'stays, and says "Take your time. I wait."'
    assert gown["i can't"] == 'goes to gown-away (everything stopped): "Everything waits. What happened?"'


def test_the_observers_no_is_not_clear() -> None:
    word = at("n95-gown", "pair", "gown-away (observer's word)")
    assert word["no"] == word["still on"]
    assert word["no"].startswith("goes to question")
    assert word["all clear"].startswith("goes to rub-inner-4")
    assert word["yes"].startswith("stays")


def test_who_hesitates_to_end_does_not_end() -> None:
    end = at("n95-gown", "pair", "question 'end'")
    assert "the record is closed" not in {end["i don't know"], end["not yet"], end["i can't"], end[SILENCE]}


def test_the_table_for_people_puts_together_what_is_answered_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(naturals, "table", lambda *_: waits("short-practice", "solo"))  # made once for all tests
    shown = text(setup("short-practice"), "solo")
    assert "no, not yet, not finished: stays, and says" in shown
    assert shown.count("\n\n") >= 40


@pytest.mark.parametrize(("at", "key"), [("shield-on", "hint-item"), ("look-at-inner-gloves", "hint-look")])
def test_who_says_a_piece_and_its_fault_in_one_breath_twice_is_led_to_the_fault_by_itself(at: str, key: str) -> None:
    """Rule 32. "Shield missing" as one phrase is for the keyboard; a voice says "missing" by itself."""
    session = Session(setup("n95-gown"), "pair", independent=True)
    session.go_to(at)
    role: Role = "observer" if key == "hint-look" else "wearer"
    said = []
    for _ in range(3):
        said.append(session.says(session.hear(None, role=role, quiet=False)))
        session.said_out()
    assert said == [[session.setup.grammar.say("say-again")], [session.setup.grammar.say(key)], []]


def test_a_room_that_is_not_understood_is_never_told_more() -> None:
    """Scene S5: one "say again" at most."""
    session = Session(setup("n95-gown"), "pair", independent=True)
    session.go_to("shield-on")
    session.hear(None, role="unknown")
    assert session.says(session.hear(None, role="unknown", quiet=False)) == []


def test_what_the_hint_at_a_look_suggests_counts_when_it_is_typed() -> None:
    for words, command in (("whole", "clear"), ("damaged", "torn"), ("it is dirty", "soiled")):
        assert match(grammar(), words, ("clear", "torn", "soiled")) == command
