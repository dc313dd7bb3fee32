"""Incidents as a tired wearer meets them: CONVERSATION rules 26 to 37, in two protocols each."""

from __future__ import annotations

from dataclasses import replace

import pytest
from session_driver import Session, grammar

from voicecoach.grammar import match
from voicecoach.protocol.model import DANGERS
from voicecoach.protocol.navigation.position import step_at, suffered
from voicecoach.protocol.site import Site
from voicecoach.session.events import Heard, PartLost
from voicecoach.session.exposure import Exposure

TWO = pytest.mark.parametrize("name", ["n95-gown", "who-coverall"])
HOODS = pytest.mark.parametrize("name", ["papr-gown", "papr-coverall"])


def said_until(session: Session, step: str, most: int = 80) -> list[str]:
    """Go on as written until that step is asked; all that is said on the way."""
    begun = len(session.made)
    for _ in range(most):
        if session.step == step:
            return session.says(session.made[begun:])
        session.go_one()
    raise AssertionError(f"{step} was not reached: {session.step} {session.state.question}")


@HOODS
def test_without_air_in_removal_the_hood_comes_off_before_the_gel(begin, name: str) -> None:
    """Rule 30: by the assistant, where there is one; the list continues without hood and hose."""
    session = begin(name, "pair")
    session.go_to("rub-inner-1")
    effects = session.hear("no-air", quiet=False)
    assert session.says(effects) == ["Assistant, lift the hood now."]
    session.said_out()
    assert session.step == "now-hood"
    session.hear("hood-off", role="assistant")
    assert {"hood", "hose"}.isdisjoint(session.state.ledger.on())
    assert session.step == "now-belt"
    session.hear("belt-off", role="assistant")
    assert session.step == "now-inner"
    session.answer_step()
    assert session.step == "rub-inner-1"


@HOODS
def test_in_routine_the_hood_is_on_only_while_air_flows(begin, name: str) -> None:
    """Rule 30: blower first in dressing; in removal the hood comes off in the step after the loosened hose."""
    session = begin(name, "pair")
    dress = [step.name for step in session.setup.protocol.steps("dress")]
    assert dress.index("hose-on") < dress.index("hood-on")
    removal = [step.name for step in session.setup.protocol.steps("undress")]
    assert removal.index("hood-away") == removal.index("hose-away") + 1


@TWO
def test_an_exposure_is_a_debt_that_no_later_no_cancels(begin, name: str) -> None:
    """Rules 26 and 27: eyes touched in removal, "no" when asked about anything wet: the wash comes all the same."""
    session = begin(name)
    session.go_to(session.setup.protocol.steps("undress")[1].name)
    session.hear("stop", "touched", "eyes")
    assert session.state.owed == ("wash", "report")
    said = said_until(session, "wash-skin")
    assert session.state.ledger.on() == ()
    assert not [text for text in said if "Report it" in text]
    said_until(session, "anything-on-skin")
    assert session.state.owed == ()
    assert [note["what"] for note in session.noted("paid")] == ["wash", "report"]


@TWO
def test_a_contact_while_leaving_is_washed_at_once(begin, name: str) -> None:
    """Rule 27, `close`."""
    session = begin(name)
    session.go_to("anything-on-skin")
    session.hear("splash", "face")
    assert session.step == "wash-skin"


@TWO
def test_a_needle_while_dressing_ends_the_entry(begin, name: str) -> None:
    """Rules 27 and 28: put it down, what is on comes off, wash and report without asking, nothing more is put on."""
    session = begin(name)
    session.go_to(session.setup.protocol.steps("dress")[-2].name)
    effects = session.hear("needle", quiet=False)
    assert session.says(effects)[0].startswith("Put it down")
    session.said_out()
    said = said_until(session, "wash-skin")
    assert session.state.ledger.on() == ()
    assert grammar().say("work-begins") not in said
    assert session.noted("work") == []
    session.go_to_end()
    assert session.state.owed == ()
    assert session.state.status == "closed"


