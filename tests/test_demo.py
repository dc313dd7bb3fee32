"""The demo: a whole session through real rendering, mixing and recognising."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from voicecoach.audio.line import RATE_HZ
from voicecoach.audio.wav import read_wav
from voicecoach.cli.record import machine_of
from voicecoach.debrief.replay import compare
from voicecoach.listen import registry
from voicecoach.record.read import read
from voicecoach.session.events import CLOCK_HZ, Heard, PromptEnded
from voicecoach.simulate import demo

SEED = 3
"""`tests/bench/demo_seeds.py` plays twenty others."""


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> tuple[subprocess.CompletedProcess[str], Path]:
    """The demo as it is called, and the folder of its record."""
    if not registry.choose("auto").can_run:
        pytest.skip(reason="no audio engine can run here")
    out = tmp_path_factory.mktemp("demo")
    done = subprocess.run(
        [sys.executable, "-m", "voicecoach", "demo", "--seed", str(SEED), "--out", str(out)],
        cwd=out, env={**os.environ, "COLUMNS": "80"}, stdin=subprocess.DEVNULL,
        capture_output=True, text=True, check=False, timeout=600,
    )  # fmt: skip
    (record,) = (path for path in out.iterdir() if path.is_dir() and not path.name.startswith("."))
    return done, record


def test_every_command_is_taken_as_meant_and_no_chatter_is(
    ran: tuple[subprocess.CompletedProcess[str], Path],
) -> None:
    done, _ = ran
    assert done.returncode == 0, done.stdout + done.stderr
    assert ", 0 not understood" in done.stdout


def test_it_ends_with_the_timeline_what_was_heard_and_where_the_record_is(
    ran: tuple[subprocess.CompletedProcess[str], Path],
) -> None:
    done, record = ran
    lines = done.stdout.splitlines()
    assert any(line.endswith("coach   Spread gel over both gloves.") for line in lines)
    assert any('others  "could somebody bring more water"  ignored' in line for line in lines)
    assert lines[-1] == f"record: {record}"
    assert max(map(len, lines[:-3])) <= 80
    assert lines[-3].startswith("conversation: ")
    assert lines[-2].startswith("trainer's page: ")


def test_the_trainer_s_page_lies_beside_the_record(ran: tuple[subprocess.CompletedProcess[str], Path]) -> None:
    page = ran[1].with_suffix(".html").read_text(encoding="utf-8")
    assert page.lower().startswith("<!doctype html>")
    assert "practice" in page.lower()


def test_the_conversation_can_be_listened_to(ran: tuple[subprocess.CompletedProcess[str], Path]) -> None:
    done, record = ran
    sound = read_wav(record.with_suffix(".wav"))
    seconds = float(re.search(r"(\d+) s of session", done.stdout).group(1))  # type: ignore[union-attr]
    assert abs(len(sound) / RATE_HZ - seconds) < 2
    assert 0.001 < float(np.abs(sound).mean()) < 0.3


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
