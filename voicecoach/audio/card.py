"""One open stream of a sound card. Its callback only copies, queues and records flags."""

from __future__ import annotations

import contextlib
import math
import queue
import threading
import time
from typing import Any, Literal

import numpy as np

from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ, PlayedPrompt, Samples
from voicecoach.audio.mix import Mixer
from voicecoach.errors import AudioError

LOST_S = 0.8
"""A card whose callbacks stop for this long (s) is lost."""

START_S = 3.0
"""Longest wait for the first callback (s): a sleeping source takes more than a second to wake."""

EARLY = 0.5
"""Fraction of the reported latencies by which the reference is delayed. Drivers report too much (100 ms where the echo
came after 64), and an echo canceller needs its reference early, by up to 150 ms, but never late."""

LONGEST_DELAY_S = 0.2
"""Upper limit of the reference's delay (s), whatever is reported."""

BEHIND_S = 0.15
"""A card whose input arrives this much later (s) than at its best has fallen behind. PortAudio reads and plays in step:
what piles up at the microphone during a late callback stays, and delays every word and echo from then on. Two callbacks
0.3 s late left 0.55 s, and used half a processor from then on."""

CALLS = 50
"""Number of callbacks (1 s) over which that is judged: one late callback is no backlog."""

Direction = Literal["both", "speaker", "microphone"]


_CLOSING: list[threading.Thread] = []
"""Streams being closed; PortAudio cannot be restarted while there are any."""


