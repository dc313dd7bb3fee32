"""Keeps a live session running: if its process is killed or crashes, it is started again. Rule 21.

The child is the same command with the same terminal and keyboard, and finds the open session by itself. It watches its
supervisor in turn, and starts another if that is killed.
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

SUPERVISED = "VOICECOACH_SUPERVISED"
"""Environment variable: 'first' or 'again' in a session's process, 'again' if its predecessor ended badly; 'watch' in a
supervisor that a session started."""
SUPERVISOR, WATCHED = "VOICECOACH_SUPERVISOR", "VOICECOACH_WATCHED"
"""Environment variables with the pid of the supervisor, and of the session that started the supervisor."""
NOTHING_OPEN = 75
"""Exit status of a restarted session that finds no open one; EX_TEMPFAIL of sysexits.h."""
IN_USE = 69
"""Exit status if another session is speaking; EX_UNAVAILABLE of sysexits.h."""
LOOK_S = 0.5
"""How long a signal may go unnoticed (s)."""
DEATHS, WITHIN_S = 3, 10.0
"""This many deaths within this many seconds are a crash loop, in which restarting does not help."""
SLOWLY_S = 5.0
"""Interval between restarts in a crash loop (s)."""
AGAIN_S = 5.0
"""Least interval at which a session starts another supervisor (s)."""

NOT_FORWARDED = ("SIGINT", "SIGHUP", *signals.BACKGROUND)
"""Signals that are not forwarded, because the child gets them anyway."""
WORD = "nothing worn"
PAPER = (
    "[bold reverse] THE COACH CANNOT RUN. Stand still. Rub your gloved hands. [/]\n"
    "[bold]Go on by the paper card, or let your observer read it to you, line by line.\n"
    "Take nothing off that is not next on the card.[/] The coach is restarted every {every:g} s.\n"
    "Once nothing is worn: type [bold]" + WORD + "[/] here and press Enter to end the session, or run:\n"
    "voicecoach end FOLDER --nothing-worn\a"
)
EndRequested = Callable[[float], bool]
"""Waits the given seconds; returns whether a person asked to end the session."""


def should_supervise() -> bool:
    """Whether this process should be the supervisor rather than the session."""
    return os.environ.get(SUPERVISED, "watch") == "watch"


def is_restart() -> bool:
    """Whether this process replaces one that ended badly: it continues an open session, or does nothing."""
    return os.environ.get(SUPERVISED) == "again"


def supervise(
    command: Sequence[str],
    console: Console,
    slowly_s: float = SLOWLY_S,
    *,
    end_requested: EndRequested | None = None,
    now: Callable[[], float] = time.monotonic,
    watched: int | None = None,
) -> int:
    """Run a command until it ends by itself, and return its exit status.

    Args:
        command: of the session. console: for reporting a crash loop. slowly_s: between restarts in a crash loop (s).
        end_requested: asks, in a crash loop, whether a person ends the session. watched: pid of a session that is
        already running, or None.
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
            places |= {SUPERVISED: how, SUPERVISOR: str(os.getpid())}
            with signals.blocked("SIGINT"):  # a process that is still loading cannot report being interrupted
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
                if (end_requested or _sleep)(slowly_s):
                    return status


def command() -> tuple[str, ...]:
    """This process's command line, for starting another."""
    return (sys.executable, "-m", "voicecoach", *sys.argv[1:])


def watched_pid() -> int | None:
    """The pid of the session that started this supervisor, if one did."""
    return _number(WATCHED)


def supervisor_pid() -> int | None:
    """The pid of the supervisor that started this process, if one did."""
    return _number(SUPERVISOR)


def _number(name: str) -> int | None:
    text = os.environ.get(name, "")
    return int(text) if text.isdecimal() else None


def wait_for(pid: int) -> None:
    """Wait until a process that is not a child of this one has ended."""
    while _lives(pid):
        time.sleep(LOOK_S)


def typed_word(seconds: float) -> bool:
    """Whether somebody types WORD within `seconds`; other input is discarded."""
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
    """Watches a session's supervisor: one that is gone is reported, and another is started.

    Args:
        pid: of the supervisor; None for a session without one. start: starts another. now: the clock (s).
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
        """What is wrong: that the supervisor is gone; None while there is one."""
        if self._pid is None or (os.getppid() == self._pid if self._other is None else self._other.poll() is None):
            return None
        why = "the process that restarts the coach after a crash has ended"
        if self._now() - self._started_s >= AGAIN_S:
            self._started_s = self._now()
            with contextlib.suppress(OSError):
                self._other = self._start()
        return why


def _another() -> subprocess.Popen[bytes]:
    places = {**os.environ, SUPERVISED: "watch", WATCHED: str(os.getpid())}
    return subprocess.Popen(command(), env=places)  # noqa: S603 our own command line


def _lives(pid: int) -> bool:
    """Whether the process is running; a zombie is not."""
    try:
        return bool(psutil.Process(pid).status() != psutil.STATUS_ZOMBIE)
    except psutil.NoSuchProcess:
        return False
    except psutil.Error:
        return psutil.pid_exists(pid)


def _sleep(seconds: float) -> bool:
    time.sleep(seconds)
    return False


def _wait(child: subprocess.Popen[bytes]) -> int:
    """The child's exit status. A signal may arrive in another thread (numpy has some), and is handled when this one
    wakes.
    """
    while True:
        with contextlib.suppress(InterruptedError, subprocess.TimeoutExpired):
            return child.wait(LOOK_S)


class _Signals:
    """While active, this process ends only with its child. Signals of a terminal reach the child by themselves."""

    def __init__(self) -> None:
        self.pid: int | None = None
        self._before: dict[int, object] = {}

    def __enter__(self) -> Self:
        # a handler, not SIG_IGN, which the child would inherit
        for number in signals.numbers(signals.ENDING + signals.BACKGROUND):
            handler = self._ignore if number in signals.numbers(NOT_FORWARDED) else self._forward
            self._before[number] = signal.signal(number, handler)
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)  # type: ignore[arg-type]

    def _ignore(self, _number: int, _frame: FrameType | None) -> None:
        """Ctrl-C and a closed terminal reach the whole process group; the child decides."""

    def _forward(self, number: int, _frame: FrameType | None) -> None:
        if self.pid is not None:
            with contextlib.suppress(OSError):
                os.kill(self.pid, number)