@TWO
def test_a_needle_in_removal_changes_the_punctured_gloves(begin, name: str) -> None:
    """Rule 28: as torn ones, in their order; no question about the skin."""
    session = begin(name)
    session.go_to(session.setup.protocol.steps("undress")[1].name)
    session.hear("needle")
    seen = []
    while session.state.place.detours:
        seen.append(session.step)
        assert session.state.question == ""
        session.answer_step()
    assert seen == [
        "both-rub-outer", "both-outer-away", "both-rub-inner", "both-inner-away", "both-hands", "both-fresh-inner",
        "both-fresh-outer",
    ]  # fmt: skip
    assert session.state.owed == ("wash", "report")


@TWO
@pytest.mark.parametrize("role", ["wearer", "observer"])
def test_torn_asks_which_piece_whoever_says_it(begin, name: str, role: str) -> None:
    """Rule 29: inner gloves take the inner gloves' branch at once, before the list continues."""
    session = begin(name, "pair")
    session.go_to(session.setup.protocol.steps("undress")[1].name)
    here = session.step
    effects = session.hear("torn", role=role)
    assert session.says(effects) == ["Hands away from everything."]
    assert session.state.question == "torn-piece"
    session.hear("inner-gloves", role=role)
    assert session.step == "both-rub-outer"
    while session.step.startswith("both-"):
        session.answer_step()
    session.hear("no")
    assert session.step == here


@TWO
def test_a_torn_piece_while_dressing_counts_as_on_only_when_a_fresh_one_is(begin, name: str) -> None:
    """Rule 29."""
    session = begin(name)
    session.go_to(session.setup.protocol.steps("dress")[-1].name)
    session.hear("torn")
    session.hear("outer-gloves")
    assert session.step == "fresh-outer-gloves-outer-gloves"
    session.hear("done")
    assert "outer-gloves" not in session.state.ledger.on()
    assert session.step == "outer-gloves-on"


@TWO
def test_who_feels_faint_sits_and_is_led_out_of_the_suit_never_back_to_the_step(begin, name: str) -> None:
    """Rule 31."""
    session = begin(name, "pair")
    session.go_to(session.setup.protocol.steps("undress")[1].name)
    effects = session.hear("unwell", quiet=False)
    assert session.says(effects) == ["Sit down on the dirty seat."]
    session.said_out()
    assert session.step == "unwell-call"
    session.hear("done", role="observer")
    session.hear("yes")
    assert session.step.startswith("short-")
    session.go_to_end()
    assert session.state.status == "closed"
    assert session.state.ledger.on() == ()


@TWO
def test_words_for_somebody_who_is_down_are_for_helpers(begin, name: str) -> None:
    """Rule 31: whoever helps may answer, and nobody is told to bow."""
    session = begin(name, "pair")
    session.go_to(session.setup.protocol.steps("undress")[-4].name)
    session.hear("collapse", role="observer")
    said = said_until(session, "anything-on-skin")
    assert not [text for text in said if text.startswith(("Bow", "Close your eyes"))]


@TWO
def test_a_splash_while_dressing_asks_where_and_cancels_the_entry(begin, name: str) -> None:
    """Rules 26, 27 and 32: also "eyes" straight after it, and somebody who does not know where."""
    for word in ("eyes", "mouth", "unsure", "glove"):
        session = begin(name)
        session.go_to(session.setup.protocol.steps("dress")[-2].name)
        session.hear("splash", quiet=False)
        if word == "eyes":
            session.hear(word, quiet=False)
            assert session.noted("exposure")[-1]["place"] == "eyes"
            session.said_out()
        else:
            session.said_out()
            assert session.state.question == "where"
            session.hear(word)
        assert session.state.no_entry
        assert session.step.startswith("short-")
        assert "wash" in session.state.owed


@TWO
def test_a_false_alarm_right_after_it_takes_the_debt_away(begin, name: str) -> None:
    """Rule 26."""
    session = begin(name)
    session.go_to(session.setup.protocol.steps("undress")[1].name)
    session.hear("splash", "false-alarm")
    assert session.state.owed == ()
    assert session.state.exposures == ()


