"""Who answers what: CONVERSATION rules 15 to 18."""

from __future__ import annotations

from dataclasses import replace

import pytest
from session_driver import Session, grammar, setup, text

from voicecoach.session.effects import Say
from voicecoach.session.events import Heard, Reopened


def test_only_the_role_of_an_act_answers_it(begin) -> None:
    """Rule 15, scene S3: the hose is the assistant's."""
    session = begin("papr-gown", "pair")
    step = next(s for s in session.setup.protocol.steps("undress") if s.role == "assistant" and not s.timing)
    session.go_to(step.name)
    if session.state.status == "acknowledging":
        session.hear("understood", role="assistant")
    effects = session.hear(step.answers[0], role="wearer", quiet=False)
    assert session.says(effects) == [grammar().say("assistant-must")]
    assert session.step == step.name
    assert session.noted("step-refused")[-1]["by"] == "wearer"
    session.said_out()
    session.hear(step.answers[0], role="assistant")
    assert session.state.status == "confirming" or session.step != step.name


def test_another_roles_word_over_the_prompt_does_not_cut_it(begin) -> None:
    """Rules 7 and 15."""
    session = begin(mode="pair")
    session.go_to("practice-rub-hands")
    session.hear("repeat", quiet=False)
    session.voice()
    effects = session.hear("rubbing", role="observer", quiet=False)
    assert session.says(effects) == [text("practice-rub-hands")]
    assert session.state.status == "prompting"


def test_a_voice_on_nobodys_channel_answers_nothing(begin) -> None:
    """Rule 15, scene S5: with channels that tell people apart, an unknown voice is the room's."""
    session = begin(mode="pair")
    session.go_to("practice-gown-away")
    session.hear("understood")
    session.hear("gown-off", role="unknown")
    assert session.step == "practice-gown-away"
    assert session.state.status == "awaiting"


def test_on_one_microphone_a_word_counts_and_is_marked(begin) -> None:
    """Rule 15."""
    session = begin(mode="pair", independent=False)
    session.go_to("practice-look")
    session.hear("clear", "confirm", role="unknown")
    assert session.step == "practice-rub-gloves"
    weak = [note["step"] for note in session.noted("not-independent") if note.get("step") == "practice-look"]
    assert weak


def test_instruct_acknowledge_act_confirm(begin) -> None:
    """Rule 16."""
    session = begin(mode="pair")
    session.go_to("practice-gown-away")
    assert session.state.status == "acknowledging"
    session.hear("understood")
    assert session.state.status == "awaiting"
    effects = session.hear("gown-off", quiet=False)
    assert session.says(effects) == ["Gown off: please check, observer."]
    assert session.state.status == "confirming"


def test_the_wearer_cannot_confirm_for_the_observer(begin) -> None:
    """Rule 15, scene S2."""
    session = begin(mode="pair")
    session.go_to("practice-gown-away")
    session.hear("understood", "gown-off")
    effects = session.hear("confirm", quiet=False)
    assert session.says(effects) == [grammar().say("observer-must")]
    assert session.state.status == "confirming"


def test_a_confirm_said_before_the_act_was_answered_is_early(begin) -> None:
    """Rules 4 and 16: a reflex is not an observation."""
    session = begin(mode="pair")
    session.go_to("practice-look")
    session.hear("clear", quiet=False)
    begun = session.state.answers_from - 2000
    session.happens(Heard(session.at + 10, "confirm", "confirm", begun, session.at, role="observer"))
    assert session.state.status == "confirming"
    assert session.noted("early-answer")[-1]["word"] == "confirm"


def test_not_clear_is_asked_about_never_answered_with_the_removal_again(begin) -> None:
    """Rule 16: item, fault, repair, and the observer again."""
    session = begin(mode="pair")
    session.go_to("practice-gown-away")
    session.hear("understood", "gown-off")
    said = []
    for word in ("not-clear", "mask-on", "loose"):
        session.hear(word, role="observer", quiet=False)
        said += session.says()
        session.said_out()
    assert said[:2] == [grammar().say("ask-piece"), grammar().say("ask-fault")]
    deviation = session.noted("deviation")[-1]
    assert (deviation["item"], deviation["fault"], deviation["by"]) == ("mask", "loose", "observer")
    assert session.step == "practice-again-hands"
    session.answer_step()
    assert (session.state.status, session.step) == ("confirming", "practice-gown-away")
    prompts = [line for line in said if text("practice-gown-away") in line]
    assert prompts == []


