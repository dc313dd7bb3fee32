"""The level meter: one line below the transcript that is overwritten, on a terminal only."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from rich.console import Console

from voicecoach.audio.line import RATE_HZ, Block
from voicecoach.listen.levels import meter
from voicecoach.runtime.loop import Watch
from voicecoach.session.effects import Effect
from voicecoach.session.events import Event
from voicecoach.session.state import SessionState

EVERY_S = 0.25
_WIPE = "\r\x1b[2K"


def can_show(console: Console) -> bool:
    """Whether the console can overwrite a line."""
    return console.is_terminal and not console.legacy_windows and not console.is_dumb_terminal


class LevelMeter:
    """Shows the loudest 20 ms of each quarter of a second, a bar for each microphone.

    Args:
        console: a terminal. later: runs a function on the screen's thread, so that nobody waits for it.
    """

    def __init__(self, console: Console, later: Callable[[Callable[[], None]], None]) -> None:
        self._console = console
        self._later = later
        self._powers = np.zeros(0)
        self._next = 0
        self._text = ""

    def feed(self, block: Block) -> None:
        """Take what the microphones heard."""
        powers = np.square(block.heard, dtype=np.float64).mean(axis=0)
        self._powers = np.maximum(self._powers, powers) if self._powers.shape == powers.shape else powers
        if block.end < self._next:
            return
        self._next = block.end + round(EVERY_S * RATE_HZ)
        text = "   ".join(meter(float(power)) for power in self._powers)
        self._powers = np.zeros(0)
        if text != self._text:
            self._text = text
            self._later(self._draw)

    def around(self, watch: Watch) -> Watch:
        """`watch`, with the meter kept below what it prints."""

        def shown(state: SessionState, event: Event, effects: tuple[Effect, ...]) -> None:
            self.wipe()
            watch(state, event, effects)
            if self._text:
                self._draw()

        return shown

    def wipe(self) -> None:
        """Erase the line."""
        self._console.file.write(_WIPE)
        self._console.file.flush()

    def _draw(self) -> None:
        self._console.file.write(f"{_WIPE}level {self._text}")
        self._console.file.flush()
