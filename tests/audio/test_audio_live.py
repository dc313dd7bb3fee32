import os
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from voicecoach.audio import drivers, probe
from voicecoach.audio.card import CALLS
from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ, Block, PlayedPrompt, Sound
from voicecoach.audio.live import LiveLine, devices
from voicecoach.errors import AudioError


class PortAudioError(Exception):
    pass


class FakeStream:
    """Stands for a card: the test decides when it calls back."""

    refuses: Callable[[dict[str, Any]], bool] = staticmethod(lambda wanted: False)
    opened: list["FakeStream"]

    def __init__(self, **wanted: Any) -> None:
        if self.refuses(wanted):
            raise PortAudioError("Invalid sample rate [PaErrorCode -9997]")
        self.wanted = wanted
        self.latency = (0.01, 0.03)
        self.closed = False
        self.starts = 0
        self.opened.append(self)

    def start(self) -> None:
        self.starts += 1

    def abort(self) -> None:
        self.wanted["finished_callback"]()

    def close(self) -> None:
        self.closed = True

    def call(
        self, level: float = 0.0, frames: int | None = None, status: str = "", late_s: float | None = None
    ) -> np.ndarray:
        frames = frames or self.wanted["blocksize"]
        inputs, outputs = self.wanted["channels"]
        heard = np.full((frames, inputs), level, dtype=np.float32)
        out = np.full((frames, outputs), np.nan, dtype=np.float32)
        when = None if late_s is None else SimpleNamespace(currentTime=50.0, inputBufferAdcTime=50.0 - late_s)
        self.wanted["callback"](heard, out, frames, when, status)
        heard[:] = np.nan  # the driver's memory is not ours to keep
        return out


@pytest.fixture
def card(monkeypatch: pytest.MonkeyPatch) -> type[FakeStream]:
    class Stream(FakeStream):
        opened: list[FakeStream] = []  # noqa: RUF012 one list a test

    module = SimpleNamespace(
        Stream=Stream,
        PortAudioError=PortAudioError,
        default=SimpleNamespace(device=(0, 1)),
        query_devices=lambda *asked: {"default_samplerate": 44100.0} if asked else LISTED,
        _terminate=lambda: None,
        _initialize=lambda: None,
    )
    monkeypatch.setattr(drivers, "load", lambda: module)
    monkeypatch.setattr(probe, "survive", lambda *_, **__: None)  # no process of its own for a stand-in
    return Stream


LISTED = [
    {"name": "Built-in mic", "max_input_channels": 2, "max_output_channels": 0, "default_samplerate": 48000.0},
    {"name": "Built-in out", "max_input_channels": 0, "max_output_channels": 2, "default_samplerate": 44100.0},
]


def opened(**wanted: Any) -> LiveLine:
    """A line whose clock runs: it begins with the first read."""
    line = LiveLine(**wanted)
    assert line.read(0) is None
    return line


DELAY = round(0.02 * RATE_HZ)


def some(line: LiveLine) -> Block:
    block = line.read(0.2)
    assert block is not None
    return block


def test_blocks_count_samples_whatever_the_size_of_the_driver_s_own(card: type[FakeStream]) -> None:
    line = LiveLine(channels=2, start=1000)
    card.opened[0].call(0.9)  # before anybody reads
    assert line.read(0) is None
    for _ in range(5):
        card.opened[0].call(0.5, frames=512)
    blocks = [some(line) for _ in range(8)]
    assert [block.at for block in blocks] == [1000 + 320 * n for n in range(8)]
    assert all(block.heard.shape == (320, 2) and block.heard.min() == block.heard.max() == 0.5 for block in blocks)
    assert line.read(0) is None


def fall_behind(card: FakeStream, line: LiveLine, late_s: float) -> None:
    """A second at its best, then one in which everything is heard later."""
    for number in range(2 * CALLS):
        card.call(late_s=0.03 if number < CALLS else 0.03 + late_s)
        some(line)


