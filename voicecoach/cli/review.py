"""The command that reviews all sessions of a training programme. Arguments in, exit codes out."""

from __future__ import annotations

import csv
import hashlib
import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console

from voicecoach.cli.common import counted
from voicecoach.debrief.pages.html import clean
from voicecoach.debrief.review.store import Store
from voicecoach.errors import InputError
from voicecoach.system.files import cache_folder
from voicecoach.system.progress import progress

if TYPE_CHECKING:
    from voicecoach.debrief.review.page import Review

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False)


@app.command(name="review")
def review_command(
    folders: Annotated[list[Path], typer.Argument(help="Folders of sessions.")],
    page: Annotated[Path | None, typer.Option("--html", help="Write the review as a page into this file.")] = None,
    sql: Annotated[str, typer.Option(help="Run a query of your own; the answer is printed as CSV.")] = "",
    tables: Annotated[
        bool, typer.Option("--tables", help="List the tables, views and columns that --sql can query.")
    ] = False,
    parquet: Annotated[Path | None, typer.Option(help="Write the tables as Parquet files into this folder.")] = None,
    database: Annotated[Path | None, typer.Option(help="The database file; by default, one in the cache.")] = None,
    refresher_days: Annotated[int, typer.Option(min=0, help="Days between refreshers; by default, the site's.")] = 0,
    incidents_only: Annotated[bool, typer.Option("--incidents-only", help="Only the incidents.")] = False,
    key: Annotated[Path | None, typer.Option(help="The key file of encrypted records.")] = None,
) -> None:
    """Review all sessions together: incidents owed, who is due, learning, and whether what matters is trained."""
    console = Console(stderr=True)
    with Store(database or _default_database(folders)) as store:
        with progress(console, "reading sessions") as on_progress:
            store.update(folders, on_progress, _read_key(key) if key is not None else None)
        if tables:
            for row in store.describe():
                typer.echo(f"{row['name']}: {row['about'] or 'no description'}\n    {row['columns']}")
        for path in store.to_parquet(parquet, incidents_only=incidents_only) if parquet is not None else ():
            typer.echo(str(path))
        if sql:
            _answer(store, sql)
        if tables or sql or (parquet is not None and page is None):
            return
        from voicecoach.debrief.review.page import html, review  # noqa: PLC0415 statistics take a while to load

        result = review(store, datetime.now().astimezone().date(), refresher_days)
    for one in result.left_out:
        typer.echo(f"note: {clean(one['path'])}: {clean(one['reason'])}", err=True)
    if page is None:
        _print(result, incidents_only=incidents_only)
        return
    try:
        page.write_text(html(result, incidents_only=incidents_only), encoding="utf-8")
    except OSError as error:
        raise InputError(f"cannot be written: {error.strerror}", where=str(page)) from None
    typer.echo(str(page))


def _read_key(file: Path) -> bytes | None:
    from voicecoach.record.box import read_key  # noqa: PLC0415 loads ciphers

    return read_key(file)


def _answer(store: Store, sql: str) -> None:
    from voicecoach.debrief.exports.spreadsheet import harmless  # noqa: PLC0415 loads the reading of records

    columns, rows = store.ask(sql)
    table = csv.writer(sys.stdout)
    table.writerow(columns)
    table.writerows([harmless(value) if isinstance(value, str) else value for value in row] for row in rows)


def _print(found: Review, *, incidents_only: bool) -> None:
    wearers = f"{counted(found.wearers, 'wearer')} with a code"
    typer.echo(f"{counted(found.sessions, 'session')}, {found.first} to {found.last}; {wearers}")
    for one in found.owed:
        who, what = clean(one["wearer"]) or "no code", clean(one["title"])
        typer.echo(f"OWED: {one['owed']}  {one['when']}  {who}  {what}  {clean(one['folder'])}")
    for one in found.refreshers if not incidents_only else ():
        if one["say"]:
            typer.echo(f"refresher: {clean(one['wearer'])} due {one['due']}, {one['say']}")
    if not found.owed:
        typer.echo("Nothing is owed.")


def _default_database(folders: list[Path]) -> Path:
    names = "\n".join(sorted(str(folder.resolve()) for folder in folders))
    return cache_folder() / "review" / f"{hashlib.sha256(names.encode()).hexdigest()[:16]}.duckdb"