def test_a_fault_may_be_named_without_its_piece(begin) -> None:
    """Rule 16: what the step looked at is meant."""
    session = begin(mode="pair")
    session.go_to("practice-look")
    session.hear("clear")
    session.hear("not-clear", "torn", role="observer")
    assert session.noted("deviation")[-1]["item"] == "gloves"
    assert session.step == "practice-torn-rub"


@pytest.mark.parametrize("question", ["piece", "fault"])
def test_a_stop_while_the_fault_is_asked_for_leads_back_to_it(begin, question: str) -> None:
    session = begin(mode="pair")
    session.go_to("practice-look")
    session.hear("clear")
    session.hear("not-clear", *(["gloves-on"] if question == "fault" else []), role="observer")
    assert session.state.question == question
    session.hear("stop", "go-on")
    assert session.state.question == question
    session.hear("torn", role="observer")
    assert session.step == "practice-torn-rub"


def test_the_wearer_does_not_name_the_observers_fault(begin) -> None:
    session = begin(mode="pair")
    session.go_to("practice-look")
    session.hear("clear")
    session.hear("not-clear", role="observer")
    session.hear("loose")
    assert session.state.question == "piece"


def both(session):
    return next(s for s in session.setup.protocol.steps("undress") if s.also)


def test_both_answer_where_both_rub(begin) -> None:
    """Rule 15, scene S3: after the hood."""
    session = begin("papr-gown", "pair")
    step = both(session)
    session.go_to(step.name)
    session.hear(step.timing.start, role=step.role)
    session.fire("rub")
    session.hear("dry", role=step.role)
    session.hear("dry", role=step.role)
    assert session.step == step.name
    session.hear("dry", role=step.also[0])
    assert session.step != step.name


def test_on_one_microphone_two_answers_count_for_two(begin) -> None:
    session = begin("papr-gown", "pair", independent=False)
    step = both(session)
    session.go_to(step.name)
    session.hear(step.timing.start, role="unknown")
    session.fire("rub")
    session.hear("dry", role="unknown")
    assert session.step == step.name
    session.hear("dry", role="unknown")
    assert session.step != step.name


def test_an_assistant_who_does_not_answer_is_announced_and_nothing_moves(begin) -> None:
    """Scene S3: the deviation is the assistant's."""
    session = begin("papr-gown", "pair")
    step = next(s for s in session.setup.protocol.steps("undress") if s.role == "assistant" and not s.timing)
    session.go_to(step.name)
    began = session.at
    while not session.noted("deviation"):
        session.pass_s(1.0)
    assert session.noted("deviation")[-1]["by"] == "assistant"
    assert session.step == step.name
    assert (session.at - began) / 16_000 < 120


def test_alone_the_reason_and_the_mirror_are_asked_for(begin) -> None:
    """Rule 17."""
    session = begin()
    assert session.state.question == "reason"
    session.hear("nobody-here")
    assert session.state.question == "mirror"
    session.hear("no")
    assert session.noted("deviation") == [{"what": "no mirror"}]
    assert session.step == "practice-mirror"


def test_alone_it_says_that_an_observer_is_the_rule() -> None:
    """Rule 17."""
    session = Session(setup())
    assert "A trained observer is the rule. I am only a fallback." in session.says()
    assert "A trained observer is the rule. I am only a fallback." not in Session(setup(), "pair").says()


def test_removal_is_asked_about_before_it_begins(begin) -> None:
    """Rule 18: alone."""
    session = begin()
    session.go_to_work()
    effects = session.hear("start-removal", quiet=False)
    assert session.says(effects) == ["Is this the removal area, and is it ready?"]
    session.said_out()
    session.hear("no")
    assert session.state.status == "working"
    session.hear("start-removal", "yes")
    assert session.step == "practice-look"


def test_the_observer_gives_the_all_clear(begin) -> None:
    """Rule 18: in pair mode."""
    session = begin(mode="pair")
    session.go_to_work()
    session.hear("start-removal", "yes", "confirm")
    assert session.state.question == "all-clear"
    effects = session.hear("not-clear", role="observer", quiet=False)
    assert session.says(effects) == [grammar().say("ask-missing")], "rule 33: and it has a way on"
    session.said_out()
    session.hear("confirm", role="observer")
    assert session.step == "practice-look"