def say_something(card: FakeStream, line: LiveLine, late_s: float) -> list[Block]:
    line.play(Sound(np.full(480, 0.25, np.float32), prompt=7))
    blocks = []
    for _ in range(5):
        card.call(late_s=late_s)
        blocks.append(some(line))
        if blocks[-1].ended:
            break
    return blocks


def test_a_card_that_hears_late_for_good_is_started_anew_behind_the_next_prompt(card: type[FakeStream]) -> None:
    line = opened()
    stream = card.opened[0]
    fall_behind(stream, line, 0.5)
    assert stream.starts == 1, "not while an answer may be waited for"
    blocks = say_something(stream, line, 0.53)
    assert blocks[-1].ended
    assert stream.starts == 2
    assert line.read(0) is None
    stream.call()
    after = some(line)
    lost_s = (after.at - blocks[-1].at) / RATE_HZ
    assert 0.5 <= lost_s < 0.5 + 1.0, "the clock leaves out what was never heard"
    assert any(flag.startswith("gap of") for flag in after.flags)
    assert [line.read(0), line.lost] == [None, False]


@pytest.mark.parametrize("late_s", [0.0, 0.1])
def test_a_card_that_hears_in_time_is_left_alone(card: type[FakeStream], late_s: float) -> None:
    line = opened()
    fall_behind(card.opened[0], line, late_s)
    assert say_something(card.opened[0], line, 0.03 + late_s)[-1].ended
    assert card.opened[0].starts == 1


def test_a_card_that_cannot_be_restarted_is_lost(card: type[FakeStream], monkeypatch: pytest.MonkeyPatch) -> None:
    line = opened()
    stream = card.opened[0]
    fall_behind(stream, line, 0.5)
    monkeypatch.setattr(stream, "start", lambda: 1 / 0)
    assert say_something(stream, line, 0.53)[-1].ended
    with pytest.raises(AudioError, match="has stopped"):
        line.read(0)
    assert line.lost


