"""The duplex audio line: frames in, frames out, one sample counter, the played signal as echo reference."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 16_000
BLOCK_FRAMES = 320
"""One block is 20 ms."""

Samples = NDArray[np.float32]
"""float32 in [-1, 1] at RATE_HZ; shape (frames,) for a sound, (frames, channels) for what a line heard."""


@dataclass(frozen=True, slots=True)
class Sound:
    """Something to play. prompt: the number of a Say, or 0 for a tone. samples: shape (frames,). text: its words."""

    samples: Samples
    prompt: int = 0
    text: str = ""


@dataclass(frozen=True, slots=True)
class Played:
    """A prompt that no longer sounds: the samples of its begin and end on the session clock; complete if it ran out."""

    prompt: int
    begin: int
    end: int
    complete: bool


@dataclass(frozen=True, slots=True)
class Block:
    """Consecutive frames of the line.

    at: sample number of the first frame. heard: shape (frames, channels). played: shape (frames,), what the speaker
    gave out in the same time, for the echo canceller. ended: prompts that ended within. flags: what the driver
    complained of ('input overflow', ...). last: the line has no more to give (a file's end).
    """

    at: int
    heard: Samples
    played: Samples
    ended: tuple[Played, ...] = field(default=())
    flags: tuple[str, ...] = field(default=())
    last: bool = False

    @property
    def end(self) -> int:
        """Sample number just behind the last frame."""
        return self.at + len(self.played)


class Line(Protocol):
    """Where sound comes from and goes to. `live` lines keep real time, the others run as fast as they are read."""

    live: bool
    channels: int

    def read(self, timeout_s: float) -> Block | None:
        """The next block; None when a live line has given none within `timeout_s`.

        Raises:
            AudioError: the device is gone.
        """

    def play(self, sound: Sound) -> None:
        """Queue a sound behind those already queued; never blocks."""

    def silence(self) -> None:
        """Fade out (<= 50 ms) what sounds and drop what is queued; each dropped prompt is reported as ended."""

    def close(self) -> None:
        """Let the device go; safe to call twice."""
