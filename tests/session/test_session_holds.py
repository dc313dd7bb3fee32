"""Never lets go: CONVERSATION rules 19 to 21, and silence."""

from __future__ import annotations

import pytest
from session_driver import CLOCK_HZ, grammar, text

from voicecoach.protocol.site import Site
from voicecoach.session.actions.wait import FIRST_SILENCE_S
from voicecoach.session.effects import Close, Tone
from voicecoach.session.events import PartBack, PartLost, SpeechStarted, TimerFired


def lose(session, part: str = "ears") -> None:
    session.happens(PartLost(session.at, part, "pulled"))


def test_nothing_but_a_confirmed_word_ends_a_session_with_something_on(begin) -> None:
    """Rule 19."""
    session = begin()
    session.go_to("practice-gown-away")
    effects = session.hear("end-session", quiet=False)
    assert session.says(effects)[0] == grammar().say("comes-off-first")
    session.said_out()
    assert session.step == "practice-gown-away", "alone it leads to removal (rule 31)"
    session = begin(mode="pair")
    session.go_to("practice-gown-away")
    for role in ("observer", "wearer"):
        session.hear("end-session", role="observer")
        session.hear("yes", "yes", role=role)
        assert session.state.question == "end-both", "no single role ends another's guidance"
        session.hear("no")
    session.hear("end-session", "yes")
    effects = session.hear("yes", role="observer", quiet=False)
    assert session.state.status == "abandoned"
    assert [effect.reason for effect in effects if isinstance(effect, Close)] == ["abandoned with items on"]
    assert session.noted("end")[0]["still-on"] == "gown,mask,gloves"


def test_told_to_end_it_says_so_and_continues_while_something_is_on(begin) -> None:
    """Rule 19: SIGTERM."""
    session = begin()
    session.go_to("practice-gown-away")
    for _ in range(2):
        lose(session, "signal")
        assert session.says() == [grammar().say("signal-lost")]
        session.said_out()
    assert session.step == "practice-gown-away"
    assert len(session.noted("gap")) == 2


def test_told_to_end_with_nothing_on_it_ends(begin) -> None:
    session = begin()
    session.go_to("practice-first-rub")
    lose(session, "signal")
    assert session.state.status == "closed"


@pytest.mark.parametrize(("part", "said"), [("ears", True), ("disk", True), ("voice", False), ("line", False)])
def test_a_lost_part_is_said_and_recorded_and_the_guidance_continues(begin, part: str, said: bool) -> None:
    """Rule 19."""
    session = begin()
    session.go_to("practice-rub-gloves")
    lose(session, part)
    assert (session.says() == [grammar().say(f"{part}-lost")]) if said else not session.says()
    assert session.noted("gap")[-1]["part"] == part
    assert session.step == "practice-rub-gloves"
    session.happens(PartBack(session.at, part))
    assert session.noted("gap-over")[-1]["part"] == part


def test_without_a_recogniser_it_reads_on_slowly_and_confirms_nothing(begin) -> None:
    """Rule 19: every step from there on is recorded as not confirmed."""
    session = begin()
    session.go_to("practice-look")
    confirmed = len(session.noted("step-confirmed"))
    lose(session)
    session.said_out()
    began = session.at
    for _ in range(4000):
        if not session.state.ledger.on():
            break
        session.pass_s(1.0)
    assert session.state.ledger.on() == ()
    assert len(session.noted("step-confirmed")) == confirmed
    unseen = {note["step"] for note in session.noted("not-confirmed")}
    assert {"practice-look", "practice-rub-gloves", "practice-gown-away", "practice-rub-hands"} <= unseen
    assert 60 < (session.at - began) / CLOCK_HZ < 400
    assert dict(session.state.ledger.clear_at)["gloves"] < began, "nobody looked"


def test_without_a_recogniser_a_key_still_answers_and_stops(begin) -> None:
    """Rule 19."""
    session = begin()
    session.go_to("practice-look")
    lose(session)
    session.said_out()
    session.hear("clear")
    assert session.noted("step-confirmed")[-1]["step"] == "practice-look"
    session.hear("stop")
    assert session.state.status == "frozen"


