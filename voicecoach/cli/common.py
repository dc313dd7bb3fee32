"""Shared by several commands: options, the caution, and printing rows."""

from __future__ import annotations

import json
import shutil
import sys
import textwrap
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.markup import escape
from rich.table import Table

CAUTION = (
    "An aid, not a medical device. A trained observer, your local protocol and licensed practice come first. "
    "Training only."
)
Json = Annotated[bool, typer.Option("--json", help="Print JSON.")]
ModelOption = Annotated[str | None, typer.Option(help="The folder of a Vosk model.")]
GrammarOption = Annotated[str, typer.Option(help="A grammar, by name or file.")]


def counted(count: int, noun: str) -> str:
    """'1 session', '2 sessions'."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def print_text(text: str) -> None:
    """Print lines of text; on a terminal, those that are too long for it are broken between words and indented."""
    if sys.stdout.isatty():
        text = "\n".join(_fitted(line, shutil.get_terminal_size().columns) for line in text.splitlines())
    typer.echo(text)


def _fitted(line: str, width: int) -> str:
    if len(line) <= width:
        return line
    indent = " " * (len(line) - len(line.lstrip()) + 4)
    parts = textwrap.wrap(line, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
    return "\n".join(parts)


def show(rows: list[dict[str, Any]], as_json: bool) -> None:
    """Print rows of one kind as a table or as JSON."""
    if as_json:
        typer.echo(json.dumps(rows, ensure_ascii=False, indent=1))
        return
    table = Table(box=None, pad_edge=False)
    for key in rows[0] if rows else ():
        table.add_column(key, overflow="fold")
    for row in rows:
        table.add_row(*(escape("yes" if v is True else "no" if v is False else str(v)) for v in row.values()))
    Console().print(table)
