"""Plays a complete sound on the sound card."""

from __future__ import annotations

from collections.abc import Callable

from voicecoach.audio.line import RATE_HZ, Line, Samples, Sound
from voicecoach.audio.live import LiveLine

READ_S = 0.25
"""How long to wait for a block (s)."""
LATE_S = 5.0
"""A card this far behind (s) has stopped playing."""

PlayProgress = Callable[[float, float], None]
"""Called with seconds played and seconds in all."""


def play(
    samples: Samples,
    *,
    speaker: str | int | None = None,
    on_progress: PlayProgress = lambda _done_s, _total_s: None,
    open_line: Callable[[str | int | None], Line] = lambda speaker: LiveLine(speaker=speaker, direction="speaker"),
) -> None:
    """Play `samples`, float32 at RATE_HZ, shape (frames,); returns when they have been played.

    Args:
        samples: the sound. speaker: a device's number or part of its name; None: the system's default.
        on_progress: called about four times a second. open_line: opens the line, for tests.

    Raises:
        AudioError: there is no sound card, or it has stopped.
    """
    line = open_line(speaker)
    total_s = len(samples) / RATE_HZ
    try:
        line.play(Sound(samples, 1, "(recording)"))
        played, reported_s = 0, 0.0
        while played < len(samples) + round(LATE_S * RATE_HZ):
            block = line.read(READ_S)
            if block is None:
                played += round(READ_S * RATE_HZ)  # a card that delivers nothing does not block this for ever
                continue
            if block.ended:
                on_progress(total_s, total_s)
                return
            played += len(block.played)
            if played / RATE_HZ - reported_s > READ_S:
                reported_s = played / RATE_HZ
                on_progress(min(reported_s, total_s), total_s)
    finally:
        line.close()
