"""Rule 19 at the loop: whatever part fails, it is noticed, announced and recorded, and the guidance continues."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from typing import Any

import pytest
from faults_driver import Bench, Disk, driver

from voicecoach.audio import failover
from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.audio.quiet import QuietLine
from voicecoach.errors import EngineError
from voicecoach.listen.keyboard import KeyboardRecogniser
from voicecoach.record.read import read
from voicecoach.session.events import Heard, Reopened
from voicecoach.speak.silent import SilentVoice

Make = Callable[..., Bench]
CANNOT_HEAR = driver.grammar().say("ears-lost")
HEAR_AGAIN = driver.grammar().say("ears-back")


def notices(bench: Bench, part: str) -> float:
    """How long until the part is reported lost, in seconds of the session clock; rule 19 allows one."""
    begin = bench.coach.now
    bench.run_until(lambda: bench.lost(part))
    return (bench.coach.now - begin) / RATE_HZ


def test_a_card_that_goes_is_announced_and_recorded_and_the_session_continues_at_a_set_pace(bench: Make) -> None:
    run = bench()
    run.run_s(1)
    run.line.gone = True
    assert notices(run, "line") <= 1
    assert run.lost("ears")
    assert CANNOT_HEAR in run.said()
    assert {note["part"] for note in run.noted("gap")} == {"line", "ears"}
    assert run.coach.state.paced


def test_a_card_that_comes_back_is_used_again_and_what_was_being_said_is_said_again(bench: Make) -> None:
    run = bench()
    run.run_s(1)
    run.line.gone = True
    run.run_until(lambda: run.lost("ears"))
    assert CANNOT_HEAR not in run.line.played  # there is nothing that could play it
    run.line.gone = False
    run.run_until(lambda: run.back("ears"))
    assert run.back("line")
    assert CANNOT_HEAR in run.line.played
    assert HEAR_AGAIN in run.said()
    assert not run.coach.state.paced
    run.ear.words.append("stop")
    run.run_until(lambda: run.coach.state.status == "frozen")


def test_without_a_microphone_the_speaker_speaks_on(bench: Make) -> None:
    run = bench(halves=("speaker",))
    run.run_s(1)
    run.line.gone = True
    run.run_until(lambda: run.back("line"))
    assert not run.back("ears")
    assert CANNOT_HEAR in run.line.played
    run.line.gone = False
    run.run_until(lambda: run.back("ears"))


def test_without_a_speaker_the_microphone_hears_on(bench: Make) -> None:
    run = bench(halves=("microphone",))
    run.run_s(1)
    run.line.gone = True
    run.run_until(lambda: run.back("ears"))
    assert not run.back("line")
    run.ear.words.append("stop")
    run.run_until(lambda: run.coach.state.status == "frozen")


@pytest.mark.parametrize("error", [EngineError("died (signal 6)", where="recogniser twin"), ZeroDivisionError("a bug")])
def test_a_recogniser_that_breaks_is_started_again_until_it_hears(bench: Make, error: Exception) -> None:
    run = bench()
    run.ear.refuses_restart = True
    run.ear.broken = error
    assert notices(run, "ears") <= 1
    assert CANNOT_HEAR in run.said()
    run.run_until(lambda: run.ear.restarts > 1)
    run.ear.refuses_restart = False
    run.run_until(lambda: run.back("ears"))
    assert HEAR_AGAIN in run.said()
    run.ear.words.append("stop")
    run.run_until(lambda: run.coach.state.status == "frozen")


@pytest.mark.parametrize("lost", ["ear", "line"])
def test_keys_and_foot_switch_keep_working_without_a_recogniser(bench: Make, lost: str) -> None:
    wire = Wire()
    run = bench(keys=KeyboardRecogniser(driver.grammar(), wire))  # type: ignore[arg-type]
    run.ear.refuses_restart = True
    if lost == "ear":
        run.ear.broken = EngineError("died")
    else:
        run.line.gone = True
    run.run_until(lambda: run.lost("ears"))
    wire.type("rubbing\n")
    run.run_until(lambda: run.coach.state.status == "timing")
    run.run_until(lambda: run.coach.state.status == "drying" and not run.coach.state.sounding)
    wire.type("\n")  # the foot-switch
    run.run_until(lambda: bool(run.noted("step-confirmed")))
    wire.type("stop\n")
    run.run_until(lambda: run.coach.state.status == "frozen")
    assert run.noted("step-confirmed")[0]["step"] == "practice-rub-gloves"


class Wire:
    """A keyboard that the test types on."""

    def __init__(self) -> None:
        self._read, self._write = os.pipe()

    def fileno(self) -> int:
        return self._read

    def type(self, line: str) -> None:
        os.write(self._write, line.encode())


def test_a_full_disk_is_reported_and_nothing_is_lost_when_there_is_room_again(bench: Make) -> None:
    run = bench()
    Disk.full = True
    run.ear.words.append("repeat")
    run.run_until(lambda: run.lost("disk"))
    assert driver.grammar().say("disk-lost") in run.said()
    Disk.full = False
    run.run_until(lambda: run.back("disk"))
    run.close()
    session = read(run.journal.folder)
    assert session.broken_at is None
    assert next(event for event in session.events if isinstance(event, Heard)).command == "repeat"
    assert len(session.events) == len(run.seen)
    assert session.gaps


def test_a_disk_that_stalls_is_reported_once_and_not_at_every_stall(bench: Make) -> None:
    run = bench(speed=8)
    for _ in range(3):
        Disk.stall_s = 0.4
        run.ear.words.append("repeat")
        run.run_until(lambda: run.lost("disk"))
        Disk.stall_s = 0.0
        run.run_until(lambda: run.journal.trouble is None)
    assert [note["part"] for note in run.noted("gap")] == ["disk"]


def test_a_prompt_that_cannot_be_had_in_time_comes_as_tones_and_on_the_screen(bench: Make) -> None:
    class Stuck(SilentVoice):
        def sound(self, text: str) -> Samples:
            stuck.wait(10)
            return super().sound(text)

    stuck = threading.Event()
    run = bench(voice=Stuck())
    run.ear.words.append("repeat")
    run.run_until(lambda: run.lost("voice"), limit_s=5)
    stuck.set()
    assert run.said()  # the screen has it
    assert "took longer" in run.noted("gap")[0]["why"]


def raising(*_: object, **__: object) -> Any:
    raise ZeroDivisionError("a bug in a part")


class Clips:
    trouble = None
    feed = utterance = work = no_audio = close = staticmethod(raising)


class Voice(SilentVoice):
    sound = staticmethod(raising)  # type: ignore[assignment]


class Keys:
    engine = "keys"
    listen = feed = poll = restart = close = staticmethod(raising)


BROKEN: dict[str, dict[str, Any]] = {
    "clips": {"clips": Clips()},
    "voice": {"voice": Voice()},
    "keys": {"keys": Keys()},
}


@pytest.mark.parametrize("part", ["clips", "voice", "keys", "screen"])
def test_a_part_that_raises_does_not_end_a_session_once_something_is_worn(bench: Make, part: str) -> None:
    run = bench(**BROKEN.get(part, {}))
    if part == "screen":
        seen = run.coach.parts.watch
        run.coach.parts.watch = lambda *step: (seen(*step), raising())[0]
    run.ear.words += ["repeat"]
    run.run_until(lambda: run.lost(part))
    assert part in {note["part"] for note in run.noted("gap")}
    run.ear.words += ["stop"]
    run.run_until(lambda: run.coach.state.status == "frozen")


def test_before_the_first_item_is_on_a_part_that_raises_is_an_error(bench: Make) -> None:
    run = bench(step="practice-mirror", **BROKEN["voice"])
    run.ear.words += ["repeat"]
    with pytest.raises(ZeroDivisionError):
        run.run_s(2)


def test_a_session_that_slept_says_so_and_asks_and_what_is_lost_stays_lost(
    bench: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = bench()
    run.ear.refuses_restart = True
    run.ear.broken = EngineError("died")
    run.run_until(lambda: run.lost("ears"))
    now = time.time
    monkeypatch.setattr(time, "time", lambda: now() + 3600)
    run.run_until(lambda: any(isinstance(event, Reopened) for _, event, _ in run.seen))
    monkeypatch.undo()
    run.run_s(0.1)
    (slept,) = [event for _, event, _ in run.seen if isinstance(event, Reopened)]
    assert 3590 < slept.gap_s < 3610
    assert run.coach.state.question == "right"
    assert run.coach.state.paced  # the recogniser is still lost: without this it would wait for ever for a word


def test_a_signal_is_announced_and_ends_nothing_while_something_is_worn(bench: Make) -> None:
    run = bench()
    run.coach.signalled("SIGTERM")
    run.run_until(lambda: run.lost("signal"))
    assert driver.grammar().say("signal-lost") in run.said()
    assert not run.coach.closed


@pytest.mark.realtime  # six seconds of speech run out
def test_what_was_queued_for_a_lost_line_still_runs_out_in_its_time(bench: Make) -> None:
    # a prompt that never ended would hold the machine for ever
    run = bench()
    run.ear.words.append("repeat")
    run.run_until(lambda: bool(run.said()))
    run.line.gone = True
    run.run_until(lambda: run.coach.state.speech == (), limit_s=30)


def test_a_line_on_the_file_clock_passes_its_error_on() -> None:
    class Ends(QuietLine):
        def read(self, timeout_s: float) -> Any:
            raise failover.AudioError("is cut off", where="a.wav")

    with pytest.raises(failover.AudioError, match="is cut off"):
        failover.FailoverLine(Ends()).read(0.1)
