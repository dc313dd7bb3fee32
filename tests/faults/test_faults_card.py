"""Rule 19 over a virtual sound card: modules are unloaded and loaded again while a session runs."""

from __future__ import annotations

import importlib
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from faults_driver import Bench, driver

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.audio.live import LiveLine
from voicecoach.speak.silent import SilentVoice

# real time, on a machine that others use
pytestmark = [pytest.mark.realtime, pytest.mark.own_process, pytest.mark.flaky(reruns=2)]

sys.path.append(str(Path(__file__).parents[1] / "e2e"))
virtual: Any = importlib.import_module("virtual_card")
Make = Callable[..., Bench]
CANNOT_HEAR = driver.grammar().say("ears-lost")
HEAR_AGAIN = driver.grammar().say("ears-back")


class Whistle(SilentVoice):
    """Every prompt is a tone of 700 Hz, as long as its words."""

    def sound(self, text: str) -> Samples:
        frames = len(super().sound(text))
        return (0.3 * np.sin(2 * np.pi * 700 * np.arange(frames) / RATE_HZ)).astype(np.float32)


@pytest.fixture
def card() -> Iterator[Any]:
    if reason := virtual.missing():
        pytest.skip(reason=reason)
    with virtual.card() as made:
        yield made


@pytest.fixture
def run(card: Any, bench: Make, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """A session on the card, its voice a whistle."""
    for name, value in card.environment.items():
        monkeypatch.setenv(name, value)
    import sounddevice  # noqa: PLC0415 needs PortAudio, which the card's fixture has looked for

    sounddevice._terminate()
    sounddevice._initialize()
    made = bench(
        voice=Whistle(), card=lambda start: LiveLine(microphone="coach_card", speaker="coach_card", start=start)
    )
    made.run_until(lambda: made.coach.now > made.line._start + RATE_HZ)
    return made


def loudness(path: Path, since: int = 0) -> float:
    """The loudest sample that the speaker gave out after byte `since`."""
    raw = path.read_bytes()[since:]
    sound = np.frombuffer(raw[: len(raw) // 2 * 2], dtype="<i2") / 32768
    return float(np.abs(sound).max(initial=0.0))


def kill_playback(card: Any) -> None:
    """Take the speaker away from whoever plays, and for good."""
    for line in card._pactl("list", "short", "sink-inputs").splitlines():
        number, _, _, driver_name, *_ = line.split("\t")
        if "protocol-native" in driver_name:
            card._command(f"kill-sink-input {number}")


def test_a_microphone_pulled_out_is_announced_and_heard_again_when_it_is_back(card: Any, run: Bench) -> None:
    began = time.monotonic()
    card.unplug()  # would take the recorder's microphone away too
    unplugged_s = time.monotonic() - began
    took_s = run.run_until(lambda: run.lost("ears"))
    print(f"microphone pulled: told {took_s + unplugged_s:.2f} s later")
    with card.recorder() as path:
        run.run_until(lambda: run.back("line"), limit_s=15)
        before = path.stat().st_size
        run.run_s(1.5)
        time.sleep(0.3)
        assert not run.back("ears")
        assert loudness(path, before) > 0.1  # the speaker speaks on without the microphone
    assert CANNOT_HEAR in run.said()
    card.plug()
    took_s = run.run_until(lambda: run.back("ears"), limit_s=30)
    print(f"microphone back: told {took_s:.2f} s later")
    assert HEAR_AGAIN in run.said()
    assert not run.coach.state.paced


def test_a_microphone_that_falls_asleep_is_announced(card: Any, run: Bench) -> None:
    with card.recorder() as path:
        card.suspend(on=True)
        took_s = run.run_until(lambda: run.lost("ears"))
        print(f"microphone suspended: told {took_s:.2f} s later")
        run.run_until(lambda: run.back("line"), limit_s=15)
        before = path.stat().st_size
        run.run_s(1.5)
        time.sleep(0.3)
        assert loudness(path, before) > 0.1
    run.run_s(4)
    assert not run.back("ears")  # it can be opened, but gives nothing
    card.suspend(on=False)
    took_s = run.run_until(lambda: run.back("ears"), limit_s=30)
    print(f"microphone awake: told {took_s:.2f} s later")


def test_a_speaker_that_goes_for_a_moment_is_used_again_and_the_prompt_is_said_again(card: Any, run: Bench) -> None:
    run.ear.words.append("repeat")
    run.run_until(lambda: bool(run.said()))
    kill_playback(card)
    took_s = run.run_until(lambda: run.lost("line"))
    print(f"speaker gone: told {took_s:.2f} s later")
    run.run_until(lambda: run.back("line") and run.back("ears"), limit_s=30)
    assert run.coach.state.sounding  # what was being said is not over yet
    with card.recorder() as path:
        run.run_s(3)  # the first second is lost to a sink that was idle
    assert loudness(path) > 0.1
    run.ear.words.append("stop")
    run.run_until(lambda: run.coach.state.status == "frozen")
