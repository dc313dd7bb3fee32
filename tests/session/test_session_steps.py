"""One step: CONVERSATION rules 1 to 6."""

from __future__ import annotations

import pytest
from session_driver import grammar, setup

from voicecoach.protocol.navigation.position import steps_named
from voicecoach.protocol.site import Site
from voicecoach.session.effects import Note, Say, SetTimer, Tone
from voicecoach.session.events import Heard, TimerFired
from voicecoach.session.interpret.live_commands import OVER_PROMPT
from voicecoach.session.prompts import every_prompt, lint, over_prompt, own_sentences

PROTOCOLS = ("short-practice", "n95-gown", "papr-gown", "who-coverall", "ambulance-bay")


def tones(effects) -> list[str]:
    return [effect.tone for effect in effects if isinstance(effect, Tone)]


@pytest.mark.parametrize("name", PROTOCOLS)
def test_no_prompt_is_longer_than_12_words(name: str) -> None:
    """Rule 1; help is asked for and may be longer."""
    helps = {step.help for step in steps_named(setup(name).protocol).values()}
    assert [text for text in every_prompt(setup(name)) if len(text.split()) > 12 and text not in helps] == []


def test_the_warning_comes_before_the_act(begin) -> None:
    """Rule 1."""
    session = begin()
    session.go_to("practice-rub-gloves")
    session.hear("rubbing")
    session.fire("rub")
    effects = session.hear("dry", quiet=False)
    step = steps_named(session.setup.protocol)["practice-gown-away"]
    assert session.says(effects) == [step.warn, step.say]


def test_the_coachs_own_sentences_hold_no_word_that_is_always_listened_for() -> None:
    """Rule 2, as text; what a recogniser makes of them is tested where one is."""
    assert [error.line() for error in lint(setup())] == []


@pytest.mark.parametrize("name", PROTOCOLS)
def test_no_prompt_says_a_word_that_may_be_live_while_it_sounds(name: str) -> None:
    """Rule 2, as text. Ordinary uses of a way (tie back your hair) are for a recogniser to judge."""
    phrases = {command.name: command.phrases for command in grammar().commands if command.name not in OVER_PROMPT}
    said = []
    for text, words in over_prompt(setup(name)):
        plain = f" {text.lower().replace('.', '').replace('?', '').replace(',', '')} "
        said += [(text, word) for word in words for phrase in phrases.get(word, ()) if f" {phrase} " in plain]
    assert said == []


def test_an_inspection_has_no_answer_that_looking_was_not_needed_for(begin) -> None:
    """Rule 3: 'done' does not answer 'look'."""
    session = begin()
    session.go_to("practice-look")
    effects = session.hear("done", quiet=False)
    assert session.step == "practice-look"
    assert session.says(effects) == [grammar().say("hint-look")]
    session.said_out()
    session.hear("clear")
    assert session.step == "practice-rub-gloves"


def test_a_step_that_matters_is_answered_by_name_and_read_back(begin) -> None:
    """Rules 3 and 4."""
    session = begin()
    session.go_to("practice-gown-away")
    session.hear("done")
    assert session.step == "practice-gown-away"
    effects = session.hear("gown-off", quiet=False)
    assert session.says(effects)[0] == "Gown off."
    assert session.state.ledger.on() == ("mask",)


def test_a_rub_runs_from_its_start_word_and_the_coach_calls_its_end(begin) -> None:
    """Rule 3."""
    session = begin()
    session.go_to("practice-first-rub")
    effects = session.hear("rubbing", quiet=False)
    assert SetTimer("rub", 3.0) in effects
    effects = session.hear("dry", quiet=False)
    assert tones(effects) == ["early"]
    assert session.state.status == "timing"
    effects = session.fire("rub")
    assert session.noted("time-up")[-1]["seconds"] == "3.0"
    session.hear("dry")
    assert session.step == "practice-gown-on"


def test_a_timer_that_does_not_run_ends_no_rub(begin) -> None:
    """Rule 3."""
    session = begin()
    session.go_to("practice-first-rub")
    session.happens(TimerFired(session.at, "rub"))
    assert session.state.status == "awaiting"


def test_a_dry_begun_before_the_end_was_called_is_early(begin) -> None:
    """Rules 3 and 4: it is about the wet hands of before."""
    session = begin()
    session.go_to("practice-first-rub")
    session.hear("rubbing")
    begun = session.due["rub"] - 3000
    session.pass_s(3.0)
    session.said_out()
    assert session.state.status == "drying"
    effects = session.happens(Heard(session.at, "dry", "dry", begun, begun + 6000))
    assert tones(effects) == ["early"]
    assert session.step == "practice-first-rub"


