"""The beginning, the site's own words, and stored sound: CONVERSATION rules 17, 24 and 25."""

from __future__ import annotations

import pytest
from session_driver import ROOT, Session, grammar, setup

from voicecoach.grammar import parse
from voicecoach.protocol.site import NO_SITE, Site, load
from voicecoach.session.effects import Say
from voicecoach.session.events import Opened
from voicecoach.session.machine import Machine
from voicecoach.session.prompts import SAYS, every_prompt, lint
from voicecoach.session.setup import Setup

SITE = Site(
    name="North ward", eyewash="The eye shower is by the east door.", tell="Call the ward on seven.",
    waste="Close the red bag and tie it.", reusable="The shield goes to the blue tub.", approved="2026-05-01",
)  # fmt: skip


def opening(site: Site = NO_SITE, *, training_only: bool = False, mode="solo", audio="clips", independent=True):
    machine = Machine(setup(site=site))
    opened = Opened(0, mode, "typed", audio, training_only=training_only, independent=independent)
    _, effects = machine.step(machine.start(), opened)
    return [effect.text for effect in effects if isinstance(effect, Say)]


@pytest.mark.parametrize(
    ("site", "for_training", "said"), [(NO_SITE, False, True), (SITE, False, False), (SITE, True, True)]
)
def test_training_only_unless_the_site_has_approved_and_the_recogniser_is_good_enough(site, for_training, said) -> None:
    """Rule 24."""
    assert (grammar().say("intro-training") in opening(site, training_only=for_training)) is said


@pytest.mark.parametrize("audio", ["clips", "full", "none"])
def test_it_says_what_is_recorded_and_which_recogniser_it_uses(audio: str) -> None:
    """Rules 24 and 25."""
    said = opening(audio=audio)
    assert grammar().say(f"intro-audio-{audio}") in said
    assert grammar().say("intro-ear-typed") in said


def test_with_one_microphone_for_two_it_says_that_it_cannot_tell_them_apart() -> None:
    """Rule 15."""
    assert grammar().say("intro-one-microphone") in opening(mode="pair", independent=False)
    assert grammar().say("intro-one-microphone") not in opening(mode="pair")


def test_no_audio_is_taken_at_any_leisure_and_noted_for_the_record(begin) -> None:
    """Rule 25."""
    session = begin()
    session.go_to("practice-gown-on")
    session.hear("no-audio")
    assert session.state.audio == "none"
    assert len(session.noted("no-audio")) == 1
    assert session.step == "practice-gown-on"


def test_the_sites_words_are_said_where_they_matter(begin) -> None:
    """Eyes: the eyewash; any exposure: whom to tell; the end: waste and what is used again.

    Rule 27: a place and a telephone are named only to somebody with nothing on and clean hands.
    """
    session = begin("n95-gown", site=SITE)
    session.go_to("gown-away")
    session.hear("stop", "touched")
    effects = session.hear("eyes", quiet=False)
    assert session.says(effects)[0] == grammar().say("owed-later")
    session.said_out()
    while session.step != "wash-skin":
        assert not {SITE.eyewash, SITE.tell} & set(session.says())
        session.go_one()
    assert session.state.ledger.on() == ()
    session = begin(site=SITE)
    session.go_to("practice-leave")
    effects = session.hear("done", quiet=False)
    assert session.says(effects)[1:4] == [SITE.waste, SITE.reusable, SITE.tell]


@pytest.mark.parametrize(("place", "wanted"), [("eyes", True), ("arm", False)])
def test_the_eyewash_is_named_for_the_eyes_and_the_desk_with_the_report(begin, place: str, wanted: bool) -> None:
    session = begin("n95-gown", site=SITE)
    session.go_to("rub-hands-2")
    session.hear("stop", "touched", place)
    while session.step != "report-exposure":
        session.go_one()
    assert session.state.ledger.on() == ()
    said = [effect.text for effect in session.made if isinstance(effect, Say)]
    assert (SITE.eyewash in said) == wanted
    assert said[-1] == SITE.tell


def test_all_that_a_site_has_to_say_is_rendered_ahead() -> None:
    assert {SITE.eyewash, SITE.tell, SITE.waste, SITE.reusable} <= set(every_prompt(setup(site=SITE)))


@pytest.mark.parametrize("language", ["en", "ko"])
def test_each_grammar_has_all_of_the_coachs_sentences(language: str) -> None:
    words = parse((ROOT / f"grammars/{language}.yaml").read_text(encoding="utf-8"), f"{language}.yaml")
    assert [error.line() for error in lint(Setup(setup().protocol, words))] == []


def test_the_list_of_sentences_has_no_key_too_many() -> None:
    """Recognisers name themselves: 'intro-ear-' and the engine. The record's code is said by the loop."""
    spare = {key for key, _ in grammar().says} - set(SAYS) - {"record-code"}
    assert spare == {f"intro-ear-{name}" for name in ("mixed", "moonshine", "phonemes", "vosk", "typed")}


def test_a_sentence_that_says_a_danger_word_or_is_missing_is_told_with_its_key() -> None:
    text = (ROOT / "grammars/en.yaml").read_text(encoding="utf-8")
    broken = text.replace("  noted: Noted. We continue.\n", "").replace("  paused: I wait.", "  paused: I stop.")
    found = [error.line() for error in lint(Setup(setup().protocol, parse(broken, "en.yaml")))]
    assert len(found) == 2
    assert "'noted'" in found[0]
    assert "says.paused" in found[1]


def test_a_session_is_the_same_word_for_word_from_the_same_events(begin) -> None:
    session = begin("n95-gown", "pair")
    session.go_to("rub-inner-1")
    session.hear("breach", "rubbing")
    machine = Machine(setup("n95-gown"))
    state, again = machine.start(), []
    for event in session.events:
        state, effects = machine.step(state, event)
        again += effects
    assert state == session.state
    assert sum(isinstance(effect, Say) for effect in again) == session.state.prompts


def test_a_site_file_is_read_with_its_figures() -> None:
    site = load("name: North\ncontact-times: {hand-rub: 30}\nwear-limit-min: 45\ncheck-every-min: 5\n", "site.yaml")
    assert (site.contact_s("hand-rub", 20), site.wear_limit_s, site.check_s) == (30, 2700, 300)
    assert isinstance(Session(setup(site=site)).state.place.step, int)
