"""The commands. A command's module is imported only when it is called, so that a session starts quickly."""

from __future__ import annotations

import importlib
from typing import Annotated, Any

import typer
from typer.main import get_group

from voicecoach import __version__
from voicecoach.cli.common import CAUTION
from voicecoach.cli.guard import GuardedGroup

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
"""Command -> its module in this package."""


class Commands(GuardedGroup):
    """The commands, imported when called."""

    def list_commands(self, ctx: Any) -> list[str]:  # noqa: ARG002 part of the interface
        """Their names, in the order of the help text."""
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """The command; an unknown name imports all of them, so that a similar one can be suggested."""
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
    help=f"Reads steps of donning and doffing aloud and listens for spoken answers. {CAUTION}",
)


@main.callback(invoke_without_command=True)
def start(version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False) -> None:
    """Common options."""
    if version:
        typer.echo(f"voicecoach {__version__}")
        raise typer.Exit
