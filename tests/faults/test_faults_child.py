"""Rule 19: a recogniser's process that hangs, aborts or prints rubbish is reported, replaced, and hears again."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from faults_driver import Bench, driver

from voicecoach.audio.line import RATE_HZ
from voicecoach.listen import process
from voicecoach.listen.process import RecogniserProcess
from voicecoach.listen.process_usage import ProcessUsage, used
from voicecoach.listen.worker import Spec

pytestmark = pytest.mark.realtime  # measures how soon a fault is noticed


@pytest.fixture
def ear(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[RecogniserProcess]:
    mark = tmp_path / "mark"
    mark.touch()
    made = RecogniserProcess(Spec("twin", "", "en.yaml", model=str(mark), factory=f"faults_children:{request.param}"))
    yield made
    made.close()


@pytest.mark.parametrize(
    ("ear", "why"),
    [
        ("Hangs", "has not answered for 0.8 s"),
        ("Spins", "has not answered for 0.8 s"),
        ("Aborts", "died (signal 6)"),
        ("PrintsRubbish", "sent an invalid answer"),
        ("Raises", "ZeroDivisionError: division by zero"),
    ],
    indirect=["ear"],
)
def test_a_recogniser_that_fails_is_reported_and_replaced(
    bench: Callable[..., Bench], ear: RecogniserProcess, why: str
) -> None:
    run = bench(ear=ear, speed=1)
    begin = run.coach.now
    run.run_until(lambda: run.lost("ears"))
    print(f"told {(run.coach.now - begin) / RATE_HZ - 0.2:.2f} s after the fault")
    assert why in run.noted("gap")[0]["why"]
    assert driver.grammar().say("ears-lost") in run.said()
    run.run_until(lambda: run.back("ears"), limit_s=20)
    assert driver.grammar().say("ears-back") in run.said()
    run.run_s(1)
    assert len(run.noted("gap")) == 1
    assert not run.coach.state.paced


@pytest.mark.skipif(sys.platform != "linux", reason="what a process has worked is read from Linux")
@pytest.mark.parametrize(
    ("worked_s", "silent_s", "hangs"),
    [(0.0, 0.5, False), (0.0, 1.0, True), (0.2, 1.0, False), (0.2, 4.0, False), (0.7, 1.0, True), (0.2, 6.0, True)],
)
@pytest.mark.parametrize("ear", ["Hangs"], indirect=True)
def test_a_recogniser_that_the_machine_holds_up_is_not_one_that_hangs(
    ear: RecogniserProcess, monkeypatch: pytest.MonkeyPatch, worked_s: float, silent_s: float, hangs: bool
) -> None:
    link = ear._link
    monkeypatch.setattr(process, "used", lambda _pid: ProcessUsage(3.0 + worked_s, pages=7))
    link._used = ProcessUsage(3.0, pages=7)
    link._unanswered.append(time.monotonic() - silent_s)
    assert link.hangs(process.HANG_S) is hangs


@pytest.mark.parametrize("ear", ["WorksLong"], indirect=True)
def test_a_recogniser_with_much_work_that_tells_of_it_is_not_one_that_hangs(
    bench: Callable[..., Bench], ear: RecogniserProcess
) -> None:
    run = bench(ear=ear, speed=1)
    run.run_s(4)
    assert not run.noted("gap")
    assert ear.lag_s < 1, "it is through with it"


@pytest.mark.parametrize("ear", ["NeverDone"], indirect=True)
def test_a_recogniser_that_only_ever_tells_that_it_works_is_given_up(
    bench: Callable[..., Bench], ear: RecogniserProcess
) -> None:
    run = bench(ear=ear, speed=1)
    began_s = time.monotonic()  # a recogniser is late by this clock; the line's may fall behind it
    run.run_until(lambda: run.lost("ears"))
    assert time.monotonic() - began_s > process.LATE_S
    assert "has not answered" in run.noted("gap")[0]["why"]


@pytest.mark.skipif(sys.platform != "linux", reason="what a process waits for is read from Linux")
@pytest.mark.parametrize(("fetched", "silent_s", "hangs"), [(0, 1.0, True), (3, 1.0, False), (3, 6.0, True)])
@pytest.mark.parametrize("ear", ["Hangs"], indirect=True)
def test_a_recogniser_whose_model_is_fetched_back_from_the_disk_is_not_one_that_hangs(
    ear: RecogniserProcess, monkeypatch: pytest.MonkeyPatch, fetched: int, silent_s: float, hangs: bool
) -> None:
    link = ear._link
    monkeypatch.setattr(process, "used", lambda _pid: ProcessUsage(3.0, pages=7 + fetched))
    link._used = ProcessUsage(3.0, pages=7)
    link._unanswered.append(time.monotonic() - silent_s)
    assert link.hangs(process.HANG_S) is hangs


@pytest.mark.skipif(sys.platform != "linux", reason="what a process waits for is read from Linux")
def test_pages_that_a_process_waited_for_are_counted_as_the_system_counts_them() -> None:
    import resource  # noqa: PLC0415 not on every system

    before = resource.getrusage(resource.RUSAGE_SELF).ru_majflt
    found = used(os.getpid())
    assert found is not None
    assert before <= found.pages <= resource.getrusage(resource.RUSAGE_SELF).ru_majflt
    assert used(2**22 + 1) is None