@TWO
def test_closing_with_a_debt_says_so(begin, name: str) -> None:
    """Rule 26: in words and in the record."""
    session = begin(name)
    session.go_to("anything-on-skin")
    session.hear("needle")
    effects = session.hear("end-session", quiet=False)
    assert session.says(effects) == [grammar().say("still-owed"), grammar().say("ask-end-owed")]
    session.said_out()
    session.hear("yes")
    assert session.noted("end")[0]["owed"] == "wash, report"


def test_a_seal_that_fails_twice_means_another_model_or_no_entry(begin) -> None:
    """Rule 37."""
    session = begin("n95-gown")
    session.go_to("seal-check")
    session.hear("loose")
    assert session.step == "refit"
    session.hear("done", "loose")
    assert session.step == "other-model"
    session.hear("no")
    assert session.step == "nobody-goes-in"
    session.hear("done")
    assert session.step.startswith("short-")


def test_the_observer_who_comes_late_ends_the_alarm_with_the_awaited_word(begin) -> None:
    """Rule 33."""
    session = begin("n95-gown", "pair")
    session.go_to("shield-away")
    session.hear("understood", "shield-off")
    assert session.state.status == "confirming"
    session.pass_s(130)
    assert session.noted("alarm")
    session.hear("confirm", role="observer")
    assert session.step == "rub-inner-2"


@pytest.mark.parametrize("word", ["mask-on", "not-finished", "is-on"])
def test_a_respirator_that_is_still_on_leads_back_to_the_act(begin, word: str) -> None:
    """Rule 36."""
    session = begin("n95-gown")
    session.go_to("ask-respirator")
    assert "respirator" not in session.state.ledger.on()
    session.hear(word)
    assert session.step == "respirator-away"
    assert "respirator" in session.state.ledger.on()


def test_eyes_are_rinsed_at_once_only_where_the_site_says_so(begin) -> None:
    """Rule 27: by a second person with clean hands; the cautious default is when out. Under a shield, nobody can."""
    for eyes_at_once, there, step in (
        (True, "gown-away", "rinse-hands"),
        (True, "rub-inner-1", "rub-inner-1"),
        (False, "gown-away", "gown-away"),
    ):
        session = begin("n95-gown", "pair", site=Site(name="x", eyes_at_once=eyes_at_once))
        session.go_to(there)
        session.hear("splash")
        session.answer_step()
        session.hear("eyes")
        assert session.step == step


@pytest.mark.parametrize("name", ["n95-gown", "papr-gown", "who-coverall", "short-practice"])
def test_the_first_aid_is_what_is_published(begin, name: str) -> None:
    """US OSHA 29 CFR 1910.1030 (second-hand): skin soap and water, eyes and mouth flushed with water, reported at once.

    CDC and NIOSH (from memory): water for splashes to nose and mouth.
    WHO 2014 (from memory): water for the eyes, no chlorine; the wash comes after the controlled way out.
    """
    protocol = begin(name).setup.protocol
    steps = {step.name: step for step in protocol.branch(protocol.wash).steps}
    assert "Soap and running water" in steps["wash-skin"].say
    assert "eyes and mouth: water alone" in steps["wash-skin"].say
    assert "No chlorine" in steps["wash-skin"].help
    assert [step.pays for step in steps.values()] == ["wash", "", "report"]


@pytest.mark.parametrize("kind", DANGERS)
@pytest.mark.parametrize("name", ["n95-gown", "papr-gown"])
def test_every_incident_word_reaches_its_first_act_at_once_from_every_step(begin, name: str, kind: str) -> None:
    """Rules 7 and 11. "No air" without a hood over the face is said by somebody unwell."""
    session = begin(name, "pair")
    for _ in range(120):
        state = session.state
        if state.status == "closed":
            break
        if kind in state.listening and state.place.step >= 0:
            after, effects = session.machine.step(state, _heard(session, kind))
            if after.status == "breached":
                meant = suffered(session.setup.protocol, state.place, state.ledger, kind)
                rule = next(
                    r for r in session.setup.protocol.breaches if r.kind == meant and state.place.stage in r.stages
                )
                assert session.says(list(effects))[0] in {rule.first, rule.first_alone}
        session.go_one()
    assert session.state.place.stage == "close"