@pytest.mark.parametrize("word", ["stop", "pause", "back", "breach"])
def test_without_a_recogniser_nothing_waits_for_a_word_for_ever(begin, word: str) -> None:
    """Rule 19: halfway out of a suit nobody should have to press a key."""
    session = begin()
    session.go_to("practice-gown-away")
    session.hear(word)
    lose(session)
    session.said_out()
    session.pass_s(900)
    assert session.state.ledger.on() == ()


def test_without_a_recogniser_a_foot_switch_leads_from_work_to_removal(begin) -> None:
    """Rule 19: and it is said that a key does."""
    session = begin()
    session.go_to_work()
    assert "done" not in session.state.listening
    lose(session)
    assert session.says() == [grammar().say("ears-lost"), grammar().say("ears-lost-work")]
    session.said_out()
    session.pass_s(1300)
    assert session.state.status == "working"
    assert "done" in session.state.listening
    session.hear("done")
    session.pass_s(15)
    assert session.state.place.stage == "undress"


def test_without_a_recogniser_from_the_start_it_still_begins(begin) -> None:
    session = begin()
    lose(session)
    session.said_out()
    assert session.state.question == "reason"
    session.pass_s(15)
    assert session.step == "practice-mirror"


def test_with_the_recogniser_back_it_waits_for_words_again(begin) -> None:
    """Rule 19."""
    session = begin()
    session.go_to("practice-look")
    lose(session)
    session.said_out()
    session.happens(PartBack(session.at, "ears"))
    session.said_out()
    assert set(session.due) == {"silence"}
    session.pass_s(40)
    assert session.step == "practice-look"


def test_with_the_recogniser_back_what_is_waited_for_is_said_again(begin) -> None:
    """Rule 19: an answer counts from now on, so the wearer is told which."""
    session = begin()
    session.go_to("practice-look")
    lose(session)
    session.said_out()
    said = session.says(session.happens(PartBack(session.at, "ears")))
    assert said[0] == grammar().say("ears-back")
    assert said[-1].startswith(text("practice-look"))


def test_with_the_recogniser_back_an_open_question_is_asked_again(begin) -> None:
    session = begin()
    session.said_out()
    asked = session.state.question
    assert asked
    lose(session)
    session.said_out()
    said = session.says(session.happens(PartBack(session.at, "ears")))
    assert (said[0], said[-1]) == (grammar().say("ears-back"), grammar().say(f"ask-{asked}"))


def test_with_the_recogniser_back_silence_is_borne_as_long_as_at_first(begin) -> None:
    """Rules 19 and 20: while nobody could be heard nobody was silent."""
    session = begin()
    session.go_to("practice-gown-away")
    session.pass_s(FIRST_SILENCE_S + 5)
    assert session.state.silence == 1
    lose(session)
    session.said_out()
    session.happens(PartBack(session.at, "ears"))
    session.said_out()
    assert session.state.silence == 0
    session.pass_s(FIRST_SILENCE_S - 1)
    assert session.state.question != "all-right"


def test_silence_is_answered_by_the_prompt_then_a_question_then_an_alarm(begin) -> None:
    """Rule 20, scene S1: 90 s in all, then 10 s; the alarm repeats and the step does not move."""
    session = begin()
    session.go_to("practice-gown-away")
    began = session.at
    heard = []
    while not session.noted("alarm"):
        session.at = min(session.due.values())
        effects = session.happens(_fired(session))
        heard.append(((session.at - began) / CLOCK_HZ, session.says(effects)))
        tones = [effect.tone for effect in effects if isinstance(effect, Tone)]
        session.said_out()
    at_s, said = zip(*heard, strict=True)
    assert said[0][-1].startswith(text("practice-gown-away"))
    assert said[1] == ["Are you all right?"]
    assert 89.5 <= at_s[1] <= 91.0
    assert tones == ["outward-alarm"]
    assert said[2] == [grammar().say("alarm-words")]
    assert 10.0 <= at_s[2] - at_s[1] <= 13.0
    session.pass_s(60)
    assert len(session.noted("alarm")) >= 3
    assert session.step == "practice-gown-away"


def _fired(session):
    name = min(session.due, key=session.due.get)
    return TimerFired(session.at, name)


def test_voices_in_the_room_do_not_keep_the_question_from_being_asked(begin) -> None:
    """Rule 20: they are not the wearer's answer."""
    session = begin()
    session.go_to("practice-gown-away")
    for _ in range(60):
        session.happens(SpeechStarted(session.at))
        session.hear(None)
        session.pass_s(2.0)
    assert session.state.question == "all-right"


