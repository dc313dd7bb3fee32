"""The closed set of commands as data, and the rule that takes or refuses an utterance. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Risk = Literal["danger", "stop", "routine", "matters", "way", "session"]


@dataclass(frozen=True, slots=True)
class Command:
    """One thing that can be meant. name: id ('gown-off'); phrases: the words that mean it; risk: which floor it needs."""

    name: str
    phrases: tuple[str, ...]
    risk: Risk


@dataclass(frozen=True, slots=True)
class Grammar:
    """A language: its commands, its decoys (words known only in order to be refused), floors by risk, and the coach's
    own sentences by key.
    """

    name: str
    language: str
    version: str
    commands: tuple[Command, ...]
    decoys: tuple[str, ...]
    floors: tuple[tuple[str, float], ...]
    says: tuple[tuple[str, str], ...]
    file: str = ""

    def command(self, name: str) -> Command | None:
        """The command with that id, or None."""
        return next((command for command in self.commands if command.name == name), None)

    def say(self, key: str) -> str:
        """The coach's own sentence for `key`."""
        return dict(self.says)[key]


@dataclass(frozen=True, slots=True)
class Scored:
    """A command, the phrase of it that fits best, and its score (log-odds a phone against the best free path)."""

    command: str
    phrase: str
    score: float


@dataclass(frozen=True, slots=True)
class Decision:
    """What an utterance was taken for. command None: refused; near: a danger command that lay just under its floor."""

    command: str | None
    phrase: str
    score: float
    floor: float
    near: str | None = None
    runner_up: str | None = None
