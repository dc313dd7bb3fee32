"""Keeps a live session's process alive: one that is killed or crashes is started again while the session is open.

The process that is kept is the same command; it inherits the terminal and the keyboard, and finds the open session by
itself. It watches its supervisor in turn, and starts another when that one is killed. Rule 21.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import subprocess
import sys
import time
from collections import deque
from collections.abc import Callable, Sequence
from types import FrameType
from typing import Self

import psutil
from rich.console import Console

from voicecoach.system import signals

KEPT = "VOICECOACH_KEPT"
"""Environment of the process that is kept: 'first', or 'again' when the one before it ended badly. 'watch' in that of a
supervisor which a session starts for itself."""
SUPERVISOR, WATCHED = "VOICECOACH_SUPERVISOR", "VOICECOACH_WATCHED"
"""The numbers of the process that keeps and, where the session was there first, of the one that is kept."""
NOTHING_OPEN = 75
"""Its exit status when it was started again and there is no session to go on with; EX_TEMPFAIL of sysexits.h."""
IN_USE = 69
"""Its exit status when another session has the voice; EX_UNAVAILABLE of sysexits.h."""
LOOK_S = 0.5
"""How long a signal may go unnoticed (s)."""
DEATHS, WITHIN_S = 3, 10.0
"""So many deaths within so many seconds: something is wrong that starting again does not mend."""
SLOWLY_S = 5.0
"""Then it is tried again so often (s)."""
AGAIN_S = 5.0
"""A session whose supervisor was killed starts another so often at most (s)."""

LEFT = ("SIGINT", "SIGHUP", *signals.BACKGROUND)
"""Signals that are not passed on: the child has them already."""
WORD = "nothing worn"
PAPER = (
    "[bold reverse] THE COACH CANNOT RUN. Stand still. Rub your gloved hands. [/]\n"
    "[bold]Go on by the paper card, or let your observer read it to you, one line after the other.\n"
    "Take nothing off that is not next on the card.[/] It is tried again every {every:g} s.\n"
    "Once nothing is worn: type [bold]" + WORD + "[/] here and press Enter; that ends it. Elsewhere:\n"
    "voicecoach end FOLDER --nothing-worn\a"
)
Asked = Callable[[float], bool]
"""Waits so long (s) and says whether it was asked to end."""


def wanted() -> bool:
    """Whether this process is to be the one that keeps, not the one that is kept."""
    return os.environ.get(KEPT, "watch") == "watch"


def again() -> bool:
    """Whether this process takes the place of one that ended badly: it goes on with an open session or does nothing."""
    return os.environ.get(KEPT) == "again"


def supervise(
    command: Sequence[str],
    console: Console,
    slowly_s: float = SLOWLY_S,
    *,
    asked: Asked | None = None,
    now: Callable[[], float] = time.monotonic,
    watched: int | None = None,
) -> int:
    """Run a command until it ends by itself; its exit status.

    Args:
        command: of the session. console: where a crash loop is told. slowly_s: between tries in a crash loop (s).
        asked: whether a person ends it in a crash loop. watched: a session that runs already, or None.
    """
    deaths: deque[float] = deque(maxlen=DEATHS)
    how, status = "first", 0
    with _Signals() as handlers:
        if watched is not None:
            handlers.pid = watched
            wait_for(watched)
            how = "again"
        while True:
            places = {name: value for name, value in os.environ.items() if name != WATCHED}
            places |= {KEPT: how, SUPERVISOR: str(os.getpid())}
            child = subprocess.Popen(list(command), env=places)  # noqa: S603 our own command line
            handlers.pid = child.pid
            code = _wait(child)
            handlers.pid = None
            if code in {0, IN_USE} or (how == "again" and code == NOTHING_OPEN):
                return {0: 0, IN_USE: status or 2}.get(code, status)
            status = code if code > 0 else 128 - code
            deaths.append(now())
            how = "again"
            if len(deaths) == DEATHS and deaths[-1] - deaths[0] < WITHIN_S:
                with contextlib.suppress(OSError):
                    console.print(PAPER.format(every=slowly_s))
                if (asked or _asleep)(slowly_s):
                    return status


def command() -> tuple[str, ...]:
    """The command line of this process, for another one."""
    return (sys.executable, "-m", "voicecoach", *sys.argv[1:])


def watched() -> int | None:
    """The session's process that this supervisor was started by, if it was."""
    return _number(WATCHED)


