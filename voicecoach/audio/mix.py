"""The playback queue of every line: sounds in, blocks of samples and ended prompts out."""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass

import numpy as np

from voicecoach.audio.line import RATE_HZ, PlayedPrompt, Samples, Sound

FADE_FRAMES = RATE_HZ * 30 // 1000
"""30 ms: short enough to be heard as immediate silence, long enough to avoid a click."""


@dataclass(frozen=True, slots=True)
class PlayedSound:
    """A finished sound, prompt or tone, with the samples as played. Times as in PlayedPrompt."""

    sound: Sound
    begin: int
    end: int
    complete: bool


class Mixer:
    """Plays sounds one after another, without gaps.

    `play` and `silence` may be called from any thread, `take` from one other thread, such as an audio callback: the
    lock is held for a few list operations or the copy of one block, never for I/O. Tones (prompt 0) are not reported.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._queue: deque[Sound] = deque()
        self._now: Sound | None = None
        self._done = 0  # frames of _now already played
        self._begin = 0
        self._cut = False  # _now was faded out: it ends early
        self._dropped: list[int] = []
        self.over: list[PlayedSound] = []
        """The sounds that ended in the last block, for the thread that calls `take`."""

    @property
    def now(self) -> tuple[Sound, int] | None:
        """The sound playing at the end of the last block, and its first sample number."""
        with self._lock:
            return None if self._now is None else (self._now, self._begin)

    @property
    def busy(self) -> bool:
        """True while anything is playing or queued."""
        with self._lock:
            return self._now is not None or bool(self._queue)

    def play(self, sound: Sound) -> None:
        """Queue a sound after those already queued. Its samples must not be changed afterwards."""
        with self._lock:
            self._queue.append(sound)

    def silence(self) -> None:
        """Fade out the current sound and drop the queue. Sounds queued after this call are unaffected."""
        with self._lock:
            self._dropped += [sound.prompt for sound in self._queue if sound.prompt]
            self._queue.clear()
            if self._now is not None and not self._cut:
                rest = self._now.samples[self._done : self._done + FADE_FRAMES]
                ramp = np.linspace(1.0, 0.0, len(rest), dtype=np.float32)
                played = self._now.samples[: self._done]
                self._now = Sound(np.concatenate([played, rest * ramp]), self._now.prompt, self._now.text)
                self._cut = True

    def take(self, frames: int, at: int) -> tuple[Samples, tuple[PlayedPrompt, ...]]:
        """The next `frames` samples, shape (frames,), and the prompts that ended in them.

        at: sample number of the first one. A dropped prompt begins and ends at `at`.
        """
        out = np.zeros(frames, dtype=np.float32)
        self.over = []
        with self._lock:
            ended = [PlayedPrompt(prompt, at, at, complete=False) for prompt in self._dropped]
            self._dropped.clear()
            filled = 0
            while True:
                if self._now is None:
                    if not self._queue or filled == frames:
                        break
                    self._now, self._done, self._begin, self._cut = self._queue.popleft(), 0, at + filled, False
                part = self._now.samples[self._done : self._done + frames - filled]
                out[filled : filled + len(part)] = part
                filled += len(part)
                self._done += len(part)
                if self._done < len(self._now.samples):
                    break
                sounded = PlayedSound(self._now, self._begin, at + filled, complete=not self._cut)
                self.over.append(sounded)
                if self._now.prompt:
                    ended.append(PlayedPrompt(self._now.prompt, sounded.begin, sounded.end, sounded.complete))
                self._now = None
        np.clip(out, -1.0, 1.0, out=out)
        return out, tuple(sorted(ended, key=lambda played: played.end))