def test_what_is_played_is_given_out_at_the_next_call_and_reported_beside_its_echo(card: type[FakeStream]) -> None:
    line = opened()
    card.opened[0].call()
    line.play(Sound(np.full(480, 0.25, np.float32), prompt=7))
    outs = [card.opened[0].call()[:, 0] for _ in range(9)]
    np.testing.assert_array_equal(np.flatnonzero(np.concatenate(outs)), np.arange(480))
    blocks = [some(line) for _ in range(10)]
    played = np.concatenate([block.played for block in blocks])
    # the driver reports 10 ms in and 30 ms out; the reference is to lie before the echo, so it is put off by half
    np.testing.assert_array_equal(np.flatnonzero(played), BLOCK_FRAMES + DELAY + np.arange(480))
    begin = BLOCK_FRAMES + DELAY
    ends = [(block.at, ended) for block in blocks for ended in block.ended]
    assert ends == [((begin + 480 - 1) // 320 * 320, PlayedPrompt(7, begin, begin + 480, complete=True))]


def test_silence_fades_within_50_ms_and_the_prompt_ends(card: type[FakeStream]) -> None:
    line = opened()
    line.play(Sound(np.full(RATE_HZ, 0.25, np.float32), prompt=3))
    card.opened[0].call()
    line.silence()
    outs = np.concatenate([card.opened[0].call()[:, 0] for _ in range(10)])
    assert np.flatnonzero(outs).max() < 0.05 * RATE_HZ
    ended = [item for _ in range(11) for item in some(line).ended]
    assert [(item.prompt, item.complete) for item in ended] == [(3, False)]


def test_the_driver_s_complaints_are_passed_on(card: type[FakeStream]) -> None:
    line = opened()
    card.opened[0].call(status="input overflow")
    assert some(line).flags == ("input overflow",)


def test_a_card_that_cannot_do_16_khz_is_run_at_its_own_rate(card: type[FakeStream]) -> None:
    card.refuses = staticmethod(lambda wanted: wanted["samplerate"] == RATE_HZ)
    line = opened()
    stream = card.opened[0]
    assert (stream.wanted["samplerate"], stream.wanted["blocksize"]) == (44100, 882)
    tone = np.sin(np.arange(RATE_HZ) / RATE_HZ * 2 * np.pi * 1000).astype(np.float32)
    line.play(Sound(tone, prompt=1))
    outs = np.concatenate([stream.call(0.5)[:, 0] for _ in range(60)])
    spectrum = np.abs(np.fft.rfft(outs[4410:39690]))
    assert abs(np.argmax(spectrum) * 44100 / 35280 - 1000) < 2  # Hz: still the same tone
    blocks = []
    while (block := line.read(0)) is not None:
        blocks.append(block)
    assert 57 <= len(blocks) <= 60  # 60 callbacks of 20 ms, less what the resampler holds back
    heard = np.concatenate([block.heard for block in blocks])
    assert heard.shape[1] == 1
    assert abs(heard[3200:-3200].mean() - 0.5) < 0.01
    (ended,) = [item for block in blocks for item in block.ended]
    assert (ended.end - ended.begin, ended.complete) == (RATE_HZ, True)


def test_a_card_that_stops_calling_is_lost_and_can_be_opened_again(
    card: type[FakeStream], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("voicecoach.audio.card.LOST_S", 0.2)
    line = opened()
    card.opened[0].call()
    some(line)
    line.play(Sound(np.ones(RATE_HZ, np.float32), prompt=5))
    began = time.monotonic()
    with pytest.raises(AudioError, match=r"sound card: has delivered no sound for 0\.2 s"):
        line.read(5)
    assert time.monotonic() - began >= 0.15
    with pytest.raises(AudioError, match="is lost"):
        line.read(5)
    line.reopen()
    card.opened[1].call(0.5)
    assert line.read(0) is None  # what came before it is read again is not heard late
    card.opened[1].call(0.25)
    block = some(line)
    assert block.at >= 320 + 0.15 * RATE_HZ  # the clock has moved on
    assert block.heard.max() == 0.25
    assert block.flags[0].startswith("gap of ")
    assert not block.ended
    assert not card.opened[1].call().any()  # the old prompt is not taken up by itself
    line.play(Sound(np.ones(320, np.float32), prompt=5))
    assert card.opened[1].call().all()
    ended = [item for _ in range(2) for item in some(line).ended]
    card.opened[1].call()
    ended += some(line).ended
    assert [(item.prompt, item.complete) for item in ended] == [(5, True)]


def test_a_stream_that_ends_is_lost_at_once(card: type[FakeStream]) -> None:
    line = opened()
    card.opened[0].call()
    some(line)
    card.opened[0].wanted["finished_callback"]()
    with pytest.raises(AudioError, match="has stopped"):
        line.read(0)


def test_a_card_that_cannot_be_opened_again_stays_lost(card: type[FakeStream]) -> None:
    line = opened()
    card.refuses = staticmethod(lambda wanted: True)
    with pytest.raises(AudioError, match="cannot be opened"):
        line.reopen()
    with pytest.raises(AudioError):
        line.read(0)
    card.refuses = staticmethod(lambda wanted: False)
    line.reopen()
    assert line.read(0) is None
    card.opened[-1].call()
    assert some(line).heard.shape == (320, 1)


def aborts(*_: object, **__: object) -> None:
    raise AudioError("the system's sound library dies", where="sound card")


def test_a_card_that_kills_whoever_opens_it_is_not_opened_here(
    card: type[FakeStream], monkeypatch: pytest.MonkeyPatch
) -> None:
    line = opened()
    monkeypatch.setattr(probe, "survive", aborts)
    for call in (line.reopen, lambda: line.half("speaker", 0), LiveLine, devices):
        with pytest.raises(AudioError, match="sound library dies"):
            call()
    assert len(card.opened) == 1
    late = LiveLine(must=False)
    with pytest.raises(AudioError, match="sound library dies"):
        late.read(0)
    monkeypatch.setattr(probe, "survive", lambda *_, **__: None)
    late.reopen()
    card.opened[-1].call()
    assert late.read(0) is None
    card.opened[-1].call()
    assert some(late).heard.shape == (320, 1)


def test_what_happens_to_the_process_that_tries_the_card_is_told_apart(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    # what the process finds in place of the library
    found = tmp_path / "sounddevice.py"
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(tmp_path), *sys.path]))
    monkeypatch.setattr(probe, "LIMIT_S", 20.0)
    monkeypatch.setenv(drivers.VARIABLE, "portaudio")
    for text in ("def query_devices(): pass", "raise OSError('PortAudio library not found')"):
        found.write_text(text)
        probe.survive("list")
    found.write_text("import os; os.abort()")
    with pytest.raises(AudioError, match=r"sound card: the system's sound library dies \("):
        probe.survive("list")
    found.write_text("import time; time.sleep(60)")
    monkeypatch.setattr(probe, "LIMIT_S", 0.5)
    with pytest.raises(AudioError, match="sound library hangs"):
        probe.survive("open")
    assert not probe.gives(channels=1, device=(None, None), direction="both")


def test_a_device_that_cannot_be_opened_is_one_line(card: type[FakeStream]) -> None:
    card.refuses = staticmethod(lambda wanted: True)
    with pytest.raises(AudioError) as caught:
        LiveLine(channels=2)
    assert str(caught.value) == (
        "sound card: cannot be opened with 2 microphone channels: Invalid sample rate [PaErrorCode -9997] "
        "(run voicecoach devices to see what there is)"
    )


def test_a_device_is_named_by_number_or_by_part_of_its_name(card: type[FakeStream]) -> None:
    LiveLine(microphone="2", speaker="Headset 7")
    assert card.opened[0].wanted["device"] == (2, "Headset 7")


def test_without_any_driver_the_error_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    monkeypatch.setitem(sys.modules, "voicecoach.audio.miniaudio_driver", None)
    for call in (devices, LiveLine):
        with pytest.raises(AudioError, match=r"needs PortAudio or miniaudio.*apt-get install libportaudio2"):
            call()


def test_without_portaudio_miniaudio_is_taken_and_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(drivers.VARIABLE, raising=False)
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    assert type(drivers.load()).__name__ == "Driver"
    assert drivers.describe().startswith("miniaudio")


def test_a_driver_that_is_named_is_taken_and_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(drivers.VARIABLE, "miniaudio")
    assert type(drivers.load()).__name__ == "Driver"
    monkeypatch.setenv(drivers.VARIABLE, "gramophone")
    with pytest.raises(AudioError, match="portaudio or miniaudio"):
        drivers.load()


def test_closing_twice_is_safe(card: type[FakeStream]) -> None:
    line = LiveLine()
    line.close()
    line.close()
    assert card.opened[0].closed
    with pytest.raises(AudioError):
        line.read(0)


def test_two_threads_may_close_a_card_at_once(card: type[FakeStream], monkeypatch: pytest.MonkeyPatch) -> None:
    line = LiveLine()
    start = threading.Thread.start

    def slow(thread: threading.Thread) -> None:
        if thread.name == "close-card":
            time.sleep(0.05)
        start(thread)

    monkeypatch.setattr(threading.Thread, "start", slow)
    its_card = line._card
    assert its_card is not None
    with ThreadPoolExecutor(2) as pool:
        for closed in [pool.submit(its_card.close, 1.0) for _ in range(2)]:
            closed.result()
    assert card.opened[0].closed


def test_devices_are_listed_with_the_system_s_defaults(card: type[FakeStream]) -> None:
    assert [(d.index, d.name, d.inputs, d.outputs, d.rate_hz, d.default) for d in devices()] == [
        (0, "Built-in mic", 2, 0, 48000.0, "input"),
        (1, "Built-in out", 0, 2, 44100.0, "output"),
    ]
