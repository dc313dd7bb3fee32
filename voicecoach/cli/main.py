"""Arguments in, exit codes out; nothing else."""

from __future__ import annotations

import contextlib
import json
import signal
import sys
from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from voicecoach import __version__
from voicecoach.audio import drivers, live
from voicecoach.cli import export, record, replay, review, topics, words
from voicecoach.cli import protocol as cli_protocol
from voicecoach.cli.guard import UNUSABLE, Guarded, say_error
from voicecoach.errors import AudioError, InputError
from voicecoach.listen import registry
from voicecoach.listen import vosk_model as models
from voicecoach.listen.process import RecogniserProcess
from voicecoach.record import codes, ended, lock, worn
from voicecoach.record.box import read_key
from voicecoach.runtime import app, hear, library, options, screen, supervisor
from voicecoach.runtime.one_voice import InUseError
from voicecoach.runtime.screen import Outlet
from voicecoach.session import naturals, sayings
from voicecoach.simulate import demo
from voicecoach.system import signals

CAUTION = (
    "An aid, not a medical device. A trained observer, your local protocol and licensed practice come first. "
    "Training only."
)

main = typer.Typer(
    cls=Guarded,
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help=f"Reads the steps of dressing and undressing aloud and listens for spoken answers. {CAUTION}",
)
model_app = typer.Typer(no_args_is_help=True, help="The larger recogniser's model: fetch it, find it, verify it.")
main.add_typer(model_app, name="model")
for group in (cli_protocol.app, record.app, replay.app, review.app, export.app, topics.app, words.app):
    main.registered_commands += group.registered_commands

Json = Annotated[bool, typer.Option("--json", help="Print JSON.")]
ModelOption = Annotated[str | None, typer.Option(help="Folder of a Vosk model.")]
EngineOption = Annotated[str, typer.Option(help=f"Which ear: {', '.join(registry.NAMES)}.")]
GrammarOption = Annotated[str, typer.Option(help="A grammar by name or file.")]


class Audio(StrEnum):
    """What is kept of the sound."""

    CLIPS = "clips"
    FULL = "full"
    NONE = "none"


@main.callback(invoke_without_command=True)
def start(version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False) -> None:
    """Common options."""
    if version:
        typer.echo(f"voicecoach {__version__}")
        raise typer.Exit


@main.command()
def run(
    protocol: Annotated[str, typer.Argument(help="A protocol by name or file.")],
    pair: Annotated[bool, typer.Option("--pair", help="A second person confirms.")] = False,
    recording: Annotated[Path | None, typer.Option("--input", help="Play a WAV file instead of a microphone.")] = None,
    typed: Annotated[bool, typer.Option("--typed", help="Words from SCRIPT, or from the keyboard.")] = False,
    script: Annotated[str, typer.Argument(help="With --typed: a script of words, times and roles.")] = "",
    engine: EngineOption = registry.AUTO,
    grammar: GrammarOption = "en",
    site: Annotated[str, typer.Option(help="A site file.")] = "",
    model: ModelOption = None,
    out: Annotated[Path | None, typer.Option(help="Where records are kept.")] = None,
    audio: Annotated[Audio, typer.Option(help="What is kept of the sound.")] = Audio.CLIPS,
    device: Annotated[str | None, typer.Option(help="Microphone: number or part of its name.")] = None,
    speaker: Annotated[str | None, typer.Option(help="Speaker: number or part of its name.")] = None,
    channels: Annotated[int, typer.Option(min=1, max=2, help="2: wearer left, observer right.")] = 1,
    code: Annotated[list[str] | None, typer.Option(help="Who, as ROLE=CODE: wearer=W07. Never a name.")] = None,
    room: Annotated[str, typer.Option(help="The room, as the site numbers its rooms.")] = "",
    key: Annotated[Path | None, typer.Option(help="Encrypt the record with this key file (new-key makes one).")] = None,
) -> None:
    """Run a session: by voice, over a recording, or typed."""
    if script and not typed:
        raise InputError("a script needs --typed", where=script)
    if typed and recording is not None:
        raise InputError("--typed and --input exclude each other")
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
    runner = app.Runner(wanted, console, sys.stdin if needs_keys else None)
    if runner.live and supervisor.wanted():
        raise typer.Exit(_keep(runner, console))
    if not supervisor.again():
        console.print(f"[dim]{CAUTION}[/]")
    try:
        with _signals(runner):
            status = runner.run(only_go_on=supervisor.again())
    except InUseError as error:
        say_error(error.line())
        raise typer.Exit(supervisor.IN_USE if supervisor.parent() else UNUSABLE) from None
    raise typer.Exit(status)


