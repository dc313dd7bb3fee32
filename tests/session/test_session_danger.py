"""What is always heard, and breaches: CONVERSATION rules 7, 8 and 11 to 14."""

from __future__ import annotations

from dataclasses import replace

import pytest
from session_driver import CLOCK_HZ, SAY_S, Session, grammar, setup, text

from voicecoach.session.effects import Say, StopSpeaking, Tone
from voicecoach.session.events import Heard, PromptEnded, Reopened, SoundTrouble, SpeechUnending, TimerFired

PLACES = ("practice-gown-on", "practice-look", "practice-rub-gloves", "practice-mask-away", "practice-leave")


def first_words(effects) -> str:
    order = [effect for effect in effects if isinstance(effect, (StopSpeaking, Say))]
    assert isinstance(order[0], StopSpeaking)
    assert isinstance(order[1], Say)
    return order[1].text


@pytest.mark.parametrize("place", PLACES)
def test_a_breach_over_a_prompt_stops_it_and_begins_with_an_act(begin, place: str) -> None:
    """Rules 7 and 11."""
    session = begin()
    while session.step != place:
        session.go_one()
    effects = session.hear("breach", quiet=False)
    assert session.state.status == "breached"
    assert len(first_words(effects).split()) <= 6


@pytest.mark.parametrize("kind", ["breach", "splash", "needle", "no-air", "torn"])
def test_each_kind_of_danger_is_listened_for_in_every_state(begin, kind: str) -> None:
    """Rule 7."""
    session = begin()
    session.go_to("practice-rub-gloves")
    seen = {session.state.status}
    assert kind in session.state.listening
    for word in ("rubbing", "stop", "pause", "resume"):
        session.hear(word, quiet=False)
        seen.add(session.state.status)
        assert kind in session.state.listening
        session.said_out()
        assert kind in session.state.listening
    assert seen == {"awaiting", "timing", "frozen", "paused", "asking"}


def test_torn_over_the_prompt_of_a_look_is_acted_on_at_once(begin) -> None:
    """Rule 7 goes before rule 4: what is an answer there is a danger all the same."""
    session = begin()
    while session.step != "practice-look":
        session.go_one()
    session.go_one()
    session.hear("back")
    session.hear("not-finished", quiet=False)
    assert (session.step, session.state.status) == ("practice-look", "prompting")
    session.hear("torn", quiet=False)
    assert session.step == "practice-torn-rub"


def test_torn_while_the_observer_looks_is_a_breach(begin) -> None:
    """Rule 7."""
    session = begin(mode="pair")
    session.go_to("practice-look")
    session.hear("clear")
    assert session.state.status == "confirming"
    session.hear("torn", quiet=False)
    assert session.state.status == "breached"


def test_a_voice_stops_the_prompt_and_it_continues_if_nothing_comes(begin) -> None:
    """Rule 7: from where it was cut."""
    session = begin()
    session.go_to("practice-rub-hands")
    session.hear("repeat", quiet=False)
    prompt = session.state.speech[0].prompt
    assert session.voice() == [StopSpeaking(), *session.fresh[1:]]
    assert session.state.status == "interrupted"
    session.happens(PromptEnded(session.at, prompt, 1.0, complete=False))
    assert session.state.status == "interrupted"
    session.at = session.due["window"]
    effects = session.happens(TimerFired(session.at, "window"))
    assert [(e.text, e.skip_s) for e in effects if isinstance(e, Say)] == [(text("practice-rub-hands"), 0.7)]
    # cut a second time, it continues after both parts
    prompt = session.state.speech[0].prompt
    session.voice()
    session.happens(PromptEnded(session.at, prompt, 0.5, complete=False))
    effects = session.hear(None, quiet=False)
    assert [round(e.skip_s, 3) for e in effects if isinstance(e, Say)] == [0.9]


def test_after_two_voices_for_nothing_the_prompt_is_spoken_through(begin) -> None:
    """Rule 7: with the danger words still listened for after it."""
    session = begin()
    session.go_to("practice-rub-hands")
    session.hear("repeat", quiet=False)
    for _ in range(2):
        session.voice()
        session.hear(None, quiet=False)
    assert session.voice() == []
    assert session.state.status == "prompting"
    assert {"breach", "stop"} <= set(session.state.listening)


