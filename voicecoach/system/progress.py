"""A progress bar on the screen."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn


@contextmanager
def progress(console: Console, what: str) -> Iterator[Callable[[int, int], None]]:
    """A progress bar; yields `on_progress(done, total)`."""
    bar = Progress(TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), console=console, transient=True)
    with bar:
        task = bar.add_task(what, total=None)

        def on_progress(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total)

        yield on_progress