def _keep(runner: app.Runner, console: Console) -> int:
    def asked(seconds: float) -> bool:
        if not supervisor.typed_word(seconds):
            return False
        runner.end_by_hand()
        return True

    return supervisor.keep(supervisor.command(), console, asked=asked, watched=supervisor.watched())


@contextlib.contextmanager
def _signals(runner: app.Runner) -> Iterator[None]:
    """Once the first item is on, a signal ends nothing: it is said, recorded, and the guidance goes on (rule 19)."""

    def handle(number: int, _frame: object) -> None:
        coach = runner.coach
        if coach is not None and runner.live and coach.state.worn_since is not None:
            coach.signalled(signal.Signals(number).name)
            return
        raise KeyboardInterrupt

    before = {number: signal.signal(number, handle) for number in signals.numbers(signals.ENDING)}
    for number in signals.numbers(("SIGTTOU",)):  # what is written from behind another process is seen all the same
        before[number] = signal.signal(number, signal.SIG_IGN)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@main.command(name="end")
def end_command(
    folder: Annotated[Path, typer.Argument(help="The folder of an open session.")],
    nothing_worn: Annotated[bool, typer.Option("--nothing-worn", help="Nothing of it is worn any more.")] = False,
) -> None:
    """End an open session by hand, when it cannot be gone on with and nothing is worn any more."""
    who, last = lock.holder(folder), worn.last_known_worn(folder)
    if who is not None:
        raise InputError(f"is in use by {who}", where=str(folder), mend="end it by voice or at its keyboard")
    if last is None and not folder.is_dir():
        raise InputError("is not there", where=str(folder), expected="the folder of a session")
    on = ", ".join(last.on) if last is not None else ""
    if not nothing_worn:
        told = f"by its last good lines there is still worn: {on or 'nothing that is known'}"
        raise InputError(told, where=str(folder), mend="once nothing is worn: the same with --nothing-worn")
    ended.end(folder, f"ended by hand; by its last good lines there was worn: {on or 'nothing that is known'}")
    typer.echo(f"{folder}: ended by hand")


@main.command(name="demo")
def demo_command(
    seed: Annotated[int, typer.Option(help="Another seed, another wearer.")] = 3,
    out: Annotated[Path | None, typer.Option(help="Where the record is kept.")] = None,
    engine: EngineOption = registry.AUTO,
    model: ModelOption = None,
    aloud: Annotated[bool, typer.Option("--aloud", help="Play the conversation on the sound card afterwards.")] = False,
) -> None:
    """A short whole session with a simulated wearer, heard by the real recogniser."""
    console = Console()
    console.print(f"[dim]{CAUTION}[/]")
    good = demo.run(seed=seed, out=out, engine=engine, model=model, console=console, aloud=aloud)
    raise typer.Exit(0 if good else 1)


@main.command(name="hear")
def hear_command(
    files: Annotated[list[Path], typer.Argument(help="WAV files.")],
    engine: EngineOption = registry.AUTO,
    grammar: GrammarOption = "en",
    model: ModelOption = None,
    as_json: Json = False,
) -> None:
    """What the recogniser makes of recordings, all phrases live."""
    failed = False
    spoken, text = library.load_grammar(grammar)
    chosen = registry.choose(engine, model, spoken.language)
    spec = registry.spec(chosen.name, text, spoken.file, model=model, roles={0: "wearer"})
    ear = RecogniserProcess(spec, lockstep=True)
    try:
        ear.listen(tuple(command.name for command in spoken.commands))
        recordings = hear.Recordings(ear)
        for file in files:
            try:
                for utterance in recordings.hear(file):
                    typer.echo(_utterance(utterance, as_json))
            except InputError as error:
                failed = True
                say_error(error.line())
    finally:
        ear.close()
    raise typer.Exit(UNUSABLE if failed else 0)


