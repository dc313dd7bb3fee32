"""Which signals end or stop a process, and which process should handle them."""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Iterator

TERMINAL = ("SIGINT", "SIGQUIT", "SIGTSTP", "SIGHUP")
"""Sent by a terminal to its foreground processes: Ctrl-C, Ctrl-backslash, Ctrl-Z, and hang-up."""
BACKGROUND = ("SIGTTIN", "SIGTTOU")
"""Sent by a terminal to a background process that reads from it or writes to it."""
ENDING = (
    *TERMINAL, "SIGTERM", "SIGTTIN", "SIGUSR1", "SIGUSR2", "SIGALRM", "SIGVTALRM", "SIGPROF", "SIGXCPU", "SIGIO",
    "SIGPWR", "SIGSTKFLT",
)  # fmt: skip
"""Signals that can be caught and that end or stop a process without a handler, except those raised by its own
faults."""


def numbers(names: tuple[str, ...]) -> tuple[signal.Signals, ...]:
    """The signals of `names` that this system has."""
    return tuple(dict.fromkeys(getattr(signal, name) for name in names if hasattr(signal, name)))


@contextlib.contextmanager
def blocked(name: str) -> Iterator[None]:
    """Block a signal in the meantime. A process started within inherits that, and has to unblock it."""
    block = getattr(signal, "pthread_sigmask", None)
    if block is None:
        yield
        return
    before = block(signal.SIG_BLOCK, numbers((name,)))
    try:
        yield
    finally:
        block(signal.SIG_SETMASK, before)


def leave_terminal_to_parent() -> None:
    """In a child process: ignore what a terminal sends; the parent handles it."""
    for number in numbers(TERMINAL):
        signal.signal(number, signal.SIG_IGN)


def read_from_background() -> None:
    """In a thread: make reading the terminal from the background fail instead of stopping the whole process."""
    block = getattr(signal, "pthread_sigmask", None)
    if block is not None:
        with contextlib.suppress(OSError, ValueError):
            block(signal.SIG_BLOCK, numbers(BACKGROUND))
