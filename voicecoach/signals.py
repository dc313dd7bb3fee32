"""Which signals end or stop a process, and who is to heed them."""

from __future__ import annotations

import contextlib
import signal

TERMINAL = ("SIGINT", "SIGQUIT", "SIGTSTP", "SIGHUP")
"""What a terminal sends to every process that it started: Ctrl-C, Ctrl-backslash, Ctrl-Z, and its own end."""
BACKGROUND = ("SIGTTIN", "SIGTTOU")
"""What it sends to a process behind another one that reads or writes."""
ENDING = (
    *TERMINAL, "SIGTERM", "SIGTTIN", "SIGUSR1", "SIGUSR2", "SIGALRM", "SIGVTALRM", "SIGPROF", "SIGXCPU", "SIGIO",
    "SIGPWR", "SIGSTKFLT",
)  # fmt: skip
"""What would end or stop a process that has no handler, and can be handled; those for its own faults are left out."""


def numbers(names: tuple[str, ...]) -> tuple[signal.Signals, ...]:
    """Those that this system has."""
    return tuple(dict.fromkeys(getattr(signal, name) for name in names if hasattr(signal, name)))


def leave_terminal_to_parent() -> None:
    """For a helper process: what a terminal sends is the parent's to understand."""
    for number in numbers(TERMINAL):
        signal.signal(number, signal.SIG_IGN)


def read_from_background() -> None:
    """For a thread: reading a terminal from behind another process fails, instead of stopping the whole process."""
    block = getattr(signal, "pthread_sigmask", None)
    if block is not None:
        with contextlib.suppress(OSError, ValueError):
            block(signal.SIG_BLOCK, numbers(BACKGROUND))
