"""The command that plays a session with a simulated wearer. Arguments in, exit codes out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from voicecoach.cli.common import CAUTION, ModelOption
from voicecoach.cli.ears import EngineOption
from voicecoach.listen import registry
from voicecoach.simulate import demo

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False)


@app.command(name="demo")
def demo_command(
    seed: Annotated[int, typer.Option(help="Another seed gives another wearer.")] = 3,
    out: Annotated[Path | None, typer.Option(help="Folder for the record.")] = None,
    engine: EngineOption = registry.AUTO,
    model: ModelOption = None,
    aloud: Annotated[bool, typer.Option("--aloud", help="Play the conversation on the sound card afterwards.")] = False,
) -> None:
    """Play a short whole session: a simulated wearer speaks, and the real recogniser listens."""
    console = Console()
    console.print(f"[dim]{CAUTION}[/]")
    good = demo.run(seed=seed, out=out, engine=engine, model=model, console=console, aloud=aloud)
    raise typer.Exit(0 if good else 1)