def parent() -> int | None:
    """The supervisor that this process was started by, if it was."""
    return _number(SUPERVISOR)


def _number(name: str) -> int | None:
    text = os.environ.get(name, "")
    return int(text) if text.isdecimal() else None


def wait_for(pid: int) -> None:
    """Return when a process that is no child of this one is over."""
    while _lives(pid):
        time.sleep(LOOK_S)


def typed_word(seconds: float) -> bool:
    """Whether somebody types WORD within so long; what else is typed is let go."""
    end_s = time.monotonic() + seconds
    while (left_s := end_s - time.monotonic()) > 0:
        try:
            ready, _, _ = select.select([0], [], [], left_s)
            line = os.read(0, 4096) if ready else b""
        except (OSError, ValueError):
            line = b""
        if WORD in line.decode("utf-8", "replace").lower():
            return True
        if not line:  # nothing more can come
            time.sleep(max(0.0, end_s - time.monotonic()))
    return False


class SupervisorWatch:
    """A session's own eye on its supervisor: one that is gone is told of, and another is started in its place.

    Args:
        pid: of the supervisor; None for a session that has none. start: starts another. now: the clock (s).
    """

    def __init__(
        self,
        pid: int | None,
        start: Callable[[], subprocess.Popen[bytes]] | None = None,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self._pid = pid
        self._start = start or _another
        self._now = now
        self._other: subprocess.Popen[bytes] | None = None
        self._started_s = -AGAIN_S

    @property
    def trouble(self) -> str | None:
        """That it is gone, when that is noticed; None while there is one."""
        if self._pid is None or (os.getppid() == self._pid if self._other is None else self._other.poll() is None):
            return None
        why = "the process that starts this one again after a crash was ended"
        if self._now() - self._started_s >= AGAIN_S:
            self._started_s = self._now()
            with contextlib.suppress(OSError):
                self._other = self._start()
        return why


def _another() -> subprocess.Popen[bytes]:
    places = {**os.environ, KEPT: "watch", WATCHED: str(os.getpid())}
    return subprocess.Popen(command(), env=places)  # noqa: S603 our own command line


def _lives(pid: int) -> bool:
    """Whether it runs; one that is over and that nobody has asked after does not."""
    try:
        return bool(psutil.Process(pid).status() != psutil.STATUS_ZOMBIE)
    except psutil.NoSuchProcess:
        return False
    except psutil.Error:
        return psutil.pid_exists(pid)


def _asleep(seconds: float) -> bool:
    time.sleep(seconds)
    return False


def _wait(child: subprocess.Popen[bytes]) -> int:
    """Its exit status. A signal may be taken by another thread (numpy has some); it is acted on when this one wakes."""
    while True:
        with contextlib.suppress(InterruptedError, subprocess.TimeoutExpired):
            return child.wait(LOOK_S)


class _Signals:
    """While it lasts, this process ends only with its child. What a terminal sends reaches the child by itself, too."""

    def __init__(self) -> None:
        self.pid: int | None = None
        self._before: dict[int, object] = {}

    def __enter__(self) -> Self:
        # a handler, not SIG_IGN: that one would be inherited
        for number in signals.numbers(signals.ENDING + signals.BACKGROUND):
            handler = self._leave if number in signals.numbers(LEFT) else self._pass_on
            self._before[number] = signal.signal(number, handler)
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)  # type: ignore[arg-type]

    def _leave(self, _number: int, _frame: FrameType | None) -> None:
        """Ctrl-C and a closed terminal go to the whole group: the child decides."""

    def _pass_on(self, number: int, _frame: FrameType | None) -> None:
        if self.pid is not None:
            with contextlib.suppress(OSError):
                os.kill(self.pid, number)