def test_an_observers_step_is_passed_over_alone(begin) -> None:
    """Rule 17; where one must confirm, the record says that nobody did."""
    session = begin()
    session.go_to("practice-rub-gloves")
    assert {"step": "practice-look", "why": "no observer"} in session.noted("not-independent")
    assert not any(isinstance(effect, Say) and "Observer" in effect.text for effect in session.fresh)


def test_with_one_microphone_left_of_two_a_word_counts_for_anybody_and_is_marked(begin) -> None:
    """Rules 15 and 19: the session continues in what is left, and says so."""
    session = begin(mode="pair")
    session.go_to("practice-look")
    session.happens(Reopened(session.at, 1.0, "killed", shared=True))
    assert grammar().say("intro-one-microphone") in session.says(session.fresh)
    session.said_out()
    session.hear("right", role="unknown")
    assert session.noted("not-independent")
    assert not session.state.independent
    assert session.state.question != "right"


@pytest.mark.parametrize("name", ["n95-gown", "who-coverall"])
def test_if_nobody_comes_the_wearer_is_offered_to_continue_alone_and_it_is_on_record(begin, name: str) -> None:
    """Rule 33: a step that the observer has not seen is not confirmed; the rest is asked of the wearer."""
    session = begin(name, "pair")
    step = next(one for one in session.setup.protocol.steps("undress") if one.observer and one.role == "wearer")
    session.go_to(step.name)
    session.hear("understood", step.answers[0])
    assert session.state.status == "confirming"
    here = session.step
    session.pass_s(105)
    effects = session.hear("yes", quiet=False)
    assert session.says(effects) == [grammar().say("ask-go-alone")]
    session.said_out()
    session.hear("yes")
    assert session.state.mode == "solo"
    assert session.step != here
    assert session.noted("not-confirmed")[-1] == {"step": here, "why": "goes on alone: nobody came"}
    session.go_to_end()
    assert session.state.status == "closed"


def test_who_does_not_want_to_continue_alone_keeps_waiting_and_the_awaited_word_still_counts(begin) -> None:
    """Rule 33, at the all-clear: the question is asked on, however long nobody comes."""
    session = begin("n95-gown", "pair")
    session.go_to_work()
    session.hear("start-removal")
    session.pass_s(120)
    session.hear("yes")
    assert session.state.question == "go-alone"
    session.hear("no")
    assert session.state.question == "all-clear"
    session.pass_s(120)
    session.hear("confirm", role="observer")
    assert session.step == "look-all-over"


def test_alone_at_the_all_clear_the_wearer_is_asked_about_the_removal_area(begin) -> None:
    session = begin("n95-gown", "pair")
    session.go_to_work()
    session.hear("start-removal")
    session.pass_s(120)
    session.hear("yes", "yes")
    assert session.state.question == "removal-area"
    session.hear("yes")
    assert session.step == "look-all-over"
    session.hear("clear")
    assert session.step == "rub-outer-1"


def test_whoever_comes_after_all_is_asked_again(begin) -> None:
    """Rule 33: a word on the observer's own channel makes it a pair again, on record."""
    session = begin("n95-gown", "pair")
    session.go_to("shield-away")
    session.hear("understood", "shield-off")
    session.pass_s(105)
    session.hear("yes", "yes")
    assert session.state.mode == "solo"
    session.hear("confirm", role="observer")
    assert session.state.mode == "pair"
    assert session.noted("deviation")[-1]["what"] == "a second person is back"
    assert grammar().say("say-again") not in session.says(session.made[-8:])
    session.go_to("hood-away")
    session.hear("understood", "hood-off")
    assert session.state.status == "confirming"


def test_a_check_at_work_may_be_answered_by_leaving(begin) -> None:
    """Rule 32."""
    session = begin("n95-gown", "pair")
    session.go_to_work()
    session.fire("check")
    assert session.state.question == "all-right"
    session.hear("start-removal", role="observer")
    assert session.step == "look-all-over"


def test_a_sentence_that_an_earlier_record_s_grammar_lacks_ends_nothing(begin) -> None:
    """Rule 19: a session that is taken up by a newer program says what it can."""
    known = setup("n95-gown")
    says = tuple(pair for pair in known.grammar.says if pair[0] != "ask-go-alone")
    session = begin("n95-gown", "pair", the_setup=replace(known, grammar=replace(known.grammar, says=says)))
    session.go_to_work()
    session.hear("start-removal")
    session.pass_s(120)
    session.hear("yes")
    assert session.state.question == "go-alone"
    assert "silence" in session.due
    session.hear("yes", "yes")
    assert session.step == "look-all-over"
