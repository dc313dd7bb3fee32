"""Commands that export a record for other programs. Arguments in, exit codes out."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from voicecoach.debrief.exports.deidentified import deidentify
from voicecoach.debrief.exports.fhir import to_fhir
from voicecoach.debrief.exports.icalendar import to_icalendar
from voicecoach.debrief.exports.plain import schema, to_json
from voicecoach.debrief.exports.spreadsheet import to_csv
from voicecoach.debrief.exports.webvtt import to_webvtt
from voicecoach.debrief.review.store import Store
from voicecoach.errors import InputError
from voicecoach.record.box import read_key
from voicecoach.record.read import Session, read

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False)


class ExportFormat(StrEnum):
    """The formats a record can be exported in."""

    CSV = "csv"
    JSON = "json"
    FHIR = "fhir"
    CAPTIONS = "vtt"
    CALENDAR = "ics"
    PARQUET = "parquet"


ENDINGS = {
    ".csv": ExportFormat.CSV,
    ".json": ExportFormat.JSON,
    ".vtt": ExportFormat.CAPTIONS,
    ".ics": ExportFormat.CALENDAR,
    ".parquet": ExportFormat.PARQUET,
}
WRITERS: dict[ExportFormat, Callable[[Session, bool], str]] = {
    ExportFormat.CSV: lambda session, only: to_csv(session, incidents_only=only),
    ExportFormat.JSON: lambda session, only: to_json(session, incidents_only=only),
    ExportFormat.FHIR: lambda session, only: to_fhir(session, incidents_only=only),
    ExportFormat.CAPTIONS: lambda session, only: to_webvtt(session, incidents_only=only),
    ExportFormat.CALENDAR: lambda session, _: to_icalendar(session),  # it holds incidents only
}


@app.command()
def export(
    folder: Annotated[Path | None, typer.Argument(help="A session's folder.")] = None,
    target: Annotated[Path | None, typer.Argument(help="The file to write (for Parquet, a folder).")] = None,
    form: Annotated[
        ExportFormat | None, typer.Option("--as", help="The format; by default, from the file's extension.")
    ] = None,
    incidents_only: Annotated[bool, typer.Option("--incidents-only", help="Only the incidents.")] = False,
    key: Annotated[Path | None, typer.Option(help="The key file of an encrypted record.")] = None,
    show_schema: Annotated[bool, typer.Option("--schema", help="Print a JSON Schema of the JSON export.")] = False,
) -> None:
    """Write a record as CSV, JSON, FHIR R4, captions (WebVTT), follow-up calendar (iCalendar) or Parquet."""
    if show_schema:
        typer.echo(schema(), nl=False)
        return
    if folder is None or target is None:
        raise InputError("a session's folder and a file to write are needed", expected="voicecoach export FOLDER FILE")
    chosen = form or (ExportFormat.FHIR if target.name.endswith(".fhir.json") else ENDINGS.get(target.suffix.lower()))
    if chosen is None:
        endings = ", ".join((*ENDINGS, ".fhir.json"))
        raise InputError("has no known file extension", where=str(target), expected=f"one of {endings}, or --as")
    if chosen is ExportFormat.PARQUET:
        with Store() as store:
            store.update([folder], key=read_key(key))
            for path in store.to_parquet(target, incidents_only=incidents_only):
                typer.echo(str(path))
        return
    if not folder.is_dir():
        raise InputError("does not exist", where=str(folder), expected="a session's folder")
    session = read(folder, read_key(key))
    text = WRITERS[chosen](session, incidents_only)
    try:
        target.write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise InputError(
            f"cannot be written: {error.strerror}", where=str(target), expected="a file in a folder"
        ) from None
    typer.echo(str(target))


@app.command(name="deidentify")
def deidentify_command(
    folder: Annotated[Path, typer.Argument(help="A session's folder.")],
    target: Annotated[Path, typer.Argument(help="The new folder for the copy.")],
    key: Annotated[Path | None, typer.Option(help="The key file of an encrypted record.")] = None,
) -> None:
    """Write a copy without voice, codes, room and the site's words, with times shifted by a secret amount."""
    typer.echo(str(deidentify(read(folder, read_key(key)), target)))