def test_a_room_full_of_voices_does_not_keep_the_prompt_from_being_said(begin) -> None:
    """Rule 7; said and recorded once a step."""
    session = begin()
    session.go_to("practice-rub-hands")
    session.hear("repeat", quiet=False)
    session.voice()
    effects = session.happens(SpeechUnending(session.at))
    assert [e.text for e in effects if isinstance(e, Say)] == [text("practice-rub-hands")]
    assert len(session.noted("babble")) == 1
    session.said_out()
    session.happens(SpeechUnending(session.at))
    assert len(session.noted("babble")) == 1


def test_a_prompt_that_ran_out_just_as_a_voice_came_leaves_nobody_waiting(begin) -> None:
    session = begin()
    session.go_to("practice-rub-hands")
    session.hear("repeat", quiet=False)
    prompt = session.state.speech[0].prompt
    session.voice()
    session.happens(PromptEnded(session.at, prompt, SAY_S, complete=True))
    assert session.state.status == "awaiting"
    assert "window" not in session.state.timers


def test_a_voice_over_something_in_passing_does_not_lose_it(begin) -> None:
    """Rule 7 outside prompts: 'Observer, please check.' is said in the end."""
    session = begin(mode="pair")
    session.go_to("practice-look")
    session.hear("clear", quiet=False)
    assert session.says() == [grammar().say("ask-observer")]
    assert isinstance(session.voice()[0], StopSpeaking)
    session.pass_s(2.9)
    assert not session.says()
    session.at = session.due["window"]
    effects = session.happens(TimerFired(session.at, "window"))
    assert session.says(effects) == [grammar().say("ask-observer")]
    assert session.state.status == "confirming"


def test_stop_is_silence_and_the_step_is_frozen_until_go_on(begin) -> None:
    """Rule 8."""
    session = begin()
    session.go_to("practice-rub-gloves")
    session.hear("repeat", quiet=False)
    effects = session.hear("stop", quiet=False)
    assert any(isinstance(effect, StopSpeaking) for effect in effects)
    assert not session.says(effects)
    assert not any(isinstance(effect, Tone) for effect in effects)
    session.pass_s(5.9)
    assert session.says() == []
    session.fire("hold")
    effects = session.hear("go-on", quiet=False)
    assert session.says(effects) == [text("practice-rub-gloves")]


def test_stop_by_anyone_counts(begin) -> None:
    """Rule 8."""
    for role in ("wearer", "observer", "assistant", "unknown"):
        session = begin(mode="pair")
        session.go_to("practice-rub-gloves")
        session.hear("stop", role=role)
        assert session.state.status == "frozen"


def test_a_touch_is_on_record_with_its_place_before_removal_continues(begin) -> None:
    """Rule 8, scene S2."""
    session = begin()
    session.go_to("practice-gown-away")
    effects = session.hear("stop", "touched", quiet=False)
    assert session.says(effects) == [grammar().say("keep-still"), grammar().say("ask-where")]
    session.said_out()
    session.hear("neck")
    assert session.noted("exposure") == [{"place": "neck", "cause": "touched", "step": "practice-gown-away"}]
    assert session.step == "practice-touched-gloves"
    session.answer_step()
    assert session.step == "practice-gown-away"


def test_a_doubtful_breach_is_asked_about_and_silence_is_yes_after_3_s(begin) -> None:
    """Rule 13: three seconds from the end of the question."""
    session = begin()
    session.go_to("practice-rub-gloves")
    effects = session.hear(None, near="breach", quiet=False)
    assert session.says(effects) == ["Breach? Yes or no."]
    assert not session.due
    session.said_out()
    assert session.due["near"] - session.at == 3 * CLOCK_HZ
    session.pass_s(2.99)
    assert session.state.status == "asking"
    session.pass_s(0.02)
    session.said_out()
    assert session.noted("breach")[0]["asked-first"] == "yes"
    assert session.step == "practice-touched-gloves"


