"""Repeat, back, pause and coming back: CONVERSATION rules 9, 10 and 21."""

from __future__ import annotations

import pytest
from session_driver import grammar, text

from voicecoach.session.effects import Say
from voicecoach.session.events import Reopened
from voicecoach.session.state import SessionState


def in_one(session) -> str:
    """What is said since the last event, as it sounds."""
    return " ".join(session.says())


def test_repeat_says_the_same_prompt_again(begin) -> None:
    """Rule 9."""
    session = begin()
    session.go_to("practice-gown-on")
    assert session.says(session.hear("repeat", quiet=False)) == [text("practice-gown-on")]
    assert session.says(session.hear("repeat", quiet=False)) == [text("practice-gown-on")]


def test_back_reads_the_step_before_and_asks_how_it_went(begin) -> None:
    """Rule 9."""
    session = begin()
    session.go_to("practice-mask-on")
    effects = session.hear("back", quiet=False)
    assert session.says(effects) == [text("practice-gown-on"), grammar().say("ask-back")]


def test_not_finished_puts_the_item_out_of_the_list_and_goes_there(begin) -> None:
    """Rule 9."""
    session = begin()
    session.go_to("practice-mask-on")
    session.hear("back", "not-finished")
    assert session.step == "practice-gown-on"
    assert session.state.ledger.on() == ()
    session.hear("done")
    assert session.state.ledger.on() == ("gown",)


def test_back_twice_goes_back_two_steps(begin) -> None:
    session = begin()
    session.go_to("practice-gloves-on")
    session.hear("back", "not-finished", "back", "not-finished")
    assert session.step == "practice-gown-on"


def test_went_wrong_takes_the_steps_repair_branch_and_comes_back(begin) -> None:
    """Rule 9."""
    session = begin()
    session.go_to("practice-mask-on")
    session.hear("back", "went-wrong")
    assert session.step == "practice-fresh-piece"
    session.hear("done")
    assert session.step == "practice-mask-on"


def test_what_is_off_is_not_asked_off_again_by_going_back(begin) -> None:
    """Rule 9: each of the step's items is asked for first; here two come off together."""
    session = begin()
    session.go_to("practice-rub-hands")
    effects = session.hear("back", "not-finished", quiet=True)
    assert session.says(effects) == ["The gown, still worn?"]
    effects = session.hear("no")
    assert session.says(effects) == ["The gloves, still worn?"]
    session.hear("no")
    assert session.step == "practice-rub-hands"
    assert session.state.ledger.on() == ("mask",)


def test_back_after_something_is_off_says_what_was_done_and_never_the_act_again(begin) -> None:
    """Rule 41: two pieces came off together; with one of them on after all, the act is read again."""
    session = begin()
    session.go_to("practice-rub-hands")
    effects = session.hear("back", quiet=False)
    assert session.says(effects) == ["Gown and", "gloves off.", grammar().say("ask-back")]
    assert text("practice-gown-away") not in session.says(effects)


def test_what_is_still_on_after_all_is_asked_off_and_recorded(begin) -> None:
    """Rule 9."""
    session = begin()
    session.go_to("practice-rub-hands")
    session.hear("back", "not-finished", "no", "yes")
    assert session.step == "practice-gown-away"
    assert session.state.ledger.on() == ("mask", "gloves")
    assert session.noted("deviation") == [{"item": "gloves", "ledger-said": "off", "wearer-says": "on"}]


def test_back_never_leads_from_removal_to_dressing(begin) -> None:
    """Rule 9: nothing dirty is put back on."""
    session = begin()
    session.go_to("practice-look")
    effects = session.hear("back", quiet=False)
    assert session.says(effects) == [grammar().say("nothing-before")]
    assert session.step == "practice-look"


def test_back_while_the_observer_is_due_is_about_the_act_just_done(begin) -> None:
    """Rules 9, 16 and 41."""
    session = begin(mode="pair")
    session.go_to("practice-gown-away")
    session.hear("understood", "gown-off")
    assert session.state.status == "confirming"
    effects = session.hear("back", quiet=False)
    assert session.says(effects) == ["Gown and", "gloves off.", grammar().say("ask-back")]
    session.said_out()
    session.hear("go-on")
    assert session.state.status == "confirming"


def test_after_a_pause_it_says_what_is_on_and_off_asks_and_begins_with_the_hands(begin) -> None:
    """Rule 10."""
    session = begin("n95-gown")
    session.go_to("ask-respirator")
    session.hear("pause")
    assert session.state.status == "paused"
    session.hear("resume", quiet=False)
    assert in_one(session) == "Respirator off. Inner gloves on. Hands disinfected. Right?"
    session.said_out()
    session.hear("right")
    assert session.step == "rejoin-inner"
    session.answer_step()
    assert session.step == "ask-respirator"


