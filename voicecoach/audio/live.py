"""The line through a sound card, on PortAudio. The callback only copies, queues and notes flags."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ, Block, Played, Samples, Sound
from voicecoach.audio.mix import Mixer
from voicecoach.errors import AudioError

LOST_S = 1.0
"""A card that has called back before is lost when it does not for this long (s)."""

START_S = 3.0
"""How long the first call may take (s): a sleeping source needs more than a second to wake."""

EARLY = 0.5
"""Part of the reported latencies by which the reference is put off. Drivers report too much (100 ms where an echo came
after 64), and an echo canceller wants its reference early, up to 150 ms, but never late."""

ASK_S = 6.0
"""A process that looks for a lost device and takes longer than this (s) has found none."""

Half = Literal["speaker", "microphone"]
Way = Literal["both", "speaker", "microphone"]

LONGEST_DELAY_S = 0.2
"""The reference is put off by no more than this (s), whatever is reported."""

MEND = "on Debian or Ubuntu: apt-get install libportaudio2; elsewhere reinstall the sounddevice package"


@dataclass(frozen=True, slots=True)
class Device:
    """What a sound card offers. index: number to name it by; inputs, outputs: channels; rate_hz: its own rate.

    default: '', 'input', 'output' or 'both', as the system's default for these.
    """

    index: int
    name: str
    inputs: int
    outputs: int
    rate_hz: float
    default: str


def devices() -> list[Device]:
    """The sound devices of this machine.

    Raises:
        AudioError: PortAudio is missing or does not start.
    """
    sd = _sounddevice()
    try:
        listed = list(sd.query_devices())
        default_in, default_out = sd.default.device
    except sd.PortAudioError as error:
        raise AudioError(f"cannot list the devices: {error}", where="sound card") from None
    roles = {(True, True): "both", (True, False): "input", (False, True): "output", (False, False): ""}
    return [
        Device(
            index=number,
            name=str(item["name"]),
            inputs=int(item["max_input_channels"]),
            outputs=int(item["max_output_channels"]),
            rate_hz=float(item["default_samplerate"]),
            default=roles[number == default_in, number == default_out],
        )
        for number, item in enumerate(listed)
    ]


class LiveLine:
    """Microphone and speaker as one duplex line in real time.

    Args:
        channels: of the microphone, 1 or 2.
        microphone, speaker: a device's number or part of its name; None: the system's default.
        start: session clock of the first frame, when a session goes on (samples). The clock begins with the first
            `read`: until then nothing is heard or played.
        way: both, or only the speaker (silence is heard) or only the microphone (nothing is played).
        must: without it a device that cannot be opened is one that is lost, to be tried again by `reopen`.

    Raises:
        AudioError: PortAudio is missing, or the device cannot be opened.
    """

    live = True

    def __init__(
        self,
        *,
        channels: int = 1,
        microphone: str | int | None = None,
        speaker: str | int | None = None,
        start: int = 0,
        way: Way = "both",
        must: bool = True,
    ) -> None:
        self.channels = channels
        self._device = (_named(microphone), _named(speaker))
        self._way: Way = way
        self._mixer = Mixer()
        self._at = start
        self._read_s: float | None = None  # when self._at was true, monotonic; None before the first block
        self._flags: list[str] = []
        self._closed = False
        self._last: _Card | None = None
        self._card: _Card | None = None  # None: lost or closed
        try:
            self._last = self._card = _Card(self._mixer, channels, self._device, way, again=way != "both")
        except AudioError:
            if must:
                raise
            self._read_s = time.monotonic()

    @property
    def delay_s(self) -> float:
        """By how much `Block.played` is put off to lie shortly before its echo (s)."""
        return self._card.delay / RATE_HZ if self._card is not None else 0.0

    def read(self, timeout_s: float) -> Block | None:
        """The next block; None when the card has given none within `timeout_s`.

        Raises:
            AudioError: the card has stopped; from then on at once, until `reopen`.
        """
        card = self._card
        if card is None:
            raise AudioError("is lost", where="sound card")
        if not card.armed:
            self._begin(card)
        end_s = time.monotonic() + timeout_s
        while not card.full:
            if not card.fetch(end_s):
                if why := card.lost():
                    self._card = None
                    card.close()
                    raise AudioError(why, where="sound card")
                return None
        heard, played, ended, flags = card.block(self._at)
        at = self._at
        self._at += BLOCK_FRAMES
        self._read_s = time.monotonic()
        flags = (*self._flags, *flags)
        self._flags.clear()
        return Block(at, heard, played, ended, flags)

    def play(self, sound: Sound) -> None:
        """Queue a sound; it is given to the driver at its next call (20 ms)."""
        self._mixer.play(sound)

    def silence(self) -> None:
        """Fade out what sounds and drop what is queued."""
        self._mixer.silence()

    def reopen(self) -> None:
        """Try to open the card again, in any thread. The clock goes on as if it had never stopped.

        What was sounding or queued is forgotten without a report: who still wants it said plays it again.

        Raises:
            AudioError: it cannot be opened yet; try again later.
        """
        self._let_go()
        mixer = Mixer()
        card = _Card(mixer, self.channels, self._device, self._way, again=True)
        if self._closed:
            card.close(wait_s=1.0)
            return
        self._mixer = mixer
        self._card = self._last = card

    def half(self, way: Half, start: int) -> LiveLine:
        """Only the speaker or only the microphone of this line, while the whole cannot be had.

        Raises:
            AudioError: that cannot be opened either.
        """
        self._let_go()
        microphone, speaker = self._device
        return LiveLine(channels=self.channels, microphone=microphone, speaker=speaker, start=start, way=way)

    def there(self, way: Half) -> bool:
        """Whether that half gives frames again, asked by a process of its own: PortAudio finds new devices only when
        it is started anew, which would end the half in use. Takes about a second.
        """
        asked = json.dumps({"channels": self.channels, "device": self._device, "way": way})
        command = [sys.executable, "-c", "from voicecoach.audio import live; live.ask()", asked]
        try:
            done = subprocess.run(  # noqa: S603 our own module
                command, stdin=subprocess.DEVNULL, capture_output=True, timeout=ASK_S, check=False
            )
        except (OSError, subprocess.TimeoutExpired):
            return False
        return done.returncode == 0

    def _let_go(self) -> None:
        self._card = None
        if self._last is not None:
            self._last.close(wait_s=1.0)

    def _begin(self, card: _Card) -> None:
        if self._read_s is not None:
            gap_s = time.monotonic() - self._read_s
            self._at += round(gap_s * RATE_HZ)
            self._flags.append(f"gap of {gap_s:.1f} s")
        card.arm(self._at)

    def close(self) -> None:
        """Let the card go; safe to call twice."""
        self._closed = True
        self._let_go()


def ask() -> None:
    """The process of `LiveLine.there`: ends with status 0 if the device of its argument gives a block."""
    asked = json.loads(sys.argv[1])
    microphone, speaker = asked["device"]
    found = 1
    try:
        line = LiveLine(channels=asked["channels"], microphone=microphone, speaker=speaker, way=asked["way"])
        for _ in range(30):
            if line.read(0.1) is not None:
                found = 0
                break
    except AudioError:
        pass
    os._exit(found)  # a driver whose device has gone may never let this process end


class _Card:
    """One opened stream: what its callback queued, brought to RATE_HZ and cut into blocks."""

    def __init__(
        self,
        mixer: Mixer,
        channels: int,
        device: tuple[str | int | None, str | int | None],
        way: Way = "both",
        again: bool = False,
    ) -> None:
        sd = _sounddevice()
        if again:
            with contextlib.suppress(Exception):  # PortAudio lists devices once: only a new start finds new ones
                sd._terminate()  # noqa: SLF001
                sd._initialize()  # noqa: SLF001
        self._mixer = mixer
        self._queue: queue.SimpleQueue[tuple[Samples, Samples, tuple[Played, ...], str]] = queue.SimpleQueue()
        self._out_rest: Samples = np.zeros(0, np.float32)
        self.armed = False
        self._finished = False
        self._closing: threading.Thread | None = None
        self._ended: list[Played] = []
        self._flags: list[str] = []
        self._stream, self._rate_hz = self._open(sd, channels, device, way)
        delay_s = float(np.sum(self._stream.latency)) * EARLY
        self.delay = round(min(max(delay_s, 0.0), LONGEST_DELAY_S) * RATE_HZ)
        self._out_at = 0
        self._heard: Samples = np.zeros((0, channels), np.float32)
        self._played: Samples = np.zeros(self.delay, np.float32)
        self._down, self._up = _resampler(self._rate_hz, RATE_HZ, channels), _resampler(RATE_HZ, self._rate_hz, 1)
        self._called_s = time.monotonic() + START_S - LOST_S
        try:
            self._stream.start()
        except sd.PortAudioError as error:
            self.close()
            raise AudioError(f"cannot be started: {error}", where="sound card") from None

    def _open(
        self, sd: Any, channels: int, device: tuple[str | int | None, str | int | None], way: Way
    ) -> tuple[Any, int]:
        """The stream and its rate: RATE_HZ if the card can do that, else its own."""
        why: Exception | None = None
        try:
            asked = (device[1], "output") if way == "speaker" else (device[0], "input")
            own_hz = round(float(sd.query_devices(*asked)["default_samplerate"]))
            for rate_hz, outputs in ((RATE_HZ, 1), (RATE_HZ, 2), (own_hz, 1), (own_hz, 2)):
                try:
                    return self._stream_of(sd, channels, device, way, rate_hz, outputs), rate_hz
                except sd.PortAudioError as error:
                    why = error
        except (sd.PortAudioError, ValueError, KeyError) as error:
            why = error
        what = "without a microphone" if way == "speaker" else f"with {channels} microphone channel(s)"
        raise AudioError(
            f"cannot be opened {what}: {why}",
            where="sound card",
            mend="voicecoach devices lists what there is",
        )

    def _stream_of(
        self, sd: Any, channels: int, device: tuple[str | int | None, str | int | None], way: Way, rate_hz: int,
        outputs: int,
    ) -> Any:  # fmt: skip
        same = {
            "samplerate": rate_hz,
            "blocksize": BLOCK_FRAMES * rate_hz // RATE_HZ,
            "dtype": "float32",
            "latency": "low",
            "finished_callback": self._finish,
        }
        if way == "both":
            return sd.Stream(device=device, channels=(channels, outputs), callback=self._callback, **same)
        if way == "speaker":

            def speak(outdata: Samples, frames: int, when: object, status: Any) -> None:
                self._callback(np.zeros((frames, channels), np.float32), outdata, frames, when, status)

            return sd.OutputStream(device=device[1], channels=outputs, callback=speak, **same)

        def hear(indata: Samples, frames: int, when: object, status: Any) -> None:
            self._callback(indata, np.zeros((frames, 1), np.float32), frames, when, status)

        return sd.InputStream(device=device[0], channels=channels, callback=hear, **same)

    def arm(self, at: int) -> None:
        """Hear and play from now on; the first frame heard is number `at`. Until then a card only wakes up."""
        self._out_at = at + self.delay
        self.armed = True

    def _callback(self, indata: Samples, outdata: Samples, frames: int, _time: object, status: Any) -> None:
        self._called_s = time.monotonic()
        if not self.armed:
            outdata.fill(0)
            return
        if self._up is None:
            played, ended = self._take(frames)
            outdata[:] = played[:, None]
        else:
            played, ended = np.zeros(0, np.float32), ()
            while len(self._out_rest) < frames:
                part, over = self._take(BLOCK_FRAMES)
                played, ended = np.concatenate([played, part]), ended + over
                self._out_rest = np.concatenate([self._out_rest, self._up.resample_chunk(part)])
            outdata[:] = self._out_rest[:frames, None]
            self._out_rest = self._out_rest[frames:]
        self._queue.put((indata.copy(), played, ended, str(status) if status else ""))

    def _take(self, frames: int) -> tuple[Samples, tuple[Played, ...]]:
        played, ended = self._mixer.take(frames, self._out_at)
        self._out_at += frames
        return played, ended

    def _finish(self) -> None:
        self._finished = True

    @property
    def full(self) -> bool:
        """True when a block can be cut."""
        return min(len(self._heard), len(self._played)) >= BLOCK_FRAMES

    def fetch(self, end_s: float) -> bool:
        """Take in what the callback queued, waiting until `end_s` (monotonic) or the card is lost; False: nothing."""
        wait_s = min(end_s, self._called_s + LOST_S + 0.01) - time.monotonic()
        try:
            heard, played, ended, flags = self._queue.get(timeout=max(wait_s, 0.0))
        except queue.Empty:
            return False
        if self._down is not None:
            heard = self._down.resample_chunk(heard).reshape(-1, heard.shape[1])
        self._heard = np.concatenate([self._heard, heard])
        self._played = np.concatenate([self._played, played])
        self._ended += ended
        if flags:
            self._flags.append(flags)
        return True

    def block(self, at: int) -> tuple[Samples, Samples, tuple[Played, ...], tuple[str, ...]]:
        """Cut the next block, which begins at `at`: heard, played, ended, flags."""
        heard, self._heard = self._heard[:BLOCK_FRAMES], self._heard[BLOCK_FRAMES:]
        played, self._played = self._played[:BLOCK_FRAMES], self._played[BLOCK_FRAMES:]
        over = tuple(item for item in self._ended if item.end <= at + BLOCK_FRAMES)
        self._ended = self._ended[len(over) :]
        flags, self._flags = tuple(self._flags), []
        return heard, played, over, flags

    def lost(self) -> str:
        """Why the stream is no longer of use; '' while it is."""
        if self._finished:
            return "has stopped"
        return f"has given no sound for {LOST_S:g} s" if time.monotonic() - self._called_s > LOST_S else ""

    def close(self, wait_s: float = 0.0) -> None:
        """Let the stream go, waiting up to `wait_s` for that: a driver whose device is gone may never return."""
        if self._closing is None:
            self._closing = threading.Thread(target=self._let_go, name="close-card", daemon=True)
            self._closing.start()
        self._closing.join(wait_s)

    def _let_go(self) -> None:
        with contextlib.suppress(Exception):
            self._stream.abort()
        with contextlib.suppress(Exception):
            self._stream.close()


def _named(device: str | int | None) -> str | int | None:
    """A device as PortAudio wants it: '2' is the number 2, any other text part of a name."""
    return int(device) if isinstance(device, str) and device.isdecimal() else device


def _resampler(from_hz: int, to_hz: int, channels: int) -> Any:
    """A streaming resampler of float32, or None when there is nothing to do."""
    if from_hz == to_hz:
        return None
    import soxr  # noqa: PLC0415 only where a card cannot do RATE_HZ

    return soxr.ResampleStream(from_hz, to_hz, channels, dtype="float32")


def _sounddevice() -> Any:
    """The sounddevice module, imported late: without PortAudio it cannot be."""
    try:
        import sounddevice  # noqa: PLC0415
    except (ImportError, OSError):
        raise AudioError("needs PortAudio, which is not installed", where="sound card", mend=MEND) from None
    return sounddevice
