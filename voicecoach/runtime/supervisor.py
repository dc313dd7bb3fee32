"""Keeps a live session's process alive: one that is killed or crashes is started again while the session is open.

The process that is kept is the same command; it inherits the terminal and the keyboard, and finds the open session by
itself. Rule 21.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections import deque
from collections.abc import Sequence
from types import FrameType
from typing import Self

from rich.console import Console

KEPT = "VOICECOACH_KEPT"
"""Environment of the process that is kept: 'first', or 'again' when the one before it ended badly."""
NOTHING_OPEN = 75
"""Its exit status when it was started again and there is no session to go on with; EX_TEMPFAIL of sysexits.h."""
LOOK_S = 0.5
"""How long a signal may go unnoticed (s)."""
DEATHS, WITHIN_S = 3, 10.0
"""So many deaths within so many seconds: something is wrong that starting again does not mend."""
SLOWLY_S = 5.0
"""Then it is tried again so often (s)."""

PAPER = (
    "[bold reverse] THE COACH CANNOT RUN. Stand still. Rub your gloved hands. [/]\n"
    "[bold]Go on by the paper card, or let your observer read it to you, one line after the other.\n"
    "Take nothing off that is not next on the card.[/] It is tried again every {every:g} s.\a"
)


def wanted() -> bool:
    """Whether this process is to be the one that keeps, not the one that is kept."""
    return KEPT not in os.environ


def again() -> bool:
    """Whether this process takes the place of one that ended badly: it goes on with an open session or does nothing."""
    return os.environ.get(KEPT) == "again"


def keep(command: Sequence[str], console: Console, slowly_s: float = SLOWLY_S) -> int:
    """Run a command until it ends by itself; its exit status.

    Args:
        command: of the session. console: where a crash loop is told. slowly_s: between tries in a crash loop (s).
    """
    deaths: deque[float] = deque(maxlen=DEATHS)
    how, status = "first", 0
    with _Signals() as signals:
        while True:
            child = subprocess.Popen(  # noqa: S603 our own command line
                list(command), env={**os.environ, KEPT: how}
            )
            signals.child = child
            code = _wait(child)
            if code == 0 or (how == "again" and code == NOTHING_OPEN):
                return 0 if code == 0 else status
            status = code if code > 0 else 128 - code
            deaths.append(time.monotonic())
            how = "again"
            if len(deaths) == DEATHS and deaths[-1] - deaths[0] < WITHIN_S:
                with contextlib.suppress(OSError):
                    console.print(PAPER.format(every=slowly_s))
                time.sleep(slowly_s)


def command() -> tuple[str, ...]:
    """The command line of this process, for another one."""
    return (sys.executable, "-m", "voicecoach", *sys.argv[1:])


def _wait(child: subprocess.Popen[bytes]) -> int:
    """Its exit status. A signal may be taken by another thread (numpy has some); it is acted on when this one wakes."""
    while True:
        with contextlib.suppress(InterruptedError, subprocess.TimeoutExpired):
            return child.wait(LOOK_S)


class _Signals:
    """While it lasts, this process ends only with its child. What a terminal sends reaches the child by itself."""

    def __init__(self) -> None:
        self.child: subprocess.Popen[bytes] | None = None
        self._before: dict[int, object] = {}

    def __enter__(self) -> Self:
        # a handler, not SIG_IGN: that one would be inherited
        for name, handler in (("SIGINT", self._leave), ("SIGHUP", self._leave), ("SIGTERM", self._pass_on)):
            number = getattr(signal, name, None)
            if number is not None:
                self._before[number] = signal.signal(number, handler)
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)  # type: ignore[arg-type]

    def _leave(self, _number: int, _frame: FrameType | None) -> None:
        """Ctrl-C and a closed terminal go to the whole group: the child decides."""

    def _pass_on(self, number: int, _frame: FrameType | None) -> None:
        if self.child is not None:
            with contextlib.suppress(OSError):
                self.child.send_signal(number)