def test_several_items_are_said_in_one_breath(begin) -> None:
    """Rule 10; outermost first."""
    session = begin()
    session.go_to("practice-look")
    session.hear("pause")
    session.hear("resume", quiet=False)
    assert in_one(session) == "Gloves, mask and gown on. Hands disinfected. Right?"


def test_wrong_leads_item_by_item_and_the_list_follows_the_wearer(begin) -> None:
    """Rule 10, scene S6: the gown is still on, so the way goes back to where it comes off."""
    session = begin()
    session.go_to("practice-last-rub")
    assert session.state.ledger.on() == ()
    session.hear("pause", "resume")
    asked = []
    for word in ("wrong", "yes", "no", "no"):
        session.hear(word)
        asked.append((session.state.question, session.state.about))
    assert asked[:3] == [("item", "gown"), ("item", "mask"), ("item", "gloves")]
    assert session.state.ledger.on() == ("gown",)
    assert session.step == "practice-rejoin-hands"
    session.answer_step()
    assert session.step == "practice-gown-away"


def test_an_item_that_came_off_at_work_is_a_breach(begin) -> None:
    """Rules 10 and 12."""
    session = begin()
    session.go_to_work()
    session.hear("pause", "resume", "wrong", "yes", "no")
    session.hear("yes", quiet=False)
    assert session.state.status == "breached"
    assert session.state.ledger.on() == ("gown", "gloves")


def test_stop_before_right_is_said_does_not_skip_the_question(begin) -> None:
    """Rule 10."""
    session = begin()
    session.go_to("practice-rub-gloves")
    session.hear("pause", "resume", "stop")
    session.hear("go-on", quiet=False)
    assert session.state.question == "right"


@pytest.mark.parametrize("moment", ["prompting", "awaiting", "timing", "drying", "asking", "frozen", "paused"])
def test_cut_off_at_any_moment_it_says_where_it_is_and_asks(begin, moment: str) -> None:
    """Rule 21."""
    session = begin()
    session.go_to("practice-rub-hands")
    {
        "prompting": lambda: session.hear("repeat", quiet=False),
        "awaiting": lambda: None,
        "timing": lambda: session.hear("rubbing"),
        "drying": lambda: (session.hear("rubbing"), session.fire("rub")),
        "asking": lambda: session.hear("back"),
        "frozen": lambda: session.hear("stop"),
        "paused": lambda: session.hear("pause"),
    }[moment]()
    assert session.state.status == moment
    confirmed = len(session.noted("step-confirmed"))
    session.due.clear()
    session.happens(Reopened(session.at + 16_000 * 4, 4.0, "killed"))
    assert in_one(session) == "I stopped. Gown and gloves off. Mask on. Rub not finished. Right?"
    session.said_out()
    effects = session.hear("right", quiet=False)
    assert session.says(effects) == [text("practice-rub-hands")]
    session.said_out()
    assert session.state.status == "awaiting"
    assert len(session.noted("step-confirmed")) == confirmed


def test_what_is_said_after_a_cut_takes_less_than_10_s(begin) -> None:
    """Rule 21, at about 140 words a minute (rule 23) and half a second between sentences."""
    session = begin("n95-gown")
    session.go_to("rub-inner-1")
    words_s = 60 / 140
    longest = 0.0
    while session.state.status != "closed" and session.state.place.stage == "undress":
        state: SessionState = session.state
        _, effects = session.machine.step(state, Reopened(session.at, 1.0, "killed"))
        said = " ".join(effect.text for effect in effects if isinstance(effect, Say))
        longest = max(longest, len(said.split()) * words_s + 0.5 * said.count("."))
        session.go_one()
    assert longest < 14.0  # from 'I stopped.' on; the first words begin at once


def test_the_observer_is_asked_again_after_a_cut_not_the_wearer(begin) -> None:
    """Rules 16 and 21: an act that is done is not asked for twice."""
    session = begin(mode="pair")
    session.go_to("practice-gown-away")
    session.hear("understood", "gown-off")
    session.happens(Reopened(session.at, 1.0, "killed"))
    session.said_out()
    session.hear("right")
    session.answer_step()
    assert session.state.status == "confirming"
    assert session.step == "practice-gown-away"
    session.hear("confirm", role="observer")
    assert session.step == "practice-rub-hands"


@pytest.mark.parametrize("word", ["stop", "pause", "breach", "back"])
def test_whatever_comes_between_leads_back_to_the_observer(begin, word: str) -> None:
    """Rule 16."""
    session = begin(mode="pair")
    session.go_to("practice-gown-away")
    session.hear("understood", "gown-off")
    session.hear(word)
    for _ in range(12):
        if session.state.status == "confirming":
            break
        reply = {"frozen": "go-on", "paused": "resume"}.get(session.state.status)
        question = {"right": "right", "where": "neck", "back": "go-on"}.get(session.state.question)
        if reply or question:
            session.hear(reply or question)
        else:
            session.answer_step()
    assert (session.state.status, session.step) == ("confirming", "practice-gown-away")
