"""A finished sound is played to its end, and no longer."""

from __future__ import annotations

import numpy as np

from voicecoach.audio.line import RATE_HZ
from voicecoach.audio.player import LATE_S, play
from voicecoach.audio.quiet import QuietLine


def test_it_returns_when_the_sound_is_over_and_has_reported_how_far_it_was() -> None:
    line = QuietLine()
    heard: list[tuple[float, float]] = []
    play(
        np.zeros(2 * RATE_HZ, np.float32),
        on_progress=lambda done_s, total_s: heard.append((done_s, total_s)),
        open_line=lambda _: line,
    )
    assert heard[-1] == (2.0, 2.0)
    assert [done for done, _ in heard] == sorted(done for done, _ in heard)
    assert len(heard) > 4


def test_a_card_that_gives_nothing_does_not_hold_it_for_ever() -> None:
    class Dead(QuietLine):
        reads = 0

        def read(self, timeout_s: float) -> None:  # type: ignore[override]
            self.reads += 1

    line = Dead()
    play(np.zeros(RATE_HZ, np.float32), open_line=lambda _: line)
    assert line.reads == round((1 + LATE_S) / 0.25)
