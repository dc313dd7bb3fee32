"""The command about a grammar's words. Arguments in, exit codes out."""

from __future__ import annotations

import json
from typing import Annotated

import typer
from rich.console import Console

from voicecoach.cli.common import Json
from voicecoach.cli.ears import EngineOption
from voicecoach.errors import InputError
from voicecoach.listen import confusion, registry
from voicecoach.runtime import library
from voicecoach.runtime.author_check import check_aloud
from voicecoach.simulate.confusions import VOICES, Bench, voices_of
from voicecoach.system.progress import progress

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False)


@app.command(name="grammar")
def grammar_command(
    grammar: Annotated[str, typer.Argument(help="A grammar by name or file.")] = "en",
    protocol: Annotated[str, typer.Option(help="Also hear every sentence of this protocol.")] = "",
    engine: EngineOption = registry.AUTO,
    voices: Annotated[int, typer.Option(min=1, max=len(VOICES), help="How many voices speak.")] = len(VOICES),
    as_json: Json = False,
) -> None:
    """Show what a grammar's words can be taken for, in several voices, plain and behind masks; and better words."""
    words, _ = library.load_grammar(grammar)
    chosen = registry.choose(engine, None, words.language)
    if chosen.name == registry.TYPED:
        raise InputError("hears no sound", where="--engine typed", expected="an engine that listens to sound")
    console = Console(stderr=True)
    scorer = registry.scorer(chosen.name, registry.model_of(chosen.name))
    bench = Bench(scorer, words, voices_of(words.language)[:voices])
    with progress(console, f"hearing {words.name} with {chosen.name}") as on_progress:
        found, better = bench.found(on_progress)
    if as_json:
        told = {"engine": chosen.name, **confusion.to_json(found, better)}
        typer.echo(json.dumps(told, ensure_ascii=False, indent=1))
    else:
        tries = sum(found.of.values())
        typer.echo(f"{words.name}, {chosen.name}: {len(found.of)} phrases, {tries} utterances, "
                   f"{sum(found.right.values())} taken as meant, every command live")  # fmt: skip
        for line in confusion.lines(found, better):
            typer.echo(line)
    if protocol:
        count = check_aloud(protocol, grammar, "", console, chosen.name)
        if not as_json:
            typer.echo(f"{protocol}: {count} sentences, none of them taken for a command live at the time")