def test_yes_i_am_all_right_leads_back_to_the_step(begin) -> None:
    """Rule 20."""
    session = begin()
    session.go_to("practice-gown-away")
    session.pass_s(93)
    assert session.state.question == "all-right"
    effects = session.hear("yes", quiet=False)
    assert session.says(effects)[-1].startswith(text("practice-gown-away"))


def test_a_question_that_silence_interrupted_is_asked_again(begin) -> None:
    session = begin()
    session.go_to("practice-gown-away")
    session.hear("stop", "touched")
    session.pass_s(95)
    assert session.state.question == "all-right"
    session.hear("yes")
    assert session.state.question == "touched"


def test_when_somebody_else_answers_the_wearers_state_is_asked_and_the_way_to_help_is_read(begin) -> None:
    """Rule 20: the protocol's branch for a wearer who is down."""
    session = begin("n95-gown", "pair")
    session.go_to("rub-inner-1")
    session.pass_s(110)
    assert session.noted("alarm")
    session.hear("yes", role="observer")
    assert session.state.question == "down"
    session.hear("yes", role="observer")
    assert session.step == "down-call"
    for _ in range(3):
        session.hear("done", role="observer")
    session.answer_step()
    assert session.step == "short-shield", "nobody who is down is told to bow: helpers take off what is on"


def test_alone_a_bystander_can_be_read_the_way_to_help(begin) -> None:
    """Rule 20: 'no' to 'Are you all right?', by whoever it is."""
    session = begin("n95-gown")
    session.go_to("rub-inner-1")
    session.pass_s(93)
    effects = session.hear("no", quiet=False)
    assert "outward-alarm" in [effect.tone for effect in effects if isinstance(effect, Tone)]
    session.said_out()
    session.hear("yes")
    assert session.step == "down-call"
    session.hear("done")
    assert session.step == "down-breathing"


def test_before_the_first_item_is_on_there_is_no_alarm(begin) -> None:
    session = begin()
    session.go_to("practice-mirror")
    session.pass_s(1200)
    assert session.noted("alarm") == []
    assert session.step == "practice-mirror"


def test_a_pause_that_was_asked_for_is_left_in_peace_for_longer(begin) -> None:
    session = begin()
    session.go_to("practice-gown-away")
    session.hear("pause")
    session.pass_s(119)
    assert not session.says()
    session.pass_s(150)
    assert session.state.question == "all-right"
    session.hear("yes")
    assert session.state.status == "paused"


def test_during_work_it_checks_at_the_sites_interval(begin) -> None:
    """Rule 20."""
    session = begin(site=Site(name="x", check_s=120.0))
    session.go_to_work()
    assert 115 <= (session.due["check"] - session.at) / CLOCK_HZ <= 120
    session.fire("check")
    assert session.state.question == "all-right"
    session.hear("yes")
    assert session.state.status == "working"
    assert 119 <= (session.due["check"] - session.at) / CLOCK_HZ <= 120


def test_an_unanswered_check_is_repeated_once_before_the_alarm(begin) -> None:
    """Rule 20."""
    session = begin(site=Site(name="x", check_s=120.0))
    session.go_to_work()
    session.pass_s(120.5)
    session.pass_s(55.0)
    assert session.noted("alarm") == [], "rule 34: not within a minute, beside the patient"
    session.pass_s(15.0)
    assert session.noted("alarm")


def test_the_wear_limit_is_announced_and_announced_again(begin) -> None:
    session = begin(site=Site(name="x", wear_limit_s=900.0, check_s=7200.0))
    session.go_to_work()
    worn = session.state.worn_since
    assert abs((session.due["wear"] - worn) / CLOCK_HZ - 900) < 0.1
    session.pass_s(1300)
    assert len(session.noted("wear-limit")) == 2
    session.go_to_end()
    assert "wear" not in session.due
    assert len(session.noted("wear-time")) == 1


def test_the_end_is_asked_for_and_silence_there_alarms_nobody(begin) -> None:
    session = begin()
    session.go_to("practice-leave")
    effects = session.hear("done", quiet=False)
    assert session.says(effects) == [grammar().say("all-done"), "Shall I end here?"]
    session.said_out()
    session.pass_s(1800)
    assert session.noted("alarm") == []
    if session.state.question != "end":
        session.hear("yes")
    session.hear("yes")
    assert session.state.status == "closed"
