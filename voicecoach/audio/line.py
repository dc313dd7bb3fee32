"""The duplex audio line: frames in, frames out, one sample counter, the played signal as echo reference."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 16_000
BLOCK_FRAMES = 320
"""One block is 20 ms."""

Samples = NDArray[np.float32]
"""float32 in [-1, 1] at RATE_HZ; shape (frames,) for a sound, (frames, channels) for what a line heard."""
Half = Literal["speaker", "microphone"]
"""One half of a duplex line."""


@dataclass(frozen=True, slots=True)
class Sound:
    """A sound to play. prompt: the number of its Say, 0 for a tone. samples: shape (frames,). text: its words."""

    samples: Samples
    prompt: int = 0
    text: str = ""


@dataclass(frozen=True, slots=True)
class PlayedPrompt:
    """A prompt that has stopped: first and end sample on the session clock; complete: it played to its end."""

    prompt: int
    begin: int
    end: int
    complete: bool


@dataclass(frozen=True, slots=True)
class Block:
    """Consecutive frames of the line.

    at: sample number of the first frame. heard: shape (frames, channels). played: shape (frames,), what the speaker
    played meanwhile, for the echo canceller. ended: prompts that ended in this block. flags: warnings of the driver
    ('input overflow', ...). last: the input is exhausted (end of file).
    """

    at: int
    heard: Samples
    played: Samples
    ended: tuple[PlayedPrompt, ...] = field(default=())
    flags: tuple[str, ...] = field(default=())
    last: bool = False

    @property
    def end(self) -> int:
        """Sample number just past the last frame."""
        return self.at + len(self.played)


class Line(Protocol):
    """A source and sink of sound. `live` lines run in real time, the others as fast as they are read."""

    live: bool
    channels: int

    def read(self, timeout_s: float) -> Block | None:
        """The next block; None if a live line has none within `timeout_s`.

        Raises:
            AudioError: the device is gone.
        """

    def play(self, sound: Sound) -> None:
        """Queue a sound after those already queued; never blocks."""

    def silence(self) -> None:
        """Fade out the current sound (<= 50 ms) and drop the queue; each dropped prompt is reported as ended."""

    def close(self) -> None:
        """Release the device; safe to call twice."""
