"""The outermost edge: whatever goes wrong in a command, a person reads one line and the shell gets an exit status."""

from __future__ import annotations

import contextlib
import errno
import os
import signal
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import typer
from rich.console import Console
from rich.markup import escape
from typer.core import TyperGroup

from voicecoach.errors import VoicecoachError

UNUSABLE = 2
INTERRUPTED = 130


class GuardedGroup(TyperGroup):
    """A group of commands, none of which ends with a traceback."""

    def invoke(self, ctx: Any) -> Any:
        """Run the command."""
        with for_people():
            return super().invoke(ctx)

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Find the command and load it. From then on Ctrl-C is an exception, because there may be something to clean
        up.
        """
        found = super().resolve_command(ctx, args)
        if threading.current_thread() is threading.main_thread():
            signal.signal(signal.SIGINT, signal.default_int_handler)
        return found


def say_error(text: str) -> None:
    """Print one line on the error stream; a stream that cannot be written is ignored."""
    with contextlib.suppress(OSError, ValueError):
        Console(stderr=True).print(f"[bold red]error:[/] {escape(text)}", soft_wrap=True, highlight=False)


@contextlib.contextmanager
def for_people() -> Iterator[None]:
    """Turn every error into one line and an exit status."""
    try:
        yield
        sys.stdout.flush()
    except KeyboardInterrupt:
        say_error("interrupted; nothing recorded is lost")
        raise typer.Exit(INTERRUPTED) from None
    except BrokenPipeError:
        silence_stdout()  # the reader has gone
        raise typer.Exit(0) from None
    except Exception as error:
        if hasattr(error, "exit_code"):
            raise
        silence_stdout(only_if_broken=True)
        say_error(line(error))
        raise typer.Exit(UNUSABLE) from None


def line(error: Exception) -> str:
    """The error as one line for a person."""
    if isinstance(error, VoicecoachError):
        return error.line()
    if isinstance(error, MemoryError):
        return "not enough memory; expected about 500 MB (close other programs, or raise the limit)"
    if isinstance(error, OSError) and error.strerror:
        if error.filename is None and error.errno in {errno.ENOSPC, errno.EIO, errno.EBADF}:
            return f"the output cannot be written: {error.strerror}"
        where = f"{error.filename}: " if error.filename is not None else ""
        return " ".join(f"{where}{error.strerror}".split())
    trace, place = error.__traceback__, ""
    while trace is not None:
        place = f"{Path(trace.tb_frame.f_code.co_filename).name}:{trace.tb_lineno}"
        trace = trace.tb_next
    what = " ".join(f"{type(error).__name__}: {error}".split())
    return f"unexpected error: {what[:300]} ({place}); please report it"


def silence_stdout(*, only_if_broken: bool = False) -> None:
    """Discard pending output, so that the interpreter does not fail on it at exit."""
    if only_if_broken:
        try:
            sys.stdout.flush()
        except (OSError, ValueError):
            pass
        else:
            return
    with contextlib.suppress(OSError, ValueError):
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, sys.stdout.fileno())
        os.close(null)
