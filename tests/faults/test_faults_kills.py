"""Rule 21: killed at any moment, a session continues to its end, nothing on record is lost and nothing is made up."""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest
from faults_driver import cut_off, driver
from faults_kills import kill_and_continue

from voicecoach.record.journal import Journal
from voicecoach.record.read import read
from voicecoach.record.worn import last_known_worn
from voicecoach.runtime import open_sessions as sessions
from voicecoach.runtime import resume
from voicecoach.runtime.resume import OpenSession
from voicecoach.session.events import Heard, Reopened

GLOVES_ON = "practice-gloves-on"
MODES = ("solo", "pair")
MANY = int(os.environ.get("VOICECOACH_KILLS", "60"))


@pytest.mark.skipif(not hasattr(os, "fork"), reason="forks the process that is to be killed")
@pytest.mark.parametrize(
    ("kills", "mode"), [(10, "solo"), (10, "pair"), *(pytest.param(MANY, m, marks=pytest.mark.long) for m in MODES)]
)
def test_killed_at_random_moments_nothing_is_lost_and_nothing_is_confirmed_that_was_not_said(
    tmp_path: Path, kills: int, mode: str
) -> None:
    tally = kill_and_continue(tmp_path, kills, random.Random(21), mode=mode)  # noqa: S311 not for secrets
    print(tally)
    assert tally.kills == kills
    assert tally.resumed > kills / 3  # most of them struck a session under way
    assert tally.confirmed > 0
    assert (tally.lost, tally.unsaid, tally.broken, tally.not_ended) == (0, 0, 0, 0)


def test_killed_again_before_anything_is_done_about_the_last_word_it_is_continued_all_the_same(tmp_path: Path) -> None:
    folder = tmp_path / "session"
    cut_off(folder, GLOVES_ON)
    before = resume.replayed(driver.setup(), read(folder))
    assert "gloves" not in before.ledger.on()
    for event in (
        Heard(before.at + 1, "done", "done", before.at, before.at + 1, source="typed"),
        Reopened(before.at + 2, 0.0, "the program was started again"),
        Reopened(before.at + 3, 0.0, "the program was started again"),
    ):
        journal = Journal.open_existing(folder)
        journal.write(event)  # and no effect: this is where it is killed
        journal.close()
    assert "gloves" not in read_worn(folder)
    found = sessions.find(tmp_path).open
    assert isinstance(found, OpenSession)
    assert "gloves" in found.state.ledger.on()


def read_worn(folder: Path) -> tuple[str, ...]:
    last = last_known_worn(folder)
    assert last is not None
    return last.on
