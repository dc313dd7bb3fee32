"""The port through which the coach listens; every recogniser, by sound or typed, implements it."""

from __future__ import annotations

from typing import Protocol

from voicecoach.audio.line import Block
from voicecoach.session.events import Event


class Recogniser(Protocol):
    """Turns blocks of sound (or text) into events.

    In lockstep, `poll` waits until everything fed is decided, so that a session on a recording's clock is the same
    every time; a live recogniser returns what it has and never waits.
    """

    engine: str

    def listen(self, commands: tuple[str, ...]) -> None:
        """Accept only these command ids from now on."""

    def feed(self, block: Block) -> None:
        """Hand over the next block of the line."""

    def poll(self) -> list[Event]:
        """Events found since the last call, by time.

        Raises:
            EngineError: the engine died, hangs or sent an invalid answer; `restart` may help.
        """

    def restart(self) -> None:
        """Start a dead engine again (may take seconds; called in the background)."""

    def close(self) -> None:
        """Stop it; safe to call twice."""
