"""The program's entry point. It loads little, because it guards the loading of everything else."""

from __future__ import annotations

import os
import signal
import sys
from typing import NoReturn

LEAST_MEMORY = 600_000_000
"""With less address space than this (bytes), native libraries abort the process while loading, without a message."""
UNUSABLE, INTERRUPTED = 2, 130


def program() -> NoReturn:
    """Run the command on the command line, and end the process."""
    signal.signal(signal.SIGINT, _interrupted)
    _unblock_interrupts()
    _repair_streams()
    status = UNUSABLE
    try:
        _check_memory()
        from voicecoach.cli.main import main  # noqa: PLC0415 numpy and others take a second to load

        main(prog_name="voicecoach")
    except SystemExit as end:
        status = end.code if isinstance(end.code, int) else UNUSABLE if end.code else 0
    except KeyboardInterrupt:
        _interrupted()
    except Exception as error:  # noqa: BLE001 a library that is missing or gets no memory
        _say(" ".join(f"cannot start: {type(error).__name__}: {error}".split())[:300])
    sys.exit(_flush(status))


def _unblock_interrupts() -> None:
    """Unblock Ctrl-C, which the parent process blocked until there was a handler for it."""
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})


def _interrupted(*_: object) -> None:
    """Ctrl-C before anything has started: there is nothing to clean up."""
    _say("interrupted; nothing recorded is lost")
    os._exit(INTERRUPTED)


def _say(text: str) -> None:
    try:
        sys.stderr.write(f"error: {text}\n")
        sys.stderr.flush()
    except (OSError, ValueError):
        return


def _repair_streams() -> None:
    """Keep the number of a closed stream from the next file opened, and replace what cannot be encoded."""
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            stream = open(os.devnull, "w", encoding="utf-8")  # noqa: PTH123, SIM115 open until the process ends
            setattr(sys, name, stream)
        stream.reconfigure(errors="replace")


def _check_memory() -> None:
    try:
        import resource  # noqa: PLC0415 POSIX only
    except ImportError:
        return
    limit, _ = resource.getrlimit(resource.RLIMIT_AS)
    if limit != resource.RLIM_INFINITY and limit < LEAST_MEMORY:
        _say(f"the memory limit is {limit:,} bytes; expected at least {LEAST_MEMORY:,} (raise ulimit -v)")
        sys.exit(UNUSABLE)


def _flush(status: int) -> int:
    """Flush the output; a full disk is reported once."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        pass
    except (OSError, ValueError) as error:
        _say(f"the output cannot be written: {getattr(error, 'strerror', None) or error}")
        status = status or UNUSABLE
    else:
        return status
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    return status


if __name__ == "__main__":
    program()
