"""The command that replays a record: its events, its sound, or its sound through another recogniser."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from voicecoach.audio import player
from voicecoach.audio.wav import write_wav
from voicecoach.cli.common import counted
from voicecoach.cli.record import DIFFERS, Key, end, machine_of, read_record
from voicecoach.debrief.replay import compare
from voicecoach.debrief.review.gather import find
from voicecoach.debrief.story import clock
from voicecoach.errors import AudioError, InputError, printable
from voicecoach.record.box import read_key
from voicecoach.record.read import Session
from voicecoach.runtime import aloud as aloud_sound
from voicecoach.runtime import big, library, rehear
from voicecoach.runtime.machine_digest import machine_digest
from voicecoach.speak.voice import Voice
from voicecoach.system.progress import progress

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False)


@app.command(name="replay")
def replay_command(
    folders: Annotated[list[Path], typer.Argument(help="A session's folder; with --hear, also folders of sessions.")],
    aloud: Annotated[bool, typer.Option("--aloud", help="Play its sound, with the prompts.")] = False,
    begin: Annotated[str, typer.Option("--from", help="With --aloud: start at this time, as m:ss.")] = "0",
    wav: Annotated[Path | None, typer.Option(help="With --aloud: write the sound here instead of playing it.")] = None,
    hear: Annotated[str, typer.Option(help="Run the kept sound through this recogniser.")] = "",
    grammar: Annotated[str, typer.Option(help="With --hear: another grammar, by name or file.")] = "",
    floor: Annotated[float, typer.Option(help="With --hear: raise every floor by this; below 0 accepts more.")] = 0.0,
    model: Annotated[str | None, typer.Option(help="With --hear: folder of a Vosk model.")] = None,
    cluster: Annotated[str, typer.Option(help="With --hear: the address of a Dask scheduler.")] = "",
    key: Key = None,
) -> None:
    """Run the recorded events again and compare every effect; or play the sound; or try another recogniser on it."""
    if hear:
        words, text = library.load_grammar(grammar) if grammar else (None, "")
        chosen = rehear.RecogniserChoice(hear, text, words.file if words else "", model, floor)
        _hear(folders, chosen, key, cluster)
        return
    if grammar or floor or model is not None or cluster:
        raise InputError(
            "--grammar, --floor, --model and --cluster need --hear", where="replay", expected="--hear ENGINE"
        )
    if len(folders) > 1:
        raise InputError("only --hear takes several folders", where=str(folders[1]), expected="one session's folder")
    if (wav is not None or begin != "0") and not aloud:
        raise InputError("--from and --wav need --aloud", where="replay", expected="--aloud")
    session, status = read_record(folders[0], key)
    if aloud:
        _play(session, aloud_sound.moment_s(begin), wav)
    else:
        _compare(session)
    end(status)


def _compare(session: Session) -> None:
    result = compare(session, machine_of)
    typer.echo(f"{result.events} events, {result.effects} effects: " + ("the same" if result.same else "different"))
    if not result.same:
        typer.echo(printable(str(result.difference)))
        if session.manifest.versions.get("machine") != machine_digest():
            typer.echo("This record was made by another version of the program, which may have chosen other words.")
        raise typer.Exit(DIFFERS)


def _play(session: Session, from_s: float, wav: Path | None) -> None:
    console = Console(stderr=True)
    with progress(console, "rendering prompts") as on_progress:
        sound = aloud_sound.conversation(session, Voice(), from_s, on_progress=on_progress)
    if sound.unread:
        typer.echo(f"note: {sound.unread} kept sounds cannot be read", err=True)
    if wav is None:
        try:
            with progress(console, "playing") as on_progress:
                player.play(sound.samples, on_progress=lambda done_s, all_s: on_progress(round(done_s), round(all_s)))
            return
        except AudioError as error:
            typer.echo(f"note: {error.line()}; writing a file instead", err=True)
            wav = session.folder.with_name(f"{session.folder.name}.replay.wav")
    try:
        write_wav(wav, sound.samples)
    except OSError as error:
        raise InputError(f"cannot be written: {error.strerror}", where=str(wav)) from None
    typer.echo(str(wav))
    for sound_s, session_s in sound.marks:
        typer.echo(f"  {clock(sound_s)} in the file is {clock(session_s)} in the session")


def _hear(folders: list[Path], chosen: rehear.RecogniserChoice, key: Path | None, cluster: str) -> None:
    found = find(folders)
    for one in found:
        if one.reason:
            typer.echo(f"note: {printable(one.path)}: {one.reason}", err=True)
    sessions = [Path(one.path) for one in found if not one.reason]
    said = differ = failed = 0
    secret = read_key(key)
    results = (
        big.rehear_on_dask(sessions, chosen, cluster, secret)
        if cluster
        else rehear.rehear_all(sessions, chosen, secret)
    )
    for result in results:
        if result.trouble:
            failed += 1
            typer.echo(f"note: {printable(result.folder)}: {result.trouble}", err=True)
            continue
        said += result.said
        differ += len(result.differences)
        for difference in result.differences:
            typer.echo(f"{printable(result.folder)}  {clock(difference.at_s)}  {printable(difference.describe())}")
    heard = len(sessions) - failed
    typer.echo(f"{counted(heard, 'session')}, {counted(said, 'utterance')}, {differ} heard differently")
    if failed == len(sessions):
        raise InputError(
            "there was nothing to listen to again", where=str(folders[0]), expected="sessions with kept sound"
        )
