"""The voice check (rule 24): words said through the mask, what they show, and what is lifted or set by it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from session_driver import setup

from voicecoach.errors import InputError
from voicecoach.protocol.site import Site, load
from voicecoach.session.effects import Say, SetFloors
from voicecoach.session.events import CLOCK_HZ, Heard, Opened, PromptEnded
from voicecoach.session.machine import Machine
from voicecoach.session.prompts import every_prompt, lint, over_prompt
from voicecoach.session.rehearsal import rehearse
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState
from voicecoach.session.voice_check import MOST_WORDS, VOICE_CHECK, VoiceTry, judge, next_word, words

SITE = load("name: Example Ward\napproved: 2026-05-04\nvoice-check: yes\n", "site.yaml")
SETUP = setup("n95-gown", SITE)
PLAIN = Setup(SETUP.protocol, SETUP.grammar)


class Wearer:
    """A session alone, led to the voice check by the right answers; `says` answers the words asked for."""

    def __init__(self, made: Setup = SETUP) -> None:
        self.setup, self.machine = made, Machine(made)
        self.state: SessionState = self.machine.start()
        self.at = 0
        self.notes: list[dict[str, str]] = []
        self.said: list[str] = []
        self.floors: list[SetFloors] = []
        self.happens(Opened(0, mode="solo", ear="phonemes", audio="none", training_only=False, independent=False))

    def happens(self, event) -> None:
        self.state, effects = self.machine.step(self.state, event)
        self.said += [one.text for one in effects if isinstance(one, Say)]
        self.floors += [one for one in effects if isinstance(one, SetFloors)]
        for one in effects:
            if type(one).__name__ == "Note" and one.what == "voice":
                self.notes.append(dict(one.details))

    def said_out(self) -> None:
        while self.state.speech:
            self.at += CLOCK_HZ
            self.happens(PromptEnded(self.at, self.state.speech[0].prompt, 1.0, complete=True))

    def says(self, command: str | None, near: str | None = None, score: float = 1.0, floor: float = 0.0) -> None:
        self.said_out()
        self.at += CLOCK_HZ
        begin = self.at - CLOCK_HZ // 2
        self.happens(Heard(self.at, command, command or "", begin, self.at, near=near, score=score, floor=floor))


@pytest.fixture(scope="module")
def dressed() -> Wearer:
    """At the first word of the check."""
    wearer = Wearer()
    play = _Play(wearer)
    while wearer.state.question != VOICE_CHECK:
        play.go_on()
    return wearer


class _Play:
    """Answers every step as the rehearsal does."""

    def __init__(self, wearer: Wearer) -> None:
        from voicecoach.session import rehearsal  # noqa: PLC0415 the same play, on this wearer's state

        self.wearer = wearer
        self.play = rehearsal._Play(SETUP, "solo", leave_out=False, acknowledge=False)

    def go_on(self) -> None:
        self.play.go_on()
        self.wearer.state, self.wearer.at = self.play.state, self.play.at


def at_check(dressed: Wearer) -> Wearer:
    wearer = Wearer()
    wearer.state, wearer.at = replace(dressed.state, training_only=True), dressed.at
    return wearer


def test_a_voice_that_is_heard_lifts_training_only_where_the_site_is_approved(dressed: Wearer) -> None:
    """Rule 24: until this voice has been shown to be heard, every session is training only."""
    wearer = at_check(dressed)
    for _ in range(MOST_WORDS):
        if wearer.state.question == VOICE_CHECK:
            wearer.says(wearer.state.about)
    assert wearer.state.status == "working"
    assert wearer.state.voice == "met"
    assert not wearer.state.training_only
    assert wearer.notes[0]["result"] == "bars met"
    assert "Your words are heard well." in wearer.said
    assert wearer.state.tries == ()  # nothing of the voice is stored


def test_what_is_not_heard_keeps_it_training_only_and_names_the_longer_words(dressed: Wearer) -> None:
    wearer = at_check(dressed)
    asked: list[str] = []
    while wearer.state.question == VOICE_CHECK:
        about, sentence = wearer.state.about, wearer.said[-1] if wearer.said else ""
        asked.append(sentence)
        wearer.says(None if sentence == "Say: done." else about)
    assert asked.count("Say: done.") == 2
    assert "Say: step complete." in asked
    assert wearer.notes[0]["better"] == "step complete"
    assert wearer.state.voice == "met"  # one word of many needed its longer form
    assert "Where I asked twice, use the longer words." in wearer.said

    wearer = at_check(dressed)
    while wearer.state.question == VOICE_CHECK:
        wearer.says(None if wearer.state.about in {"dry", "no"} else wearer.state.about)
    assert wearer.notes[0]["unheard"] == "dry no"
    assert wearer.state.training_only
    assert "Not every word was heard at once. Only for training." in wearer.said


def test_a_danger_word_that_is_only_doubtful_gets_this_voice_a_floor_of_its_own(dressed: Wearer) -> None:
    wearer = at_check(dressed)
    while wearer.state.question == VOICE_CHECK:
        breach = wearer.state.about == "breach"
        near = "breach" if breach else None
        wearer.says(None if breach else wearer.state.about, near=near, score=-1.5, floor=-0.85)
    assert wearer.floors[0].floors == (("breach", -1.6),)
    assert wearer.state.floors == (("breach", -1.6),)


def test_another_danger_word_is_no_try_and_stop_stops_unless_it_is_asked_for(dressed: Wearer) -> None:
    wearer = at_check(dressed)
    assert wearer.state.about == "breach"
    wearer.says("splash")
    assert wearer.state.status == "breached"
    wearer = at_check(dressed)
    wearer.says("breach")
    assert wearer.state.about == "stop"
    assert "stop" not in wearer.state.listening  # the coach says it itself at the moment
    wearer.says("stop")
    assert wearer.state.question == VOICE_CHECK
    wearer.says("stop")
    assert wearer.state.status == "frozen"


def test_it_is_left_out_on_a_word_which_is_on_record(dressed: Wearer) -> None:
    wearer = at_check(dressed)
    wearer.says("skip")
    assert wearer.state.status == "working"
    assert wearer.state.training_only
    assert wearer.notes == [{"result": "skipped on request", "training-only": "True"}]


BOTH = load("name: Example Ward\napproved: 2026-05-04\nvoice-check: yes\nvoice-check-removal: yes\n", "site.yaml")


def at_work(dressed: Wearer, site: Site = BOTH) -> Wearer:
    """Through the first check with every word heard, and called to work."""
    wearer = Wearer(Setup(SETUP.protocol, SETUP.grammar, site))
    wearer.state, wearer.at = replace(dressed.state, training_only=True), dressed.at
    while wearer.state.question == VOICE_CHECK:
        wearer.says(wearer.state.about)
    assert wearer.state.status == "working"
    return wearer


def test_before_a_calm_removal_the_words_are_said_again_where_the_site_wants_it(dressed: Wearer) -> None:
    """Rule 24: a mask that has slipped, or a tired voice, shows before the words that take things off are needed."""
    wearer = at_work(dressed)
    wearer.says("start-removal")
    assert wearer.state.question == "removal-area"
    wearer.says("yes")
    assert wearer.state.question == VOICE_CHECK
    assert wearer.state.place.stage == "work"
    while wearer.state.question == VOICE_CHECK:
        wearer.says(None if wearer.state.about == "torn" else wearer.state.about)
    assert wearer.state.place.stage == "undress"
    assert wearer.notes[1]["when"] == "before removal"
    assert wearer.notes[1]["unheard"] == "torn"
    assert "Where I asked twice, use the longer words." in wearer.said
    assert "Only for training" not in " ".join(wearer.said[-8:])
    assert not wearer.state.training_only  # what was lifted stays lifted for this session

    wearer = at_work(dressed, SITE)
    wearer.says("start-removal")
    wearer.says("yes")
    assert wearer.state.place.stage == "undress"


def test_the_check_before_removal_can_be_left_out_and_never_delays_who_hurries(dressed: Wearer) -> None:
    wearer = at_work(dressed)
    wearer.says("start-removal")
    wearer.says("yes")
    wearer.says("skip")
    assert wearer.state.place.stage == "undress"
    assert wearer.state.voice == "met"

    wearer = at_work(dressed)
    wearer.says("breach")
    for _ in range(40):
        wearer.said_out()
        if wearer.state.place.stage != "work":
            break
        assert wearer.state.question != VOICE_CHECK

    wearer = at_work(dressed)
    wearer.says("start-removal")
    wearer.says("yes")
    assert wearer.state.about == "breach"
    wearer.says("splash")
    assert wearer.state.status == "breached"


def test_a_check_before_removal_alone_is_refused_with_the_line() -> None:
    with pytest.raises(InputError) as raised:
        load("name: Example Ward\nvoice-check-removal: yes\n", "site.yaml")
    assert raised.value.line().startswith("site.yaml:2")
    assert "voice-check" in raised.value.line()


def test_a_site_that_does_not_ask_for_it_has_none() -> None:
    assert not any("Say: " in line.text for line in rehearse(PLAIN, "solo"))
    assert not any(text.startswith("Say: ") for text in every_prompt(PLAIN))


def test_its_sentences_are_rendered_ahead_and_no_word_is_listened_for_while_the_coach_says_it() -> None:
    assert lint(SETUP) == []
    live = dict(over_prompt(SETUP))
    said = [text for text in every_prompt(SETUP) if text.startswith("Say: ")]
    assert len(said) >= len(words(SETUP))
    assert "breach" not in live["Say: breach."]
    assert "breach" in live["Say: done."]


tries = st.lists(
    st.builds(
        VoiceTry, st.sampled_from(words(SETUP)), st.just("words"), st.sampled_from(("", *words(SETUP))),
        st.booleans(), st.floats(-9, 9), st.just(0.0),
    ),
    max_size=60,
)  # fmt: skip


@given(tries)
def test_any_tries_come_to_a_verdict_and_more_misses_never_meet_the_bars(made: list[VoiceTry]) -> None:
    found = judge(SETUP, made, loud=False)
    if found.met:
        assert not found.unheard
        worse = [*made, VoiceTry("done", "done", "clear", asked=False, score=0.0, floor=0.0)]
        assert not judge(SETUP, worse, loud=False).met
        assert not judge(SETUP, made, loud=True).met
    assert all(name in words(SETUP) for name in found.unheard)


@given(tries)
def test_no_word_is_asked_for_more_than_three_times(made: list[VoiceTry]) -> None:
    name, text = next_word(SETUP, made)
    assert (name == "") == (text == "")
    if name:
        own = [one for one in made if one.command == name]
        assert len(own) <= 2
        assert not any(one.taken == name for one in own)
