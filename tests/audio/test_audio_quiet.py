"""The line without a card keeps the sample clock, as fast as it is read or in real time."""

from __future__ import annotations

import time

import numpy as np
import pytest

from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ, Block, Line, PlayedPrompt, Sound
from voicecoach.audio.quiet import QuietLine


def read(line: Line) -> Block:
    block = line.read(1.0)
    assert block is not None
    return block


def test_a_quiet_line_hears_nothing_and_counts_every_sample() -> None:
    line = QuietLine(channels=2)
    blocks = [read(line) for _ in range(50)]
    assert [block.at for block in blocks] == [n * BLOCK_FRAMES for n in range(50)]
    assert blocks[-1].end == RATE_HZ
    assert all(block.heard.shape == (BLOCK_FRAMES, 2) and not block.heard.any() for block in blocks)


def test_a_prompt_on_a_quiet_line_lasts_as_long_as_its_samples() -> None:
    line = QuietLine()
    read(line)
    line.play(Sound(np.full(1000, 0.1, dtype=np.float32), prompt=4))
    blocks = [read(line) for _ in range(5)]
    assert [played for block in blocks for played in block.ended] == [PlayedPrompt(4, 320, 1320, complete=True)]
    assert sum(int(np.count_nonzero(block.played)) for block in blocks) == 1000


def test_a_live_quiet_line_keeps_real_time() -> None:
    line, begin_s = QuietLine(live=True), time.monotonic()
    for _ in range(10):
        read(line)
    taken_s = time.monotonic() - begin_s
    assert taken_s >= 0.2  # never fast; how slow it may be is for the scheduler


def test_a_live_quiet_line_gives_nothing_before_its_time() -> None:
    line = QuietLine(live=True)
    assert line.read(0.001) is None


def test_a_sleep_of_the_computer_is_flagged_and_not_caught_up(monkeypatch: pytest.MonkeyPatch) -> None:
    line, clock = QuietLine(live=True), [100.0]

    def sleep(seconds: float) -> None:
        clock[0] += seconds

    monkeypatch.setattr(time, "monotonic", lambda: clock[0])
    monkeypatch.setattr(time, "sleep", sleep)
    read(line)
    clock[0] += 60.0
    late = read(line)
    assert late.flags == ("gap of 60.0 s",)
    before = clock[0]
    assert read(line).flags == ()
    assert clock[0] == pytest.approx(before + 0.02)


def test_a_quiet_line_may_be_closed_twice() -> None:
    line = QuietLine()
    line.close()
    line.close()