def test_a_site_may_ask_for_longer_but_never_for_less(begin) -> None:
    """Rule 3: times come from the protocol or the site."""
    for site_s, held_s in ((10.0, 10.0), (1.0, 3.0)):
        session = begin(site=Site(name="x", contact_times=(("hand-rub", site_s),)))
        session.go_to("practice-first-rub")
        assert SetTimer("rub", held_s) in session.hear("rubbing")


def test_an_answer_over_the_prompt_is_heard_early_and_does_not_count(begin) -> None:
    """Rule 4: its own sound, never silence."""
    session = begin()
    session.go_to("practice-gown-on")
    effects = session.hear("done", quiet=False)
    assert tones(effects) == ["taken"]
    assert session.state.status == "prompting"
    effects = session.hear("done", quiet=False)
    assert tones(effects) == ["early"]
    assert session.step == "practice-mask-on"
    session.said_out()
    session.hear("done")
    assert session.step == "practice-gloves-on"


def test_an_answer_begun_over_the_prompt_and_heard_after_it_does_not_count_either(begin) -> None:
    """Rule 4."""
    session = begin()
    session.go_to("practice-gown-on")
    begun = session.state.answers_from - 1600
    effects = session.happens(Heard(session.at + 100, "done", "done", begun, session.at))
    assert tones(effects) == ["early"]
    assert session.step == "practice-gown-on"


def test_no_word_is_asked_for_while_the_mask_is_moved(begin) -> None:
    """Rules 5 and 36: the question comes after the rub, and confirms both; the wearer's own sign ends the silence."""
    session = begin()
    session.go_to("practice-rub-hands")
    session.answer_step()
    assert session.step == "practice-mask-away"
    assert {"breach", "done", "rubbing"} <= set(session.state.listening)
    before = len(session.noted("step-confirmed"))
    session.fire("quiet")
    assert session.step == "practice-mask-away", "no number of seconds takes it for off"
    session.hear("rubbing", quiet=False)
    assert (session.step, session.state.status) == ("practice-last-rub", "timing")
    assert session.noted("jump")[-1]["step"] == "practice-mask-away"
    assert len(session.noted("step-confirmed")) == before
    session.fire("rub")
    session.hear("dry")
    assert [note["step"] for note in session.noted("step-confirmed")[before:]] == [
        "practice-last-rub",
        "practice-mask-away",
    ]


def test_the_number_of_the_step_is_said_only_when_asked(begin) -> None:
    """Rule 6: 9 steps, the gown is the third."""
    session = begin()
    session.go_to("practice-gown-on")
    assert not [s for s in own_sentences(setup()) if s.startswith("You are at") and s in session.says()]
    effects = session.hear("where-am-i", quiet=False)
    steps = [len(setup().protocol.steps(stage)) for stage in ("prepare", "dress", "undress", "close")]
    assert session.says(effects) == [f"You are at 3 of {sum(steps)}."]


def test_help_and_time_move_nothing(begin) -> None:
    session = begin("n95-gown", "pair")
    session.go_to("fit-today")
    before = session.state.place
    assert "Short nails." in session.says(session.hear("help", quiet=False))[0]
    session.said_out()
    assert session.says(session.hear("time", quiet=False)) == [grammar().say("nothing-on")]
    assert session.state.place == before


def test_how_long_it_has_been_worn_is_said_only_roughly(begin) -> None:
    session = begin()
    session.go_to_work()
    session.happens(Heard(session.at + 16_000 * 60 * 12, "time", "time"))
    assert session.says() == ["Worn for about 10 minutes."]


def test_a_step_about_something_not_worn_is_passed_over_with_its_reason(begin) -> None:
    session = begin()
    session.go_to("practice-look")
    session.hear("pause")
    session.hear("resume")
    jumps = {note["step"]: note["cause"] for note in session.noted("jump")}
    session.hear("right")
    jumps = {note["step"]: note["cause"] for note in session.noted("jump")}
    assert session.step == "practice-rejoin-gloves"
    session.answer_step()
    assert {n["step"]: n["cause"] for n in session.noted("jump")} == {
        **jumps, "practice-rejoin-hands": "gloves is worn",
    }  # fmt: skip


def test_unclear_speech_gets_one_say_again_a_step(begin) -> None:
    """Scene S5."""
    session = begin()
    session.go_to("practice-gown-on")
    said = [session.says(session.hear(None, quiet=False)) for _ in range(4) if session.said_out() is None]
    assert said == [[grammar().say("say-again")], [], [], []]


def test_every_note_is_made_of_texts(begin) -> None:
    session = begin("n95-gown", "pair")
    session.go_to_end()
    assert all(isinstance(part, str) for note in session.notes for pair in note.details for part in pair)
    assert all(isinstance(note, Note) for note in session.notes)
    assert not any(isinstance(effect, Say) for effect in session.fresh)
