"""Commands that list what the coach says, and what follows from what people say."""

from __future__ import annotations

from typing import Annotated

import typer

from voicecoach.cli.common import GrammarOption, Json, print_text, show
from voicecoach.errors import InputError
from voicecoach.runtime import library, options
from voicecoach.session import naturals, sayings

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False)


@app.command()
def protocols(
    name: Annotated[str, typer.Argument(help="With --say: a protocol, by name or file.")] = "",
    say: Annotated[
        bool, typer.Option("--say", help="Print all its sentences in order, with roles and answers.")
    ] = False,
    grammar: GrammarOption = "en",
    as_json: Json = False,
) -> None:
    """List the protocols that come with the program; with --say, every sentence of one, for a unit to approve."""
    if say:
        if not name:
            raise InputError("--say needs a protocol", where="protocols", expected="voicecoach protocols NAME --say")
        print_text(sayings.text(options.load_setup(name, grammar)[0]))
        return
    if name:
        wanted = f"voicecoach protocols {name} --say"
        raise InputError(f"{name!r} is given without --say", where="protocols", expected=wanted)
    rows = []
    for file in library.names("protocols"):
        protocol, _ = library.load_protocol(str(file))
        rows.append({"name": protocol.name, "title": protocol.title, "file": str(file)})
    show(rows if as_json else [{"name": row["name"], "title": row["title"]} for row in rows], as_json)
    if not as_json:
        typer.echo(f"\nFiles: {library.folder('protocols')}")


@app.command()
def answers(
    protocol: Annotated[str, typer.Argument(help="A protocol, by name or file.")],
    alone: Annotated[bool, typer.Option("--alone", help="For a wearer alone.")] = False,
    grammar: GrammarOption = "en",
) -> None:
    """Show what natural answers lead to, wherever the coach waits for one."""
    print_text(naturals.text(options.load_setup(protocol, grammar)[0], "solo" if alone else "pair"))