def _heard(session: Session, kind: str) -> Heard:
    return Heard(session.at, kind, kind, session.at, session.at)


def test_what_is_owed_is_said_with_the_place_in_the_list(begin) -> None:
    """Rule 26: it is shown, and "where am I" says it until it is paid."""
    session = begin("n95-gown")
    session.go_to("rub-inner-1")
    session.hear("stop", "touched", "eyes")
    session.said_out()
    session.answer_step()
    effects = session.hear("where-am-i", quiet=False)
    assert session.says(effects)[-1] == grammar().say("still-owed")


@TWO
@pytest.mark.parametrize("words", ["unwell", "i feel faint", "help me please"])
def test_whoever_is_unwell_may_say_so_in_one_word(begin, name: str, words: str) -> None:
    """Rule 31."""
    session = begin(name)
    session.go_to(session.setup.protocol.steps("undress")[1].name)
    assert match(grammar(), words, session.state.listening) == "unwell"


@TWO
def test_a_piece_that_is_missing_is_named_and_replaced(begin, name: str) -> None:
    """Rule 37: before dressing, and when the observer is asked which piece and which fault."""
    session = begin(name, "pair")
    session.go_to("look-at-set")
    session.hear("missing", role="observer")
    assert session.step == "make-ready-now"
    session.hear("done", role="observer")
    assert session.step == "look-at-set"
    session.hear("missing", role="observer")
    session.hear("no")
    assert session.step == "nobody-goes-in"


@pytest.mark.parametrize("name", ["n95-gown", "papr-gown", "who-coverall", "ambulance-bay", "everyday-precautions"])
@pytest.mark.parametrize("mode", ["solo", "pair"])
def test_a_shortened_removal_has_a_rub_between_every_two_pieces_unless_the_site_leaves_them_out(
    begin, name: str, mode: str
) -> None:
    """Rule 31, and hygiene between every two removals: CDC training modules and WHO poster, coverall (read)."""
    asked: dict[bool, list[str]] = {}
    for fewer in (False, True):
        session = begin(name, mode, independent=True, site=Site(name="x", fewer_rubs=fewer))
        session.go_to_work()
        session.hear("unwell", "done", "yes")
        kinds = asked[fewer] = []
        while session.state.place.stage != "close":
            step = step_at(session.setup.protocol, session.state.place)
            assert step is not None, session.state
            kinds += ["rub" if act.kind in {"disinfect", "hygiene"} else act.kind for act in step.acts[-1:]]
            session.answer_step()
        assert session.state.ledger.on() == ()
    assert "doff doff" not in " ".join(asked[False])
    assert "doff doff" in " ".join(asked[True]) or name == "everyday-precautions"
    assert asked[False].count("doff") == asked[True].count("doff")


@HOODS
@pytest.mark.parametrize("then", [("splash",), ("unwell",), ("stop", "touched", "hand"), ("collapse",)])
def test_whatever_else_happens_a_hood_without_air_still_comes_off_first(
    begin, name: str, then: tuple[str, ...]
) -> None:
    """Rule 30: another incident in between does not leave the hood on."""
    session = begin(name, "pair")
    session.go_to("rub-inner-1")
    session.hear("no-air", *then)
    assert session.step == "now-hood"
    session.hear("done")
    assert "hood" not in session.state.ledger.on()
    assert session.step != "now-hood"


@HOODS
def test_with_the_hose_loosened_an_incident_takes_the_hood_off_first(begin, name: str) -> None:
    """Rule 30: the air has ended with the hose, also where nobody has said so."""
    session = begin(name, "pair")
    session.go_to("hood-away")
    session.hear("splash")
    assert session.step == "now-hood"


@HOODS
def test_a_false_alarm_about_air_leaves_the_hood_on(begin, name: str) -> None:
    session = begin(name, "pair")
    session.go_to("rub-inner-1")
    session.hear("no-air", "false-alarm")
    assert session.step == "rub-inner-1"
    session.hear("splash")
    assert session.step.startswith("touched-")


