"""The command that tests a grammar's words. Arguments in, exit codes out."""

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
    grammar: Annotated[str, typer.Argument(help="A grammar, by name or file.")] = "en",
    protocol: Annotated[str, typer.Option(help="Also check every sentence of this protocol.")] = "",
    engine: EngineOption = registry.AUTO,
    voices: Annotated[int, typer.Option(min=1, max=len(VOICES), help="How many voices to use.")] = len(VOICES),
    as_json: Json = False,
) -> None:
    """Show which words of a grammar are mistaken for which, in several voices, with and without a mask; and better
    ones.
    """
    words, _ = library.load_grammar(grammar)
    chosen = registry.choose(engine, None, words.language)
    if chosen.name == registry.TYPED:
        raise InputError("does not listen to sound", where="--engine typed", expected="a recogniser that does")
    console = Console(stderr=True)
    scorer = registry.scorer(chosen.name, registry.model_of(chosen.name))
    bench = Bench(scorer, words, voices_of(words.language)[:voices])
    with progress(console, f"testing {words.name} with {chosen.name}") as on_progress:
        found, better = bench.run(on_progress)
    if as_json:
        result = {"engine": chosen.name, **confusion.to_json(found, better)}
        typer.echo(json.dumps(result, ensure_ascii=False, indent=1))
    else:
        tries = sum(found.of.values())
        typer.echo(f"{words.name}, {chosen.name}: {len(found.of)} phrases, {tries} utterances, "
                   f"{sum(found.right.values())} understood, with every command listened for")  # fmt: skip
        for line in confusion.lines(found, better):
            typer.echo(line)
    if protocol:
        count = check_aloud(protocol, grammar, "", console, chosen.name)
        if not as_json:
            typer.echo(f"{protocol}: {count} sentences heard; none is taken for a command listened for then")
