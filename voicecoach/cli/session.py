"""Commands that run a session or end one. Arguments in, exit codes out."""

from __future__ import annotations

import contextlib
import signal
import sys
from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from voicecoach.cli.common import CAUTION, GrammarOption, ModelOption
from voicecoach.cli.ears import EngineOption
from voicecoach.cli.guard import UNUSABLE, say_error
from voicecoach.errors import InputError
from voicecoach.listen import registry
from voicecoach.record import codes, ended, lock, worn
from voicecoach.record.box import read_key
from voicecoach.runtime import app as app_parts
from voicecoach.runtime import options, supervisor
from voicecoach.runtime.one_voice import InUseError
from voicecoach.runtime.open_sessions import looks_like_one
from voicecoach.runtime.screen import Outlet
from voicecoach.system import signals

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False)


class Audio(StrEnum):
    """How much of the sound is kept."""

    CLIPS = "clips"
    FULL = "full"
    NONE = "none"


@app.command()
def run(
    protocol: Annotated[str, typer.Argument(help="A protocol, by name or file.")],
    pair: Annotated[bool, typer.Option("--pair", help="With a second person, who confirms.")] = False,
    recording: Annotated[Path | None, typer.Option("--input", help="Take a WAV file as the microphone.")] = None,
    typed: Annotated[bool, typer.Option("--typed", help="Take words from SCRIPT, or from the keyboard.")] = False,
    script: Annotated[str, typer.Argument(help="With --typed: a file of words, times and roles.")] = "",
    engine: EngineOption = registry.AUTO,
    grammar: GrammarOption = "en",
    site: Annotated[str, typer.Option(help="A site file.")] = "",
    model: ModelOption = None,
    out: Annotated[Path | None, typer.Option(help="The folder for records.")] = None,
    audio: Annotated[Audio, typer.Option(help="How much of the sound to keep.")] = Audio.CLIPS,
    device: Annotated[str | None, typer.Option(help="Microphone: its number or part of its name.")] = None,
    speaker: Annotated[str | None, typer.Option(help="Speaker: its number or part of its name.")] = None,
    channels: Annotated[int, typer.Option(min=1, max=2, help="2: wearer left, observer right.")] = 1,
    code: Annotated[list[str] | None, typer.Option(help="Who is in a role, by code: wearer=W07. Never a name.")] = None,
    room: Annotated[str, typer.Option(help="The room, by the site's own number.")] = "",
    key: Annotated[Path | None, typer.Option(help="Encrypt the record with this key file (see new-key).")] = None,
) -> None:
    """Run a session: by voice, from a recording, or typed."""
    if script and not typed:
        raise InputError(
            "is a script, which needs --typed", where=script, expected=f"voicecoach run {protocol} --typed {script}"
        )
    if typed and recording is not None:
        raise InputError("--typed and --input cannot be used together", where="run", expected="one of the two")
    is_typed = typed or engine == registry.TYPED
    wanted = options.Options(
        protocol=protocol,
        pair=pair,
        recording=recording,
        script=(script or "-") if is_typed else "",
        engine=engine,
        grammar=grammar,
        site=site,
        model=model,
        out=out,
        audio=audio.value,
        microphone=device,
        speaker=speaker,
        channels=channels,
        people=codes.people(code or ()),
        room=codes.room(room),
        key=read_key(key),
    )
    needs_keys = recording is None and not script
    console = Console(file=Outlet(sys.stdout)) if needs_keys else Console()  # type: ignore[arg-type]
    runner = app_parts.Runner(wanted, console, sys.stdin if needs_keys else None)
    if runner.live and supervisor.should_supervise():
        raise typer.Exit(_supervise(runner, console))
    if not supervisor.is_restart():
        console.print(f"[dim]{CAUTION}[/]")
    try:
        with _signals(runner):
            status = runner.run(only_continue=supervisor.is_restart())
    except InUseError as error:
        say_error(error.line())
        raise typer.Exit(supervisor.IN_USE if supervisor.supervisor_pid() else UNUSABLE) from None
    raise typer.Exit(status)


def _supervise(runner: app_parts.Runner, console: Console) -> int:
    def end_requested(seconds: float) -> bool:
        if not supervisor.typed_word(seconds):
            return False
        runner.end_by_hand()
        return True

    return supervisor.supervise(
        supervisor.command(), console, end_requested=end_requested, watched=supervisor.watched_pid()
    )


@contextlib.contextmanager
def _signals(runner: app_parts.Runner) -> Iterator[None]:
    """Once the first item is on, a signal does not end the session: it is announced and recorded (rule 19)."""

    def handle(number: int, _frame: object) -> None:
        coach = runner.coach
        if coach is not None and runner.live and coach.state.worn_since is not None:
            coach.signalled(signal.Signals(number).name)
            return
        raise KeyboardInterrupt

    before = {number: signal.signal(number, handle) for number in signals.numbers(signals.ENDING)}
    for number in signals.numbers(("SIGTTOU",)):  # output of a background process should be seen all the same
        before[number] = signal.signal(number, signal.SIG_IGN)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@app.command(name="end")
def end_command(
    folder: Annotated[Path, typer.Argument(help="The folder of the open session.")],
    nothing_worn: Annotated[
        bool, typer.Option("--nothing-worn", help="Confirm that nothing is worn any more.")
    ] = False,
) -> None:
    """End an open session by hand, when it cannot be continued and nothing is worn any more."""
    who, last = lock.holder(folder), worn.last_known_worn(folder)
    if who is not None:
        raise InputError(f"is in use by {who}", where=str(folder), mend="end it by voice or at its keyboard")
    if last is None and not folder.is_dir():
        raise InputError("does not exist", where=str(folder), expected="the folder of a session")
    if last is None and not looks_like_one(folder):
        raise InputError("is not a record of a session", where=str(folder), expected="the folder of a session")
    on = ", ".join(last.on) or "nothing" if last is not None else "not known"
    if not nothing_worn:
        still = f"by its last good lines, still worn: {on}"
        raise InputError(still, where=str(folder), mend="once nothing is worn, run this again with --nothing-worn")
    ended.end(folder, f"ended by hand; by its last good lines, still worn: {on}")
    typer.echo(f"{folder}: ended by hand")
