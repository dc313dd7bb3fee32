"""`voicecoach help`: one page per topic, for what is too long for the README."""

from __future__ import annotations

from collections.abc import Iterator
from importlib import resources
from typing import Annotated

import typer
from rich.console import Console
from rich.markdown import Markdown

from voicecoach.errors import InputError
from voicecoach.grammar import Grammar
from voicecoach.protocol.model import DANGERS
from voicecoach.record import fields
from voicecoach.runtime import library
from voicecoach.session.vocabulary import FAULTS, PLACES, REASONS

WORDS = "words"
"""The topic generated from the grammar."""
WIDEST = 100
"""Columns of a page on a terminal, so that its lines can be read."""
SITUATIONS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("At any moment", (*DANGERS, "stop", "false-alarm")),
    ("Any step", ("repeat", "back", "pause", "resume", "help", "where-am-i", "time")),
    ("An act is done", ("done", "understood")),
    ("A look", ("clear", "torn", "soiled")),
    ("A rub or a wipe", ("rubbing", "wiping", "dry")),
    ('After "stop"', ("go-on", "touched", *PLACES)),
    ('After "back"', ("not-finished", "went-wrong", "go-on")),
    ("The observer", ("confirm", "not-clear", *FAULTS)),
    ("A question", ("yes", "no", "right", "wrong")),
    ("The session", ("start-removal", "end-session", "no-audio", *REASONS)),
)
"""Situations in the order of a session, and the commands that can be said there."""


def topics() -> list[str]:
    """The topics by name."""
    folder = resources.files("voicecoach.cli").joinpath("help")
    return sorted([WORDS, *(item.name.removesuffix(".md") for item in folder.iterdir() if item.name.endswith(".md"))])


def page(topic: str, grammar: Grammar) -> str:
    """The text of a topic, in Markdown.

    Raises:
        InputError: there is no such topic.
    """
    if topic not in topics():
        raise InputError(f"there is no topic {topic!r}", where="help", expected="one of " + ", ".join(topics()))
    if topic == WORDS:
        return "# The words that can be said\n\n" + "\n".join(word_table(grammar)) + "\n"
    text = resources.files("voicecoach.cli").joinpath("help", f"{topic}.md").read_text(encoding="utf-8")
    return text.replace(fields.MARK, "\n".join(fields.tables()))


def title(topic: str, grammar: Grammar) -> str:
    """The heading of a topic's page."""
    return page(topic, grammar).splitlines()[0].removeprefix("# ")


def word_table(grammar: Grammar) -> Iterator[str]:
    """A Markdown table: where, and each command's phrases, those of one command joined by 'or'."""
    yield "| when | what can be said |"
    yield "|---|---|"
    for situation, names in SITUATIONS:
        commands = [command for name in names if (command := grammar.command(name)) is not None]
        said = "; ".join(" or ".join(command.phrases[:2]) for command in commands)
        yield f"| {situation} | {said} |"
    on = [
        command.phrases[0] for command in grammar.commands if command.name.endswith("-on") and command.name != "go-on"
    ]
    off = [command.phrases[0] for command in grammar.commands if command.name.endswith("-off")]
    if on and off:
        yield f"| A piece is on, or off | {'; '.join(on[:3])} ...; {'; '.join(off[:3])} ... |"


app = typer.Typer()


@app.command("help")
def show(
    topic: Annotated[str, typer.Argument(help="A topic; without one, the topics are listed.")] = "",
    grammar: Annotated[str, typer.Option(help="A grammar, by name or file.")] = "en",
) -> None:
    """Print a page on one topic: the words, the microphone, the first training hour, the rules and others."""
    loaded = library.load_grammar(grammar)[0]
    if not topic:
        typer.echo("\n".join(f"voicecoach help {name:<14} {title(name, loaded)}" for name in topics()))
        return
    text, console = page(topic, loaded), Console()
    if console.is_terminal:
        console.print(Markdown(text, hyperlinks=False), width=min(console.width, WIDEST))
    else:
        typer.echo(text)