@TWO
def test_a_splash_while_leaving_comes_back_to_what_it_came_in_between_of(begin, name: str) -> None:
    """Rule 27: washed at once, and nothing that comes later is passed over."""
    session = begin(name)
    session.go_to("tidy")
    session.hear("splash", "face")
    assert session.step == "wash-skin"
    while session.step in {"wash-skin", "wash-hands", "report-exposure"}:
        session.answer_step()
    assert session.step == "tidy"


def test_without_a_recogniser_a_touch_whose_place_nobody_names_counts_and_ends_the_entry(begin) -> None:
    """Rules 19 and 26: nobody is dressed on because nobody could answer."""
    session = begin("papr-gown", "pair")
    session.go_to("hose-on")
    session.hear("stop", "touched")
    session.happens(PartLost(session.at, "ears", "died"))
    session.said_out()
    session.pass_s(15)
    assert session.state.exposures
    assert session.step != "hose-on"


@HOODS
def test_under_a_hood_without_air_silence_is_not_borne_for_long(begin, name: str) -> None:
    """Rules 20 and 30: said again after ten seconds, and whoever is there may do it."""
    session = begin(name, "pair")
    session.go_to_work()
    session.hear("no-air", "done")
    assert session.step == "outside-hood"
    session.pass_s(12)
    assert session.state.silence == 1
    session.pass_s(12)
    assert session.state.question == "all-right"
    session.hear("hood-off", role="wearer")
    assert "hood" not in session.state.ledger.on()


@pytest.mark.parametrize(("word", "rubs"), [("splash", True), ("unwell", False)])
def test_who_never_went_in_is_rubbed_between_pieces_only_after_an_exposure(begin, word: str, rubs: bool) -> None:
    """Rule 40: nobody is kept in a suit for rubs that nothing asks for."""
    session = begin("n95-gown", "pair", independent=True)
    session.go_to("look-for-skin")
    session.hear(word, *(["neck"] if rubs else ["done", "yes"]))
    said_until(session, "wash-skin" if rubs else "anything-on-skin")
    begun = [note["step"] for note in session.noted("step")]
    assert any(step.startswith("short-between-") for step in begun) == rubs


@pytest.mark.parametrize("name", ["n95-gown", "who-coverall", "papr-gown", "everyday-precautions", "ambulance-bay"])
def test_eyes_are_never_rinsed_under_a_piece_and_never_twice_wherever_they_were_touched(begin, name: str) -> None:
    """Rule 27, from every step of the removal until nothing is worn."""
    session = begin(name, "pair", independent=True, site=Site(name="x", eyes_at_once=True))
    protocol = session.setup.protocol
    over_eyes = {item.name for item in protocol.items if "eyes" in {item.site, *item.tight}}
    session.go_to_work()
    starts = []
    while session.state.place.stage != "close":
        if session.state.place.stage == "undress" and "touched" in session.state.listening:
            starts.append(session.state)
        session.go_one()
    assert len(starts) > 8
    rinsed_in_removal = 0
    for start in starts[::3]:
        session.state = replace(start, timers=())
        session.due.clear()
        session.notes.clear()
        session.hear("touched")
        rinses = 0
        while session.state.place.stage == "undress":
            if session.state.status == "asking":
                session.hear("eyes")
                continue
            if session.step == "rinse-eyes" and session.state.status == "awaiting":
                rinses += 1
                assert not over_eyes & set(session.state.ledger.on())
            session.answer_step()
        assert rinses <= 1
        rinsed_in_removal += rinses
    assert rinsed_in_removal


def test_no_to_ending_with_something_owed_leads_to_the_wash(begin) -> None:
    """Rules 26 and 32: the question is not asked for ever."""
    session = begin("n95-gown", "pair", independent=True)
    session.go_to("tidy")
    session.state = replace(session.state, exposures=(Exposure("arm", "splash", "work", "", 0, (), led=True),))
    session.hear("yes", role="observer")
    assert session.state.question == "end"
    session.hear("no")
    assert session.step == "wash-skin"
    session.answer_step()
    session.go_to_end()
    assert not session.state.owed
