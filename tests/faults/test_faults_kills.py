"""Rule 21: killed at any moment, a session continues to its end, nothing on record is lost and nothing is made up."""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest
from faults_kills import kill_and_continue

MODES = ("solo", "pair")
MANY = int(os.environ.get("VOICECOACH_KILLS", "200"))


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
