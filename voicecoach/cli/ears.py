"""Commands about recognisers and sound cards: hear, engines, devices, and the larger recogniser's model."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from voicecoach.audio import drivers, live
from voicecoach.cli.common import GrammarOption, Json, ModelOption, show
from voicecoach.cli.guard import UNUSABLE, say_error
from voicecoach.errors import AudioError, InputError, printable
from voicecoach.listen import registry
from voicecoach.listen import vosk_model as models
from voicecoach.listen.process import RecogniserProcess
from voicecoach.runtime import hear, library
from voicecoach.system.progress import progress

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False)
model_app = typer.Typer(no_args_is_help=True, help="The larger recogniser's model: fetch it, find it, verify it.")
app.add_typer(model_app, name="model")

EngineOption = Annotated[str, typer.Option(help=f"Recogniser: {', '.join(registry.NAMES)}.")]


@app.command(name="hear")
def hear_command(
    files: Annotated[list[Path], typer.Argument(help="WAV files.")],
    engine: EngineOption = registry.AUTO,
    grammar: GrammarOption = "en",
    model: ModelOption = None,
    as_json: Json = False,
) -> None:
    """Print what the recogniser makes of recordings, listening for every command."""
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
                found = False
                for utterance in recordings.hear(file):
                    found = True
                    typer.echo(_utterance(utterance, as_json))
                if not found and not as_json:
                    typer.echo(f"{printable(str(file))}: no speech was found in it")
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


@app.command(name="engines")
def engines_command(model: ModelOption = None, as_json: Json = False) -> None:
    """List the recognisers, whether each can run here, and what it needs if not."""
    states = registry.engines(model)
    rows = [{"name": s.name, "runs": s.can_run, "detail": s.detail, "mend": s.mend} for s in states]
    show(rows, as_json)


@app.command()
def devices(as_json: Json = False) -> None:
    """List microphones and speakers."""
    rows = [
        {"number": d.index, "name": d.name, "inputs": d.inputs, "outputs": d.outputs, "default": d.default}
        for d in live.devices()
    ]
    if not rows:
        raise AudioError("no sound device was found", mend="plug in a headset, or run with --input or --typed")
    show(rows, as_json)
    if not as_json:
        typer.echo(f"driver: {drivers.describe()}")


@model_app.command()
def get() -> None:
    """Fetch the publisher's small US English model (41 MB), verified."""
    console = Console()
    with progress(console, "fetching the model") as on_progress:
        path = models.get(on_progress)
    typer.echo(str(path))


@model_app.command()
def where() -> None:
    """Print where the model is, or where it would be put."""
    typer.echo(str(models.find() or models.where()))


@model_app.command()
def verify() -> None:
    """Compare the fetched model with its published digest."""
    faults = models.verify()
    for fault in faults:
        say_error(fault)
    if faults:
        raise typer.Exit(UNUSABLE)
    typer.echo("the model matches its published digest")
