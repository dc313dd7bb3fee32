"""A live line that survives its sound card: whatever half still works is used while the whole is retried."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from typing import Protocol, runtime_checkable

from voicecoach.audio.line import Block, Half, Line, Sound
from voicecoach.audio.quiet import QuietLine
from voicecoach.errors import AudioError

RETRY_S = 1.0
"""Interval between attempts to open a lost card (s)."""
FIRST_SOUND_S = 3.0
"""A reopened card that delivers no sound for this long is still lost (s)."""

HALVES: tuple[Half, ...] = ("speaker", "microphone")
"""In order of importance: being heard matters more than hearing."""


@runtime_checkable
class Restartable(Protocol):
    """A line that can be reopened, even one half at a time."""

    def reopen(self) -> None:
        """Open both halves again.

        Raises:
            AudioError: it cannot be opened yet.
        """

    def half(self, half: Half, start: int) -> Line:
        """The speaker or the microphone alone, on the session clock from sample `start`.

        Raises:
            AudioError: that half is gone too.
        """

    def there(self, half: Half) -> bool:
        """Whether that half can be used again; checking does not disturb the other half. May take seconds."""


class FailoverLine:
    """A line whose `read` never fails: silence in real time stands in for whatever is lost.

    Sounds that were playing or queued when the line changed are played again from the start.

    Args:
        line: the card. start: sample at which the session's clock continues. retry_s: between attempts (s). now_s: a
            clock (s). wait: pauses for the given seconds, or until `close`.

    Attributes:
        hears, speaks: what works at the moment. why: the error with which the card was lost.
    """

    def __init__(
        self,
        line: Line,
        *,
        start: int = 0,
        retry_s: float = RETRY_S,
        now_s: Callable[[], float] = time.monotonic,
        wait: Callable[[float], object] | None = None,
    ) -> None:
        self.live = line.live
        self.channels = line.channels
        self.hears = self.speaks = True
        self.why = ""
        self._whole = line
        self._now: Line = line
        self._at = start
        self._retry_s = retry_s
        self._sounding: dict[int, Sound] = {}
        self._opened: queue.SimpleQueue[tuple[Line, bool, bool]] = queue.SimpleQueue()
        self._reopening = False
        self._over = threading.Event()
        self._now_s = now_s
        self._wait = wait or self._over.wait

    @property
    def lost(self) -> bool:
        """True while either half is missing."""
        return not (self.hears and self.speaks)

    def read(self, timeout_s: float) -> Block | None:
        """The next block; None if a live line has none within `timeout_s`."""
        if not self._opened.empty():
            self._take(*self._opened.get())
        try:
            block = self._now.read(timeout_s)
        except AudioError as error:
            if not self.live:
                raise
            self.why = error.what
            self._take(QuietLine(live=True, channels=self.channels, start=self._at), hears=False, speaks=False)
            self._restart()
            return None
        if block is not None:
            self._at = block.end
            for ended in block.ended:
                self._sounding.pop(ended.prompt, None)
        return block

    def play(self, sound: Sound) -> None:
        """Queue a sound after those already queued."""
        if sound.prompt:
            self._sounding[sound.prompt] = sound
        self._now.play(sound)

    def silence(self) -> None:
        """Fade out the current sound and drop the queue."""
        self._now.silence()

    def close(self) -> None:
        """Release the device and stop retrying."""
        self._over.set()
        self._now.close()
        self._whole.close()

    def _take(self, line: Line, hears: bool, speaks: bool) -> None:
        if self._now is not self._whole and self._now is not line:
            self._now.close()
        self._now, self.hears, self.speaks = line, hears, speaks
        for sound in self._sounding.values():
            line.play(sound)

    def _restart(self) -> None:
        whole = self._whole
        if not self._reopening and isinstance(whole, Restartable):
            self._reopening = True
            threading.Thread(target=self._try, args=(whole, whole), name="reopen-line", daemon=True).start()

    def _try(self, whole: Restartable, line: Line) -> None:
        """Thread: one half at once, both as soon as possible."""
        spare: Line | None = None
        while not self._over.is_set():
            if self._opened.empty() and not (self.hears or self.speaks):
                spare = self._half(whole)
            missing: tuple[Half, ...] = HALVES if spare is None else HALVES[:1] if self.hears else HALVES[1:]
            if spare is None or all(whole.there(half) for half in missing):
                if spare is not None:
                    spare.close()  # a card can be opened only once
                    spare = None
                if self._whole_again(whole, line):
                    self._reopening = False
                    self._opened.put((line, True, True))
                    return
            self._wait(self._retry_s)

    def _half(self, whole: Restartable) -> Line | None:
        for half in HALVES:
            try:
                line = whole.half(half, self._at)
            except AudioError:
                continue
            if half == "microphone" and not self._gives(line.read):
                line.close()
                continue
            self._opened.put((line, half == "microphone", half == "speaker"))
            end_s = self._now_s() + FIRST_SOUND_S
            while not self._opened.empty() and self._now_s() < end_s and not self._over.is_set():
                self._wait(0.02)  # the loop takes it at its next read
            return line
        return None

    def _whole_again(self, whole: Restartable, line: Line) -> bool:
        try:
            whole.reopen()
        except AudioError:
            return False
        return self._gives(line.read)

    def _gives(self, read: Callable[[float], Block | None]) -> bool:
        """Whether an opened line delivers sound; a suspended source opens without error and stays silent."""
        end_s = self._now_s() + FIRST_SOUND_S
        try:
            while self._now_s() < end_s:
                if read(0.1) is not None:
                    return True
        except AudioError:
            pass
        return False
