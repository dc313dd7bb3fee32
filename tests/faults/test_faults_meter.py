"""The level meter is written over itself, below the transcript, and holds nothing up."""

from __future__ import annotations

import io
from collections.abc import Callable

import numpy as np
from rich.console import Console

from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ, Block
from voicecoach.runtime.level_meter import LevelMeter, can_show


def block(at: int, level: float, channels: int = 1) -> Block:
    heard = np.full((BLOCK_FRAMES, channels), level, np.float32)
    return Block(at, heard, np.zeros(BLOCK_FRAMES, np.float32))


def test_it_shows_the_loudest_of_each_quarter_second_and_only_what_has_changed() -> None:
    out, tasks = io.StringIO(), list[Callable[[], None]]()
    meter = LevelMeter(Console(file=out, force_terminal=True), tasks.append)
    for number in range(RATE_HZ // BLOCK_FRAMES):
        before = out.getvalue()
        meter.feed(block(number * BLOCK_FRAMES, 0.5 if number == 20 else 0.001, channels=2))
        assert out.getvalue() == before  # nothing is written by whoever feeds it
        while tasks:
            tasks.pop()()
    lines = out.getvalue().split("\r\x1b[2Klevel ")[1:]
    assert len(lines) == 3  # quiet, the loud one, quiet again
    assert lines[1].count("-6 dB") == 2
    assert lines[0] == lines[2]


def test_a_line_of_the_transcript_comes_above_it() -> None:
    out = io.StringIO()
    console = Console(file=out, force_terminal=True)
    meter = LevelMeter(console, lambda task: task())
    meter.feed(block(0, 0.1))
    shown = meter.around(lambda *_: console.print("said"))
    shown(None, None, ())  # type: ignore[arg-type]
    wiped, said = out.getvalue().rsplit("level", 1)[0].rsplit("\r\x1b[2K", 2)[1:]
    assert wiped.startswith("said")
    assert said == ""
    assert out.getvalue().endswith("dB")


def test_where_no_line_can_be_written_over_there_is_none() -> None:
    assert not can_show(Console(file=io.StringIO()))
    assert can_show(Console(file=io.StringIO(), force_terminal=True, _environ={"TERM": "xterm"}))