class Card:
    """One open stream: what its callback queued, resampled to RATE_HZ and cut into blocks."""

    def __init__(
        self,
        sd: Any,
        mixer: Mixer,
        channels: int,
        device: tuple[str | int | None, str | int | None],
        direction: Direction = "both",
        again: bool = False,
    ) -> None:
        if again and any(closing.is_alive() for closing in _CLOSING):
            raise AudioError("is still held by its driver", where="sound card")  # a restart would never return
        if again:
            with contextlib.suppress(Exception):  # PortAudio lists devices once: only a restart finds new ones
                sd._terminate()  # noqa: SLF001 the package has no public way to look for new cards
                sd._initialize()  # noqa: SLF001 likewise
        self._mixer = mixer
        self._finished = False
        self._closing: threading.Thread | None = None
        self._close_once = threading.Lock()  # the loop and a thread that restarts the line may both close it
        self._ended: list[PlayedPrompt] = []
        self._flags: list[str] = []
        self._channels = channels
        self._stream, self._rate_hz = self._open(sd, channels, device, direction)
        delay_s = float(np.sum(self._stream.latency)) * EARLY
        self.delay = round(min(max(delay_s, 0.0), LONGEST_DELAY_S) * RATE_HZ)
        self._out_at = 0
        self._empty()
        try:
            self._stream.start()
        except sd.PortAudioError as error:
            self.close()
            raise AudioError(f"cannot be started: {error}", where="sound card") from None

    def _open(
        self, sd: Any, channels: int, device: tuple[str | int | None, str | int | None], direction: Direction
    ) -> tuple[Any, int]:
        """The stream and its rate: RATE_HZ if the card supports it, else its native rate."""
        why: Exception | None = None
        try:
            half = (device[1], "output") if direction == "speaker" else (device[0], "input")
            own_hz = round(float(sd.query_devices(*half)["default_samplerate"]))
            for rate_hz, outputs in ((RATE_HZ, 1), (RATE_HZ, 2), (own_hz, 1), (own_hz, 2)):
                try:
                    return self._stream_of(sd, channels, device, direction, rate_hz, outputs), rate_hz
                except sd.PortAudioError as error:
                    why = error
        except (sd.PortAudioError, ValueError, KeyError) as error:
            why = error
        channels_wanted = "one microphone channel" if channels == 1 else f"{channels} microphone channels"
        what = "without a microphone" if direction == "speaker" else f"with {channels_wanted}"
        raise AudioError(
            f"cannot be opened {what}: {why}",
            where="sound card",
            mend="run voicecoach devices to see what there is",
        )

    def _stream_of(
        self, sd: Any, channels: int, device: tuple[str | int | None, str | int | None], direction: Direction,
        rate_hz: int, outputs: int,
    ) -> Any:  # fmt: skip
        same = {
            "samplerate": rate_hz,
            "blocksize": BLOCK_FRAMES * rate_hz // RATE_HZ,
            "dtype": "float32",
            "latency": "low",
            "finished_callback": self._finish,
        }
        if direction == "both":
            return sd.Stream(device=device, channels=(channels, outputs), callback=self._callback, **same)
        if direction == "speaker":

            def speak(outdata: Samples, frames: int, _when: object, status: Any) -> None:
                self._callback(np.zeros((frames, channels), np.float32), outdata, frames, None, status)

            return sd.OutputStream(device=device[1], channels=outputs, callback=speak, **same)

        def hear(indata: Samples, frames: int, when: object, status: Any) -> None:
            self._callback(indata, np.zeros((frames, 1), np.float32), frames, when, status)

        return sd.InputStream(device=device[0], channels=channels, callback=hear, **same)

    def _empty(self) -> None:
        """Start with nothing recorded or played."""
        self.armed = False
        self.behind_s = 0.0
        """How much later than at its best input arrived in the last second (s)."""
        self._best_s, self._least_s, self._calls = math.inf, math.inf, 0
        self._queue: queue.SimpleQueue[tuple[Samples, Samples, tuple[PlayedPrompt, ...], str]] = queue.SimpleQueue()
        self._out_rest: Samples = np.zeros(0, np.float32)
        self._heard: Samples = np.zeros((0, self._channels), np.float32)
        self._played: Samples = np.zeros(self.delay, np.float32)
        self._down = _resampler(self._rate_hz, RATE_HZ, self._channels)
        self._up = _resampler(RATE_HZ, self._rate_hz, 1)
        self._called_s = time.monotonic() + START_S - LOST_S

    def restart(self) -> None:
        """Stop and start the stream (0.05-0.1 s) to drop its backlog; call `arm` again afterwards. Prompts that have
        ended are still reported. If this fails, or takes longer than LOST_S, the card is lost.
        """
        while self.fetch(0.0):
            pass
        self._finished = True
        thread = threading.Thread(target=self._restart, name="restart-card", daemon=True)
        thread.start()
        thread.join(LOST_S)
        if thread.is_alive():
            _CLOSING.append(thread)

    def _restart(self) -> None:
        """Thread: a driver whose device is gone may never return."""
        with contextlib.suppress(Exception):
            self._stream.abort()
            self._empty()
            self._stream.start()
            self._finished = False

    def arm(self, at: int) -> None:
        """Record and play from now on; the first frame recorded is number `at`. Until then a card only wakes up."""
        self._out_at = at + self.delay
        self.armed = True

    def _callback(self, indata: Samples, outdata: Samples, frames: int, when: Any, status: Any) -> None:
        self._called_s = time.monotonic()
        self._watch(when)
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

    def _watch(self, when: Any) -> None:
        """Measure how long the input waited. when: seconds of one clock; inputBufferAdcTime is 0 if unknown."""
        if not getattr(when, "inputBufferAdcTime", 0.0):
            return
        self._least_s = min(self._least_s, when.currentTime - when.inputBufferAdcTime)
        self._calls += 1
        if self._calls == CALLS:
            self._best_s = min(self._best_s, self._least_s)
            self.behind_s = self._least_s - self._best_s
            self._least_s, self._calls = math.inf, 0

    def _take(self, frames: int) -> tuple[Samples, tuple[PlayedPrompt, ...]]:
        played, ended = self._mixer.take(frames, self._out_at)
        self._out_at += frames
        return played, ended

    def _finish(self) -> None:
        self._finished = True

    @property
    def full(self) -> bool:
        """True if a block can be cut."""
        return min(len(self._heard), len(self._played)) >= BLOCK_FRAMES

    def fetch(self, end_s: float) -> bool:
        """Take what the callback queued, waiting until `end_s` (monotonic) or the card is lost; False if none."""
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

    def block(self, at: int) -> tuple[Samples, Samples, tuple[PlayedPrompt, ...], tuple[str, ...]]:
        """Cut the next block, which begins at `at`: heard, played, ended, flags."""
        heard, self._heard = self._heard[:BLOCK_FRAMES], self._heard[BLOCK_FRAMES:]
        played, self._played = self._played[:BLOCK_FRAMES], self._played[BLOCK_FRAMES:]
        over = tuple(item for item in self._ended if item.end <= at + BLOCK_FRAMES)
        self._ended = self._ended[len(over) :]
        flags, self._flags = tuple(self._flags), []
        return heard, played, over, flags

    def lost(self) -> str:
        """Why the stream can no longer be used; '' while it can."""
        if self._finished:
            return "has stopped"
        return f"has delivered no sound for {LOST_S:g} s" if time.monotonic() - self._called_s > LOST_S else ""

    def close(self, wait_s: float = 0.0) -> None:
        """Release the stream, waiting at most `wait_s`: a driver whose device is gone may never return."""
        with self._close_once:
            if self._closing is None:
                self._closing = threading.Thread(target=self._release, name="close-card", daemon=True)
                self._closing.start()
                _CLOSING[:] = [*(thread for thread in _CLOSING if thread.is_alive()), self._closing]
        self._closing.join(wait_s)

    def _release(self) -> None:
        with contextlib.suppress(Exception):
            self._stream.abort()
        with contextlib.suppress(Exception):
            self._stream.close()


def _resampler(from_hz: int, to_hz: int, channels: int) -> Any:
    """A streaming resampler of float32, or None if the rates are equal."""
    if from_hz == to_hz:
        return None
    import soxr  # noqa: PLC0415 only where a card cannot do RATE_HZ

    return soxr.ResampleStream(from_hz, to_hz, channels, dtype="float32")
