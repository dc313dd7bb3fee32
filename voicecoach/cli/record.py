"""Commands about records: timeline, report, verify, pack, salvage, new-key. Arguments in, exit codes out."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from voicecoach.cli.common import print_text
from voicecoach.cli.guard import UNUSABLE, say_error
from voicecoach.debrief import drawing, report
from voicecoach.debrief.exports import spreadsheet
from voicecoach.debrief.report import SoundPlace
from voicecoach.debrief.texts import recorded_texts
from voicecoach.errors import InputError, RecordError, printable
from voicecoach.record import archive, disk
from voicecoach.record import verify as verifying
from voicecoach.record.box import new_key, read_key
from voicecoach.record.read import Session, read
from voicecoach.record.salvage import salvage
from voicecoach.runtime.library import completed
from voicecoach.runtime.screen import show_timeline
from voicecoach.session.machine import Machine

DIFFERS = DAMAGED = 1


app = typer.Typer(add_completion=False, pretty_exceptions_enable=False)
Folder = Annotated[Path, typer.Argument(help="A session's folder.")]
Key = Annotated[Path | None, typer.Option(help="The key file of an encrypted record.")]
IncidentsOnly = Annotated[bool, typer.Option("--incidents-only", help="Only the incidents.")]


def machine_of(session: Session) -> Machine:
    """The machine that a session ran on, from the copies in its record."""
    return Machine(completed(recorded_texts(session).setup()))


@app.command()
def timeline(
    folder: Folder,
    svg: Annotated[Path | None, typer.Option(help="Also draw it into this SVG file.")] = None,
    csv: Annotated[Path | None, typer.Option(help="Also write it to this CSV file.")] = None,
    incidents_only: IncidentsOnly = False,
    key: Key = None,
) -> None:
    """Show who said what, what was heard and what was decided, with times."""
    if svg is not None and incidents_only:
        raise InputError("draws the whole session", where="--svg", mend="leave out --incidents-only")
    session, status = read_record(folder, key)
    show_timeline(session, Console(), incidents_only=incidents_only)
    _write(svg, drawing.picture(session) if svg else "")
    _write(csv, spreadsheet.to_csv(session, incidents_only=incidents_only) if csv else "")
    end(status)


@app.command(name="report")
def report_command(
    folder: Folder,
    html: Annotated[Path | None, typer.Option(help="Write it as a page for any browser.")] = None,
    incidents_only: IncidentsOnly = False,
    sound: Annotated[
        SoundPlace, typer.Option(help="Sound in the page, in a folder beside it, or none.")
    ] = SoundPlace.AUTO,
    key: Key = None,
) -> None:
    """Print or write the debrief: incidents and what is owed, three things to coach, times, and words with sound."""
    session, status = read_record(folder, key)
    if html is None:
        print_text(printable(report.text(session, incidents_only=incidents_only)).rstrip("\n"))
        end(status)
        return
    page = report.page(session, incidents_only=incidents_only, sound=sound, name=html.stem)
    if page.files:
        _write_folder(html.parent / page.folder, page.files)
    _write(html, page.html)
    end(status)


@app.command()
def pack(folder: Folder, target: Annotated[Path, typer.Argument(help="The zip file to create.")]) -> None:
    """Pack a record, without its sound, into one file with its digests."""
    status = _look(folder)
    archive.pack(folder, target)
    typer.echo(str(target))
    end(status)


@app.command(name="salvage")
def salvage_command(
    folder: Folder, new: Annotated[Path, typer.Argument(help="The new folder to create.")], key: Key = None
) -> None:
    """Copy what can be read of a damaged record, and name what cannot. Exit status 1 if anything is missing."""
    made = salvage(folder, new, read_key(key))
    for sentence in made.missing:
        typer.echo(printable(f"missing: {sentence}"))
    typer.echo(f"{made.kept} lines were copied to {made.folder}")
    end(DAMAGED if made.missing else 0)


@app.command(name="new-key")
def new_key_command(file: Annotated[Path, typer.Argument(help="The key file to create.")]) -> None:
    """Create a key that encrypts records; without it nobody can read them again."""
    new_key(file)
    typer.echo(f"{file}: keep a copy elsewhere; whoever has it can read the records, and without it nobody can")


@app.command()
def verify(
    folders: Annotated[list[Path], typer.Argument(help="Folders or archives of sessions.")],
    code: Annotated[str, typer.Option(help="The twelve digits written down at the end of the session.")] = "",
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, one object per line.")] = False,
) -> None:
    """Check whether records are as they were written.

    Exit status: 0 whole, 1 damaged, 2 no record, 3 unfinished (good as far as it goes, no end mark). The worst counts.
    """
    if code and len(folders) > 1:
        raise InputError("a code belongs to one record", where="--code", expected="one folder")
    statuses = []
    for folder in folders:
        if folder.is_file():
            if code:
                raise InputError("is an archive; a code is checked against a folder", where=str(folder))
            statuses.append(_archive(folder, as_json=as_json))
            continue
        try:
            found = verifying.verify(folder)
        except RecordError as error:
            say_error(error.line())
            statuses.append(UNUSABLE)
            continue
        differs = verifying.code_differs(found, code) if code else ""
        if as_json:
            typer.echo(json.dumps(verifying.to_json(found, code)))
        else:
            _say(folder, found, differs)
        statuses.append(verifying.STATUS["damaged"] if differs else found.status)
    raise typer.Exit(next((status for status in (1, 2, 3) if status in statuses), 0))


def _archive(file: Path, *, as_json: bool) -> int:
    """Print the state of an archive; its exit status."""
    try:
        found = archive.verify(file)
    except InputError as error:
        say_error(error.line())
        return UNUSABLE
    state: verifying.RecordState = "damaged" if found.wrong else "whole" if found.ended else "unfinished"
    if as_json:
        row = {"archive": str(file), "state": state, "lines": found.lines, "wrong": list(found.wrong)}
        typer.echo(json.dumps(row))
    else:
        first = {
            "whole": f"Whole: {found.lines} lines, with the end mark. An archive holds no sound.",
            "unfinished": f"Unfinished: {found.lines} good lines, but no end mark.",
            "damaged": "Damaged: " + " ".join(found.wrong),
        }
        typer.echo(printable(f"{file}: {first[state]}"))
    return verifying.STATUS[state]


def _say(folder: Path, found: verifying.Verification, differs: str) -> None:
    first, *more = found.sentences()
    typer.echo(printable(f"{folder}: {first}"))
    for sentence in more:
        typer.echo(printable(f"  {sentence}"))
    if differs:
        typer.echo(printable(f"  {differs}"))
    elif (code := found.code()) is not None:
        typer.echo(f"  Record code: {code}")


def read_record(folder: Path, key: Path | None) -> tuple[Session, int]:
    """The record, and the exit status for its state."""
    status = _look(folder)
    try:
        return read(folder, read_key(key)), status
    except RecordError as error:
        say_error(error.line())
        raise typer.Exit(status if status == DAMAGED else UNUSABLE) from None


def _look(folder: Path) -> int:
    """The exit status for a record's state; what is wrong with it goes to the error stream."""
    found = verifying.verify(folder)
    if found.state != "whole":
        for sentence in found.sentences():
            typer.echo(printable(f"note: {sentence}"), err=True)
    return found.status


def end(status: int) -> None:
    """Exit with a status other than 0."""
    if status:
        raise typer.Exit(status)


def _write(path: Path | None, text: str) -> None:
    if path is None:
        return
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise RecordError(f"cannot be written: {error.strerror}", where=str(path)) from None
    typer.echo(str(path))


def _write_folder(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write sounds into a folder beside a page, over those of an earlier page of the same name."""
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        for name, data in files.items():
            disk.write_whole(folder / name, data)
    except OSError as error:
        raise RecordError(f"cannot be written: {error.strerror}", where=str(folder)) from None
    typer.echo(f"{folder} ({len(files)} sounds)")