def test_unclear_speech_after_the_question_is_not_an_answer_and_gains_no_time(begin) -> None:
    """Rule 13."""
    session = begin()
    session.go_to("practice-rub-gloves")
    session.hear(None, near="breach")
    due = session.due["near"]
    assert session.says(session.hear(None, quiet=False)) == []
    assert session.due["near"] == due


def test_a_second_doubtful_breach_is_one(begin) -> None:
    session = begin()
    session.go_to("practice-rub-gloves")
    session.hear(None, near="breach")
    session.hear(None, near="breach", quiet=False)
    assert session.state.status == "breached"


def test_the_word_itself_counts_while_breach_is_asked_about(begin) -> None:
    """Rule 7: the question says the word, so it is not listened for then; a key still counts."""
    session = begin()
    session.go_to("practice-rub-gloves")
    session.hear(None, near="breach", quiet=False)
    assert session.state.listening == ("stop",)
    session.hear("breach", quiet=False)
    assert session.state.status == "breached"


def test_no_to_the_doubtful_breach_leads_back_and_the_rub_starts_from_zero(begin) -> None:
    """Rule 13."""
    session = begin()
    session.go_to("practice-rub-gloves")
    session.hear("rubbing")
    session.pass_s(2.0)
    session.hear(None, near="breach")
    effects = session.hear("no", quiet=False)
    assert session.says(effects) == [text("practice-rub-gloves")]
    session.said_out()
    assert session.state.status == "awaiting"
    assert "rub" not in session.due


def test_a_doubtful_stop_only_stops(begin) -> None:
    """Stopping costs little; asking 'Breach?' would turn silence into one."""
    session = begin()
    session.go_to("practice-rub-gloves")
    session.hear(None, near="stop", quiet=False)
    assert session.state.status == "frozen"


@pytest.mark.parametrize("interrupted", ["frozen", "paused"])
def test_a_doubtful_breach_in_a_stop_or_pause_leads_back_into_it(begin, interrupted: str) -> None:
    session = begin()
    session.go_to("practice-rub-gloves")
    session.hear("stop" if interrupted == "frozen" else "pause")
    session.hear(None, near="breach")
    session.hear("no")
    assert session.state.status == interrupted


def test_stop_at_the_doubtful_breach_does_not_make_it_forgotten(begin) -> None:
    """Rule 13."""
    session = begin()
    session.go_to("practice-rub-gloves")
    session.hear(None, near="breach")
    session.hear("stop")
    effects = session.hear("go-on", quiet=False)
    assert session.says(effects) == ["Breach? Yes or no."]


def test_false_alarm_leads_back_to_the_same_step_and_is_on_record(begin) -> None:
    """Rule 13."""
    session = begin()
    session.go_to("practice-gown-away")
    session.hear("breach")
    assert session.step == "practice-touched-gloves"
    session.hear("false-alarm")
    assert session.step == "practice-gown-away"
    assert len(session.noted("false-alarm")) == 1
    assert "false-alarm" not in session.state.listening


def test_a_breach_during_a_breach_restarts_the_incident(begin) -> None:
    """Rule 12: never nested."""
    session = begin()
    session.go_to("practice-gown-away")
    session.hear("breach")
    session.hear("rubbing")
    session.hear("splash")
    assert len(session.state.place.detours) == 1


def test_a_false_alarm_amid_an_incident_takes_back_nothing_of_that_incident(begin) -> None:
    """Rules 13 and 26: a word misheard on the way must not cancel the wash and the rub that are owed already."""
    session = begin()
    session.go_to("practice-gown-away")
    session.hear("splash", "rubbing", "breach", "false-alarm")
    assert session.step == "practice-touched-gloves"
    assert session.state.owed == ("wash", "report")
    session.hear("false-alarm")
    assert session.step == "practice-touched-gloves"
    assert session.state.owed == ("wash", "report")


def test_the_same_cry_twice_is_one_false_alarm(begin) -> None:
    session = begin()
    session.go_to("practice-gown-away")
    session.hear("breach", quiet=False)
    session.hear("breach", "false-alarm")
    assert session.step == "practice-gown-away"


