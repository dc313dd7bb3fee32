"""The commands there are. Each one's file is loaded when it is asked for: a session is to speak soon."""

from __future__ import annotations

import importlib
from typing import Annotated, Any

import typer
from typer.main import get_group

from voicecoach import __version__
from voicecoach.cli.common import CAUTION
from voicecoach.cli.guard import Guarded

COMMANDS = {
    "run": "session", "end": "session", "demo": "demo",
    "hear": "ears", "engines": "ears", "devices": "ears", "model": "ears",
    "protocols": "sentences", "answers": "sentences",
    "grammar": "words",
    "check": "protocol", "new": "protocol", "diff": "protocol", "card": "protocol", "schema": "protocol",
    "rules": "protocol",
    "timeline": "record", "report": "record", "verify": "record", "pack": "record", "salvage": "record",
    "new-key": "record",
    "replay": "replay", "review": "review", "export": "export", "deidentify": "export", "help": "topics",
}  # fmt: skip
"""Command -> the file of this folder that has it."""


class Commands(Guarded):
    """The commands, none of which is loaded before it is asked for."""

    def list_commands(self, ctx: Any) -> list[str]:  # noqa: ARG002 a group's methods take it
        """Their names."""
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """One of them; for a name that there is not, all are loaded, so that one like it can be proposed."""
        for name in (cmd_name,) if cmd_name in COMMANDS else COMMANDS:
            if name not in self.commands:
                group = get_group(importlib.import_module(f"voicecoach.cli.{COMMANDS[name]}").app)
                self.commands[name] = group.commands[name]
        return super().get_command(ctx, cmd_name)


main = typer.Typer(
    cls=Commands,
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help=f"Reads the steps of dressing and undressing aloud and listens for spoken answers. {CAUTION}",
)


@main.callback(invoke_without_command=True)
def start(version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False) -> None:
    """Common options."""
    if version:
        typer.echo(f"voicecoach {__version__}")
        raise typer.Exit
