"""A lost card is tried again at its times, on a clock that does not wait."""

import threading
from collections.abc import Callable

import numpy as np

from voicecoach.audio.failover import FIRST_SOUND_S, RETRY_S, FailoverLine
from voicecoach.audio.line import Block, Half, Line
from voicecoach.audio.quiet import QuietLine
from voicecoach.errors import AudioError


class LostCard(QuietLine):
    """A card that was pulled out. opens: the attempt that succeeds, from 1; mute: it then delivers nothing."""

    def __init__(self, opens: int, *, mute: int = 0, pass_s: Callable[[float], None]) -> None:
        super().__init__(live=True)
        self.opens = opens
        self.mute = mute
        self.attempts = 0
        self.pass_s = pass_s

    def read(self, timeout_s: float) -> Block | None:
        if self.attempts < self.opens:
            raise AudioError("has stopped", where="sound card")
        if self.attempts < self.opens + self.mute:
            self.pass_s(timeout_s)
            return None
        return Block(0, np.zeros((320, 1), np.float32), np.zeros(320, np.float32))

    def reopen(self) -> None:
        self.attempts += 1
        if self.attempts < self.opens:
            raise AudioError("cannot be opened", where="sound card")

    def half(self, half: Half, start: int) -> Line:
        raise AudioError("cannot be opened", where="sound card")

    def there(self, half: Half) -> bool:
        return False


class Clock:
    """A clock that only waiting moves."""

    def __init__(self) -> None:
        self.now_s = 50.0
        self.waits_s: list[float] = []

    def __call__(self) -> float:
        return self.now_s

    def wait(self, seconds: float) -> None:
        self.waits_s.append(seconds)
        self.now_s += seconds


def reopened(card: LostCard, clock: Clock) -> FailoverLine:
    line = FailoverLine(card, now_s=clock, wait=clock.wait)
    assert line.read(0.0) is None
    for thread in threading.enumerate():
        if thread.name == "reopen-line":
            thread.join(10)
    return line


def test_a_lost_card_is_tried_once_a_second_until_it_opens() -> None:
    clock = Clock()
    card = LostCard(4, pass_s=clock.wait)
    line = reopened(card, clock)
    assert card.attempts == 4
    assert clock.waits_s == [RETRY_S] * 3
    assert line.lost, "the loop takes the card at its next read"
    line.read(0.0)
    assert not line.lost
    line.close()


def test_a_card_that_opens_and_delivers_nothing_is_still_lost() -> None:
    clock = Clock()
    card = LostCard(1, mute=1, pass_s=clock.wait)
    line = reopened(card, clock)
    assert card.attempts == 2
    assert clock.now_s >= 50.0 + FIRST_SOUND_S + RETRY_S
    line.close()