def test_once_something_is_off_a_false_alarm_leads_nowhere_but_on(begin) -> None:
    """Rule 13: nobody goes back to a step, or to the patient, with other things on than it was read for."""
    session = begin(mode="pair")
    session.go_to_work()
    session.hear("needle", "done")
    while session.state.ledger.worn("gloves") == "on":
        session.answer_step()
    there = session.step
    session.hear("false-alarm")
    assert (session.step, session.state.question) == (there, "")


def test_who_is_on_the_way_out_is_not_led_in_by_a_false_alarm(begin) -> None:
    """Rule 31: unwell while dressing, and on the way out a word that was misheard."""
    session = begin()
    session.go_to("practice-gown-on")
    session.answer_step()
    session.hear("unwell")
    session.answer_step()
    session.hear("breach", "false-alarm")
    assert session.state.no_entry
    assert session.state.place.detours


def test_another_kind_of_breach_in_a_breach_is_not_nested_either(begin) -> None:
    """Rule 12: the branch of the first is left, and a false alarm leads back into it."""
    session = begin("papr-gown", "pair")
    session.go_to("rub-inner-1")
    session.hear("breach")
    touched = session.state.place.detours
    session.hear("no-air")
    assert len(touched) == len(session.state.place.detours) == 1
    assert touched[0].branch != session.state.place.detours[0].branch
    session.hear("false-alarm")
    assert session.state.place.detours[0].branch == touched[0].branch


def test_a_protocol_without_a_rule_for_it_still_has_a_breach_acted_on(begin) -> None:
    """Rules 7 and 11: in words of the coach's own, and on with the step."""
    bare = replace(setup(), protocol=replace(setup().protocol, breaches=()))
    session = begin(the_setup=bare)
    session.go_to("practice-gown-on")
    assert "breach" in session.state.listening
    effects = session.hear("breach", quiet=False)
    assert first_words(effects) == grammar().say("breach-default")
    session.said_out()
    assert session.step == "practice-gown-on"


def test_a_word_that_is_taken_ends_the_wait_for_one(begin) -> None:
    """Rule 7: what is said next is not cut short or said twice by the window of the voice before."""
    session = begin()
    session.go_to("practice-rub-hands")
    session.hear("time", quiet=False)
    session.voice()
    assert "window" in session.due
    session.hear("where-am-i", quiet=False)
    assert "window" not in session.due


@pytest.mark.parametrize("word", ["stop", "pause", "back"])
def test_a_breach_is_acted_on_out_of_a_stop_a_pause_and_a_question(begin, word: str) -> None:
    session = begin()
    session.go_to("practice-gown-away")
    session.hear(word)
    session.hear("breach")
    assert session.step == "practice-touched-gloves"
    session.answer_step()
    session.hear("neck")
    assert session.step == "practice-gown-away"


def test_a_breach_in_the_introduction_leads_back_to_the_questions_of_the_start(begin) -> None:
    session = Session(setup())
    session.hear("breach")
    session.answer_step()
    session.hear("no")
    assert (session.state.status, session.state.question) == ("asking", "reason")


def test_a_breach_at_work_leads_to_removal_and_its_questions_come_after_the_first_acts(begin) -> None:
    """Rules 11 and 12."""
    session = begin()
    session.go_to_work()
    effects = session.hear("splash")
    assert session.step == "practice-leave-walk"
    assert not any("?" in text or "Which" in text for text in session.says(effects))
    session.hear("done")
    assert session.state.question == "where"
    session.hear("eyes")
    assert [note["place"] for note in session.noted("exposure")] == ["unknown", "eyes"]
    assert [one.place for one in session.state.exposures] == ["eyes"]
    assert session.step == "practice-look"
    effects = session.hear("back", quiet=False)
    assert session.says(effects) == [grammar().say("nothing-before")]


def test_a_breach_during_removal_never_starts_the_list_again(begin) -> None:
    """Rule 12."""
    session = begin()
    session.go_to("practice-rub-hands")
    session.hear("breach")
    assert session.step == "practice-touched-hands"
    session.answer_step()
    session.hear("face")
    assert session.step == "practice-rub-hands"