def _utterance(utterance: hear.HeardUtterance, as_json: bool) -> str:
    data = utterance.to_json()
    if as_json:
        return json.dumps(data, ensure_ascii=False)
    taken = data["command"] or f"refused (nearest: {data['phrase'] or 'nothing'})"
    where = f"{data['file']}  {data['begin_s']:.2f}-{data['end_s']:.2f} s"
    return f"{where}  {taken}  score {data['score']:.2f}, floor {data['floor']:.2f}"


@main.command()
def protocols(
    name: Annotated[str, typer.Argument(help="With --say: a protocol by name or file.")] = "",
    say: Annotated[bool, typer.Option("--say", help="All its sentences in order, with roles and answers.")] = False,
    grammar: GrammarOption = "en",
    as_json: Json = False,
) -> None:
    """The protocols that come with the program; with --say, all that one of them says, for a unit to approve."""
    if say:
        if not name:
            raise InputError("--say needs the name of a protocol", where="protocols", expected="one of its names")
        typer.echo(sayings.text(options.load_setup(name, grammar)[0]))
        return
    rows = []
    for file in library.names("protocols"):
        protocol, _ = library.load_protocol(str(file))
        rows.append({"name": protocol.name, "title": protocol.title, "file": str(file)})
    _show(rows, as_json)


@main.command()
def answers(
    protocol: Annotated[str, typer.Argument(help="A protocol by name or file.")],
    alone: Annotated[bool, typer.Option("--alone", help="With nobody else there.")] = False,
    grammar: GrammarOption = "en",
) -> None:
    """What happens to what people naturally say, at each place where somebody is waited for."""
    typer.echo(naturals.text(options.load_setup(protocol, grammar)[0], "solo" if alone else "pair"))


@main.command(name="engines")
def engines_command(model: ModelOption = None, as_json: Json = False) -> None:
    """Which ears can run here, and what would make the others run."""
    states = registry.engines(model)
    rows = [{"name": s.name, "runs": s.can_run, "detail": s.detail, "mend": s.mend} for s in states]
    _show(rows, as_json)


@main.command()
def devices(as_json: Json = False) -> None:
    """Microphones and speakers."""
    rows = [
        {"number": d.index, "name": d.name, "inputs": d.inputs, "outputs": d.outputs, "default": d.default}
        for d in live.devices()
    ]
    if not rows:
        raise AudioError("there is no sound device", mend="plug in a headset, or run with --input or --typed")
    _show(rows, as_json)
    if not as_json:
        typer.echo(f"driver: {drivers.describe()}")


def _show(rows: list[dict[str, Any]], as_json: bool) -> None:
    if as_json:
        typer.echo(json.dumps(rows, ensure_ascii=False, indent=1))
        return
    table = Table(box=None, pad_edge=False)
    for key in rows[0] if rows else ():
        table.add_column(key, overflow="fold")
    for row in rows:
        table.add_row(*(escape("yes" if v is True else "no" if v is False else str(v)) for v in row.values()))
    Console().print(table)


@model_app.command()
def get() -> None:
    """Fetch the publisher's small US English model (41 MB), verified."""
    console = Console()
    with screen.progress(console, "fetching the model") as tell:
        path = models.get(tell)
    typer.echo(str(path))


@model_app.command()
def where() -> None:
    """Where the model is, or would be."""
    typer.echo(str(models.find() or models.where()))


@model_app.command()
def verify() -> None:
    """Compare the fetched model with its published digest."""
    faults = models.verify()
    for fault in faults:
        say_error(fault)
    if faults:
        raise typer.Exit(UNUSABLE)
    typer.echo("the model is as it was published")
