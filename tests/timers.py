"""The timers of a session that a test drives on its own clock."""

from __future__ import annotations

from voicecoach.session.effects import CancelTimer, Effect, SetTimer
from voicecoach.session.events import CLOCK_HZ


class RunningTimers(dict[str, int]):
    """Name -> the sample at which the timer fires, as the session's effects have set it."""

    def take(self, effect: Effect, at: int) -> None:
        """Set or cancel a timer, if that is what the effect at sample `at` asks for."""
        if isinstance(effect, SetTimer):
            self[effect.timer] = at + round(effect.after_s * CLOCK_HZ)
        elif isinstance(effect, CancelTimer):
            self.pop(effect.timer, None)

    def first(self) -> tuple[str, int]:
        """The timer that fires first, and when; there must be one."""
        return min(self.items(), key=lambda pair: pair[1])