def test_alone_nobody_goes_back_to_the_patient_after_a_breach(begin) -> None:
    """Rule 12: there is no second person."""
    session = begin()
    session.go_to_work()
    session.hear("breach", "false-alarm")
    assert session.step == "practice-leave-walk"
    assert session.noted("false-alarm")[0]["returned"].startswith("no")


def test_the_observers_word_leads_back_to_the_patient_and_is_on_record(begin) -> None:
    """Rule 12."""
    session = begin(mode="pair")
    session.go_to_work()
    session.hear("breach", "false-alarm")
    assert session.state.question == "return"
    session.hear("yes")
    assert session.state.question == "return"
    session.hear("yes", role="observer")
    assert session.state.status == "working"
    assert session.noted("false-alarm") == [{"step": "practice-leave-walk", "by": "observer", "returned": "yes"}]


def test_on_one_microphone_only_a_key_leads_back_to_the_patient(begin) -> None:
    """Rule 15: where a second person is demanded."""
    session = begin(mode="pair", independent=False)
    session.go_to_work()
    session.hear("breach", "false-alarm")
    session.hear("yes", role="unknown")
    assert session.state.question == "return"
    session.hear("no", role="observer")
    assert session.step == "practice-leave-walk"


def test_a_tear_is_dated_back_to_the_last_clear_of_that_item(begin) -> None:
    """Rule 14: n95-gown, inner gloves last known whole when they were put on (scene S4)."""
    session = begin("n95-gown")
    session.go_to("inner-gloves-on")
    session.answer_step()
    on_s = session.state.since[-1][0] / CLOCK_HZ
    session.go_to("look-at-inner-gloves")
    session.hear("torn")
    suspect = session.noted("suspect")[0]
    assert suspect["item"] == "inner-gloves"
    assert abs(float(suspect["since-s"]) - on_s) < 0.1
    assert {"gown", "hood", "shield", "outer-gloves"} <= set(suspect["touched"].split(","))
    assert "inner-gloves-on" not in suspect["steps"]


def test_a_clear_moves_the_date(begin) -> None:
    """Rule 14."""
    session = begin("n95-gown")
    session.go_to("rub-outer-1")
    since_s = session.state.at / CLOCK_HZ
    session.hear("torn")
    suspect = {note["item"]: note for note in session.noted("suspect")}
    assert abs(float(suspect["outer-gloves"]["since-s"]) - since_s) < 3.0
    assert float(suspect["inner-gloves"]["since-s"]) < float(suspect["outer-gloves"]["since-s"])


def test_soil_found_by_the_observer_is_dated_back_too(begin) -> None:
    """Rules 14 and 16."""
    session = begin(mode="pair")
    session.go_to("practice-look")
    session.hear("clear")
    session.hear("not-clear", "gloves-on", "soiled", role="observer")
    assert [note["item"] for note in session.noted("suspect")] == ["gloves"]
    assert session.noted("deviation")[-1]["fault"] == "soiled"


def test_a_key_stops_even_while_a_sentence_sounds_that_says_the_word() -> None:
    session = Session(setup("short-practice"), "solo")
    session.go_to("practice-rub-gloves")
    session.happens(Reopened(session.state.at, 2.0, "killed"))
    assert "stop" not in session.state.listening
    session.happens(Heard(session.state.at + 100, "stop", "stop", source="key"))
    assert session.state.status == "frozen"


def test_poor_sound_is_said_once_with_what_to_do_and_not_into_a_stop(begin) -> None:
    session = begin()
    session.go_to("practice-rub-hands")
    session.hear("stop")
    assert not [e for e in session.happens(SoundTrouble(session.at, "quiet")) if isinstance(e, Say)]
    session.hear("go-on")
    says = [e.text for e in session.happens(SoundTrouble(session.at, "quiet")) if isinstance(e, Say)]
    assert says == ["I hear you faintly. Bring the microphone nearer, or speak up."]
    assert not [e for e in session.happens(SoundTrouble(session.at, "quiet")) if isinstance(e, Say)]
    assert [e.text for e in session.happens(SoundTrouble(session.at, "noisy")) if isinstance(e, Say)]
    assert len(session.noted("sound")) == 2
