"""The demo: a whole session through real rendering, mixing and recognising."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from voicecoach.cli.record import machine_of
from voicecoach.listen import registry
from voicecoach.record.read import read
from voicecoach.record.replay import compare
from voicecoach.session.events import CLOCK_HZ, Heard, PromptEnded
from voicecoach.simulate import demo

SEEDS = (1, pytest.param(2, marks=pytest.mark.long))


@pytest.fixture(scope="module", params=SEEDS)
def ran(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[subprocess.CompletedProcess[str], Path]:
    """The demo as it is called, and the folder of its record."""
    if not registry.choose("auto").can_run:
        pytest.skip(reason="no audio engine can run here")
    out = tmp_path_factory.mktemp("demo")
    done = subprocess.run(
        [sys.executable, "-m", "voicecoach", "demo", "--seed", str(request.param), "--out", str(out)],
        cwd=out, env={**os.environ, "COLUMNS": "200"}, stdin=subprocess.DEVNULL,
        capture_output=True, text=True, check=False, timeout=600,
    )  # fmt: skip
    (record,) = out.iterdir()
    return done, record


def test_every_command_is_taken_as_meant_and_no_chatter_is(
    ran: tuple[subprocess.CompletedProcess[str], Path],
) -> None:
    done, _ = ran
    assert done.returncode == 0, done.stdout + done.stderr
    assert ", 0 not as meant" in done.stdout


def test_it_ends_with_the_timeline_what_was_heard_and_where_the_record_is(
    ran: tuple[subprocess.CompletedProcess[str], Path],
) -> None:
    done, record = ran
    timeline, compared = done.stdout.split("heard against said")
    assert "Spread gel over both gloves." in timeline
    assert "could somebody bring more water" in compared
    assert "ignored as it should be" in compared
    assert done.stdout.splitlines()[-1] == f"record: {record}"


def test_a_repeat_a_back_and_a_breach_over_a_prompt_were_heard_and_chatter_refused(
    ran: tuple[subprocess.CompletedProcess[str], Path],
) -> None:
    events = read(ran[1]).events
    heard = [event for event in events if isinstance(event, Heard)]
    assert all(event.source == "voice" for event in heard)
    assert {"repeat", "back", "breach"} <= {event.command for event in heard}
    assert sum(event.command is None for event in heard) >= len(demo.ROOM) - 1  # one or two may run together
    breach = next(event for event in heard if event.command == "breach")
    cut = [event.at for event in events if isinstance(event, PromptEnded) and not event.complete]
    # the voice ahead of the word itself ("oh no, ...") may have cut the prompt already (rule 7)
    assert any(breach.begin - 2 * CLOCK_HZ < at <= breach.at for at in cut), "the breach fell into no prompt"


def test_its_record_replays_word_for_word(ran: tuple[subprocess.CompletedProcess[str], Path]) -> None:
    result = compare(read(ran[1]), machine_of)
    assert result.difference is None
    assert result.effects > 50
