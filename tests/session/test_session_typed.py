"""Words typed at the screen: who types has read what is printed, and need not wait until it has been "said"."""

from __future__ import annotations

import pytest
from session_driver import Session, setup

from voicecoach.session.effects import StopSpeaking, Tone
from voicecoach.session.events import PRESSED, Heard, InputSource, Role


def says(
    session: Session, word: str | None, source: InputSource, role: Role = "wearer", phrase: str = ""
) -> list[object]:
    at = session.at
    return list(session.happens(Heard(at, word, phrase or word or "", at, at, role=role, source=source)))


def asked_right(session: Session) -> Session:
    """What is worn has just been printed, and the question with it."""
    session.go_to("practice-rub-gloves")
    session.hear("pause")
    session.hear("resume", quiet=False)
    assert len(session.state.speech) > 1
    return session


def test_a_typed_answer_to_a_question_already_printed_counts(begin) -> None:
    session = asked_right(begin())
    effects = says(session, "right", "key")
    assert isinstance(effects[0], StopSpeaking)
    assert (session.step, session.state.status) == ("practice-rub-gloves", "prompting")
    assert session.noted("reply")[-1]["answer"] == "right"


@pytest.mark.parametrize("source", ["voice", "typed"])
def test_a_voice_or_its_twin_over_that_question_still_does_not_count(begin, source: InputSource) -> None:
    """Rule 4."""
    session = asked_right(begin())
    says(session, "right", source)
    assert session.state.question == "right"
    assert [note["question"] for note in session.noted("reply")].count("right") == 0


def test_a_typed_answer_to_a_step_already_printed_counts(begin) -> None:
    session = begin("n95-gown")
    session.go_to("gown-on")
    session.hear("gown-on", quiet=False)
    assert session.state.status == "prompting"
    says(session, "mask-on", "key")
    assert session.noted("step-confirmed")[-1]["step"] == "respirator-on"


def test_a_foot_switch_over_a_prompt_is_early_as_ever(begin) -> None:
    """Rule 4: a foot has not read the screen."""
    session = begin()
    session.go_to("practice-gown-on")
    session.hear("done", quiet=False)
    effects = says(session, "done", "key", phrase=PRESSED)
    assert [one.tone for one in effects if isinstance(one, Tone)] == ["early"]
    assert session.step == "practice-mask-on"


def test_a_key_over_a_spoken_prompt_is_early_as_ever(begin) -> None:
    """Rule 4: where the coach speaks, the line on the screen is not a prompt that was heard."""
    session = begin("n95-gown")
    session.go_to("gown-on")
    session.hear("gown-on", quiet=False)
    object.__setattr__(session.state, "ear", "mixed")
    effects = says(session, "mask-on", "key")
    assert [one.tone for one in effects if isinstance(one, Tone)] == ["early"]


@pytest.mark.parametrize("source", ["key", "voice"])
def test_a_word_typed_into_the_introduction_ends_it_and_counts(source: InputSource) -> None:
    """The whole introduction is printed at once; spoken words over it are early (rule 4)."""
    session = Session(setup("n95-gown"))
    before = session.state.status
    says(session, "nobody-here", source)
    assert before == "opening"
    assert (session.state.question == "mirror") == (source == "key")
    assert session.state.status == ("asking" if source == "key" else "opening")


def test_an_empty_line_ends_the_introduction_and_answers_nothing() -> None:
    session = Session(setup("n95-gown"), "pair", independent=True)
    says(session, None, "key", phrase=PRESSED)
    assert (session.step, session.state.status) == ("try-first-word", "prompting")


@pytest.mark.parametrize(("word", "status"), [("breach", "breached"), ("stop", "frozen")])
def test_danger_typed_into_the_introduction_is_danger(word: str, status: str) -> None:
    session = Session(setup("n95-gown"), "pair", independent=True)
    says(session, word, "key")
    assert session.state.status == status


def test_the_try_of_a_danger_word_may_be_typed_before_its_prompt_is_over() -> None:
    session = Session(setup("n95-gown"), "pair", independent=True)
    session.said_out()
    says(session, "breach", "key")
    assert session.step == "try-second-word"
    says(session, "stop", "key", "observer")
    assert session.step == "fit-today"
    assert not session.noted("breach")


@pytest.mark.parametrize(
    ("at", "words", "key"),
    [("gown-on", "blah", "hint-item"), ("look-all-over", "fine", "hint-look"), ("rub-outer-1", "ok", "hint-start")],
)
def test_a_typed_word_that_is_not_understood_is_told_what_would_be(begin, at: str, words: str, key: str) -> None:
    """Rule 32: it was read as it is, so that saying it again would change nothing."""
    session = begin("n95-gown")
    session.go_to(at)
    session.happens(Heard(session.at, None, words, session.at, session.at, source="key"))
    assert session.says() == [session.setup.grammar.say(key)]
    session.said_out()


@pytest.mark.parametrize(
    ("question", "said"),
    [("back", "Not finished, or went wrong?"), ("torn-piece", "Which piece is damaged? Name it.")],
)
def test_a_question_that_is_neither_yes_nor_no_is_asked_again_in_its_own_words(begin, question: str, said: str) -> None:
    """Rule 32."""
    session = begin("n95-gown")
    session.go_to("rub-outer-2")
    session.hear("back" if question == "back" else "torn")
    assert session.state.question == question
    session.hear(None)
    assert said in session.says(session.made[-4:])
