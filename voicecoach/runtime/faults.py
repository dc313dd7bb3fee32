"""Parts that fail during a session: when a fault is reported, when it is over, and retries in the background."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Mapping
from typing import TypeVar

from voicecoach.audio.line import RATE_HZ
from voicecoach.errors import AudioError, EngineError, VoicecoachError
from voicecoach.session.events import Part, PartBack, PartLost

LOST_AFTER_S = 0.3
"""A fault that lasts this long (s) is reported; a shorter one only leaves a mark in the record."""
BACK_AFTER_S = 3.0
"""A part counts as back after it has worked for this long (s), so that a stalling disk is not reported over and
over."""
RETRY_S = 1.0
"""Interval of retries in the background (s)."""
TRIES = 3
"""Retries on a recording's clock, where nobody waits."""

AT_ONCE: tuple[Part, ...] = ("ears", "line", "screen", "voice", "supervisor")
"""Reported without delay, because whatever watches these has already waited."""
BACK_AT_ONCE: tuple[Part, ...] = ("ears", "line")
"""Reported as back without delay, because people wait for these."""

T = TypeVar("T")
Reason = str | None


class Faults:
    """Keeps track of the parts that are lost."""

    def __init__(self) -> None:
        self.lost: dict[Part, str] = {}
        self._bad_since: dict[Part, int] = {}
        self._good_since: dict[Part, int] = {}
        self._raised: dict[Part, tuple[str, int]] = {}

    def raised(self, part: Part, error: Exception, now: int) -> None:
        """Note that a part raised; it counts as faulty for half a second after the last time."""
        self._raised[part] = (reason(error), now + RATE_HZ // 2)

    def look(self, now: int, found: Mapping[Part, Reason]) -> list[PartLost | PartBack]:
        """Faults that are new or over, given what is wrong with each part (None: nothing). now: session clock
        (samples).
        """
        raised = {part: why for part, (why, until) in self._raised.items() if now < until}
        reasons: dict[Part, Reason] = {**dict.fromkeys(self._raised), **found, **raised}
        return [event for part, why in reasons.items() if (event := self._one(now, part, why)) is not None]

    def still(self, now: int) -> list[PartLost]:
        """Report everything that is lost once more: after a sleep the session assumes that all is well."""
        return [PartLost(now, part, why) for part, why in self.lost.items()]

    def _one(self, now: int, part: Part, why: Reason) -> PartLost | PartBack | None:
        if why is None:
            self._bad_since.pop(part, None)
            since = self._good_since.setdefault(part, now)
            if part in self.lost and (part in BACK_AT_ONCE or now - since >= BACK_AFTER_S * RATE_HZ):
                del self.lost[part]
                return PartBack(now, part)
            return None
        self._good_since.pop(part, None)
        since = self._bad_since.setdefault(part, now)
        if part not in self.lost and (part in AT_ONCE or now - since >= LOST_AFTER_S * RATE_HZ):
            self.lost[part] = why
            return PartLost(now, part, why)
        return None


class Restarter:
    """Restarts a failed recogniser in the background, or at once on a recording's clock."""

    def __init__(self, restart: Callable[[], None], *, live: bool, retry_s: float = RETRY_S) -> None:
        self.why: Reason = None
        self._restart, self._live, self._retry_s = restart, live, retry_s
        self._recovered = threading.Event()
        self._over = threading.Event()

    def broke(self, why: str) -> None:
        """Start restarting it.

        Raises:
            EngineError: on a recording's clock, if it cannot be restarted.
        """
        if self.why is not None:
            return
        self.why = why
        self._recovered.clear()
        if self._live:
            threading.Thread(target=self._work, name="restart-recogniser", daemon=True).start()
            return
        for left in reversed(range(TRIES)):
            try:
                self._restart()
            except (EngineError, AudioError):
                if not left:
                    raise
            else:
                self._recovered.set()
                return

    def restarted(self) -> bool:
        """True once when it works again."""
        if self.why is None or not self._recovered.is_set():
            return False
        self.why = None
        return True

    def close(self) -> None:
        """Stop trying."""
        self._over.set()

    def _work(self) -> None:
        while not self._over.is_set():
            try:
                self._restart()
            except Exception:  # noqa: BLE001 whatever an engine raises, the next attempt may succeed
                self._over.wait(self._retry_s)
            else:
                self._recovered.set()
                return


def call_with_timeout(limit_s: float, act: Callable[[], T]) -> T:
    """What `act` returns or raises within `limit_s`. A slower call is abandoned and finishes in its own thread.

    Raises:
        EngineError: it took longer.
    """
    answers: queue.SimpleQueue[tuple[T, None] | tuple[None, Exception]] = queue.SimpleQueue()

    def work() -> None:
        try:
            answers.put((act(), None))
        except Exception as error:  # noqa: BLE001 raised in the caller
            answers.put((None, error))

    threading.Thread(target=work, name="call-with-timeout", daemon=True).start()
    try:
        result, error = answers.get(timeout=limit_s)
    except queue.Empty:
        raise EngineError(f"took longer than {limit_s:g} s") from None
    if error is not None:
        raise error
    return result  # type: ignore[return-value]


def reason(error: Exception) -> str:
    """An error as one line of text."""
    if isinstance(error, VoicecoachError):
        return error.line()
    return " ".join(f"{type(error).__name__}: {error}".split())
