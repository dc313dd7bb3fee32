"""A screen that takes nothing, or is gone, holds no session up (rule 19)."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

from faults_driver import Bench

from voicecoach.runtime.screen import BackgroundScreen


def fail(*_: Any) -> None:
    raise OSError(5, "Input/output error")


def until(found: Callable[[], bool], limit_s: float = 5.0) -> None:
    end = time.monotonic() + limit_s
    while not found():
        assert time.monotonic() < end
        time.sleep(0.01)


def test_steps_are_shown_in_order() -> None:
    shown: list[Any] = []
    screen = BackgroundScreen(lambda *step: shown.append(step[0]))
    for number in range(50):
        screen(number, None, ())  # type: ignore[arg-type]
    screen.close()
    assert shown == list(range(50))
    assert screen.trouble is None


def test_a_stopped_terminal_is_reported_and_holds_nothing_up(bench: Callable[..., Bench]) -> None:
    stopped = threading.Event()
    screen = BackgroundScreen(lambda *_: stopped.wait(20) and None)
    run = bench(troubles={"screen": lambda: screen.trouble})
    seen = run.coach.parts.watch
    run.coach.parts.watch = lambda *step: (seen(*step), screen(*step))[0]
    run.ear.words.append("repeat")
    run.run_until(lambda: run.lost("screen"), limit_s=5)
    stopped.set()
    run.run_until(lambda: run.back("screen"))


def test_a_terminal_that_is_gone_is_reported_until_it_is_back() -> None:
    acts: list[Callable[..., None]] = [fail]
    screen = BackgroundScreen(lambda *step: acts[0](*step))  # noqa: PLW0108 which one is looked up at each call
    screen(None, None, ())  # type: ignore[arg-type]
    until(lambda: screen.trouble is not None)
    assert "Input/output error" in str(screen.trouble)
    acts[0] = lambda *_: None
    screen(None, None, ())  # type: ignore[arg-type]
    until(lambda: screen.trouble is None)


def test_a_screen_that_is_stuck_for_long_does_not_fill_the_memory() -> None:
    stuck = threading.Event()
    screen = BackgroundScreen(lambda *_: stuck.wait(20) and None)
    for _ in range(1000):
        screen(None, None, ())  # type: ignore[arg-type]
    assert screen._steps.qsize() <= 200
    stuck.set()
