"""A second incident while the first is being dealt with: what has begun is finished, and nothing owed is lost."""

from __future__ import annotations

import pytest
from session_driver import Session

from voicecoach.protocol.model import DANGERS
from voicecoach.protocol.navigation.position import pieces
from voicecoach.session.interpret.live_commands import piece_word

HELPED = pytest.mark.parametrize("first", ["unwell", "collapse"])
SECOND = pytest.mark.parametrize("kind", DANGERS)
SETS = pytest.mark.parametrize("name", ["short-practice", "n95-gown", "who-coverall", "papr-gown"])


def helped_out(begin, name: str, first: str, off: int, mode: str = "pair") -> Session:
    """Somebody unwell at work, helped out until `off` pieces have come off."""
    session = begin(name, mode)
    session.go_to_work()
    worn = len(session.state.ledger.on())
    session.hear(first)
    for _ in range(30):
        if len(session.state.ledger.on()) <= worn - off:
            return session
        session.answer_step()
    raise AssertionError("nothing came off")


def piece(session: Session) -> str:
    """The word for the first piece that can be meant."""
    return piece_word(session.setup, pieces(session.setup.protocol, session.state.position)[0])


def names(session: Session) -> list[str]:
    return [note["step"] for note in session.noted("step")]


def to_the_end(session: Session, *words: str) -> list[str]:
    """Say these words; the steps that are read from then on to the end."""
    begun = len(names(session))
    session.hear(*words)
    for _ in range(80):
        if session.state.status == "closed":
            return names(session)[begun:]
        if session.state.question in {"where", "skin"}:
            session.hear("no")
        elif session.state.question == "torn-piece":
            session.hear(piece(session))
        else:
            session.go_one()
    raise AssertionError(f"stranded: {session.step} {session.state.question}")


@SETS
@HELPED
@SECOND
def test_whatever_happens_while_somebody_is_helped_out_the_short_removal_is_finished(
    begin, name: str, first: str, kind: str
) -> None:
    """Rules 12 and 31: never back to the list as written, which counts on things that are off."""
    session = helped_out(begin, name, first, 1)
    written = {step.name for step in session.setup.protocol.steps("undress")}
    assert written.isdisjoint(to_the_end(session, kind))
    assert session.state.ledger.on() == ()
    assert session.state.owed == ()


def test_no_air_with_bare_hands_halfway_through_the_short_removal_leads_on_in_it(begin) -> None:
    """As it was once seen: the list as written then had the gown rolled away by bare hands, not rubbed."""
    session = helped_out(begin, "short-practice", "unwell", 1, "solo")
    assert session.step == "short-hands-1"
    read = to_the_end(session, "no-air")
    assert read[:3] == ["breath-now", "practice-touched-hands", "short-hands-1"]
    assert read.index("short-hands-1") < read.index("short-gown") < read.index("short-hands-2")


@pytest.mark.parametrize(("name", "step"), [("n95-gown", "torn-hands"), ("papr-gown", "torn-hands")])
@HELPED
def test_who_is_taken_ill_with_bare_hands_gets_fresh_gloves_before_anything_dirty_comes_off(
    begin, name: str, step: str, first: str
) -> None:
    session = begin(name, "pair")
    session.go_to("look-at-inner-gloves")
    session.hear("torn", role="observer")
    session.go_to(step)
    read = to_the_end(session, first)
    off = [name for name in read if name in {"short-shield", "short-hood", "short-hose-hood", "short-gown"}]
    assert "short-fresh" in read[: read.index(off[0])]


def test_under_a_hood_without_air_bare_hands_lift_it_and_are_gloved_before_the_belt(begin) -> None:
    """Rule 30: air comes first; afterwards nothing dirty is touched by bare hands."""
    session = begin("papr-gown", "pair")
    session.go_to("look-at-inner-gloves")
    session.hear("torn", role="observer")
    session.go_to("torn-hands")
    session.hear("no-air")
    assert session.step == "now-hood"
    session.answer_step()
    seen = []
    for _ in range(3):
        seen.append(session.step)
        session.answer_step()
    assert seen == ["now-bare", "now-fresh", "now-belt"]


@HELPED
@pytest.mark.parametrize("kind", ["splash", "no-air", "torn", "breach"])
def test_who_is_unwell_is_not_forgotten_over_what_happens_next(begin, first: str, kind: str) -> None:
    """Rule 31: before anything has come off, too."""
    session = begin("n95-gown", "pair")
    session.go_to_work()
    session.hear(first)
    read = to_the_end(session, kind)
    assert "short-gown" in read
    assert "gown-away" not in read


def test_a_question_about_the_skin_that_no_air_interrupts_is_asked_afterwards(begin) -> None:
    session = begin("n95-gown", "pair")
    session.go_to("rub-inner-1")
    session.hear("breach")
    session.answer_step()
    session.hear("no-air")
    for _ in range(5):
        if session.state.question == "where":
            return
        session.answer_step()
    raise AssertionError("where it touched was not asked again")


@pytest.mark.parametrize("kind", ["unwell", "collapse"])
def test_a_question_about_the_skin_that_is_cut_off_counts_as_not_sure(begin, kind: str) -> None:
    """Rule 26: nobody knows what was touched, so the wash and the report are owed."""
    session = begin("n95-gown", "pair")
    session.go_to("rub-inner-1")
    session.hear("breach")
    session.answer_step()
    assert session.state.question == "where"
    assert session.state.owed == ()
    session.hear(kind)
    assert session.state.owed == ("wash", "report")
    assert "wash-skin" in to_the_end(session)
    assert session.state.owed == ()


def test_a_second_breach_asks_for_the_place_itself_and_nothing_is_owed_for_the_first(begin) -> None:
    session = begin("n95-gown")
    session.go_to("rub-inner-1")
    session.hear("breach", "breach")
    assert session.state.owed == ()


@pytest.mark.parametrize("first", ["torn", "needle"])
@pytest.mark.parametrize("second", ["breach", "splash", "no-air"])
def test_a_hole_is_not_forgotten_over_a_second_incident(begin, first: str, second: str) -> None:
    """Rules 28 and 29: the gloves are changed all the same, before the list continues."""
    session = begin("n95-gown")
    session.go_to("rub-inner-2")
    session.hear(first)
    if session.state.question == "torn-piece":
        session.hear("inner-gloves")
    assert session.step == "torn-rub"
    read = to_the_end(session, second)
    assert "torn-fresh" in read[: read.index("hood-away")]
