"""Rule 21, where the record is damaged or old: what is worn by its last good lines, piece by piece, no dressing."""

from __future__ import annotations

from typing import Literal

from hypothesis import given, settings
from hypothesis import strategies as st
from session_driver import Session, setup

from voicecoach.session.effects import Say
from voicecoach.session.events import PartBack, PartLost, Reopened, Salvaged

PIECES = tuple(item.name for item in setup("n95-gown").protocol.items)
WORDS = (
    "yes", "no", "right", "wrong", "stop", "go-on", "pause", "resume", "breach", "false-alarm", "torn", "end-session",
    "start-removal", "back", "not-finished", "went-wrong", "touched", "hand", "rubbing", "dry", "done", None,
)  # fmt: skip
LABELS = {item.name: item.label for item in setup("n95-gown").protocol.items}


def salvaged(
    on: tuple[str, ...], off: tuple[str, ...] = (), why: str = "damaged", mode: Literal["solo", "pair"] = "solo"
) -> Session:
    first = Salvaged(0, mode, "typed", "none", mode == "pair", "2026-01-01", why, ",".join(on), ",".join(off))
    return Session(setup("n95-gown"), mode, independent=mode == "pair", first=first)


def sentences(session: Session) -> list[str]:
    return [effect.text for effect in session.made if isinstance(effect, Say)]


def dressing(session: Session) -> bool:
    """Whether it has come to where somebody is dressed or prepared for it."""
    return session.state.place.stage in {"prepare", "dress"}


def test_it_says_that_it_was_found_and_what_its_last_good_lines_say_and_asks_for_every_piece() -> None:
    session = salvaged(PIECES[:3], PIECES[3:4])
    session.said_out()
    said = sentences(session)
    assert said[:2] == ["An open session was found. Its record is damaged.", "By its last good lines,"]
    for item in PIECES[:3]:
        assert any(LABELS[item].lower() in sentence.lower() for sentence in said[2:-1])
    assert session.state.ledger.hands == "not-rubbed"
    asked = []
    while session.state.question == "item":
        asked.append(session.state.about)
        session.hear("yes" if session.state.about in PIECES[:3] else "no")
    assert asked == list(PIECES)
    assert session.state.question == "removal-area"
    assert session.state.ledger.on() == tuple(item for item in PIECES if item in PIECES[:3])
    session.hear("yes")
    assert session.state.place.stage == "undress"


def test_an_old_one_is_said_to_be_old() -> None:
    assert sentences(salvaged(PIECES[:1], why="old"))[0] == "An open session was found. It is old."


def test_where_nothing_is_known_nothing_is_claimed_to_be_off() -> None:
    session = salvaged(())
    session.said_out()
    assert "Nothing is worn." not in sentences(session)
    assert session.state.question == "item"


def test_with_nothing_worn_after_all_it_ends_instead_of_dressing_anybody() -> None:
    session = salvaged(PIECES[:2])
    session.said_out()
    session.hear(*["no"] * len(PIECES))
    assert session.state.question == "end"
    session.hear("no")
    assert not dressing(session)
    session.hear("end-session")
    session.hear("yes")
    assert session.state.status == "closed"


def test_in_a_pair_the_observer_says_whether_the_removal_may_begin() -> None:
    session = salvaged(PIECES[:2], mode="pair")
    session.said_out()
    session.hear(*["yes"] * len(PIECES))
    assert session.state.question == "all-clear"


def test_not_ready_waits_at_work_and_claims_no_protection() -> None:
    session = salvaged(PIECES[:2])
    session.said_out()
    session.hear(*["yes"] * len(PIECES))
    session.hear("no")
    assert session.state.status == "working"
    assert not any("protected" in sentence for sentence in sentences(session))
    session.hear("start-removal", "yes")
    assert session.state.place.stage == "undress"


def test_without_a_recogniser_it_keeps_asking_and_leads_out() -> None:
    session = salvaged(PIECES[:2])
    session.said_out()
    session.happens(PartLost(session.at, "ears", "died"))
    session.said_out()
    session.pass_s(20.0 * len(PIECES) + 60)
    assert session.state.place.stage == "undress"
    assert set(session.state.ledger.on()) <= set(PIECES[:2])


def test_killed_again_it_continues_with_its_questions() -> None:
    session = salvaged(PIECES[:2])
    session.said_out()
    session.hear("yes")
    session.happens(Reopened(session.at, 1.0, "killed"))
    session.said_out()
    assert session.state.question == "right"
    session.hear("wrong")
    assert (session.state.question, session.state.about) == ("item", PIECES[0])


@settings(max_examples=150, deadline=None)
@given(
    on=st.sets(st.sampled_from(PIECES)),
    mode=st.sampled_from(("solo", "pair")),
    words=st.lists(st.sampled_from((*WORDS, "wait", "deaf", "hears")), max_size=30),
)
def test_whatever_is_answered_nobody_is_dressed(
    on: set[str], mode: Literal["solo", "pair"], words: list[str | None]
) -> None:
    """Also in silence, and with recognisers that fail and come back."""
    session = salvaged(tuple(on), mode=mode)
    session.said_out()
    for word in words:
        if session.state.status in {"closed", "abandoned"}:
            break
        if word == "wait":
            session.pass_s(50)
        elif word in {"deaf", "hears"}:
            gone = PartLost(session.at, "ears", "died") if word == "deaf" else PartBack(session.at, "ears")
            session.happens(gone)
            session.said_out()
        else:
            session.hear(word)
        assert not dressing(session)


def test_a_session_under_way_cannot_be_begun_so() -> None:
    session = Session(setup("n95-gown"))
    before = session.state.status
    session.happens(Salvaged(0, "solo", "typed", "none", False, "x", "damaged", PIECES[0]))
    assert session.state.status == before
    assert session.state.ledger.on() == ()
