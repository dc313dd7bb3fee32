"""The port through which the coach listens: every engine, by sound or typed, is one of these."""

from __future__ import annotations

from typing import Protocol

from voicecoach.audio.line import Block
from voicecoach.session.events import Event


class Recogniser(Protocol):
    """Turns blocks of sound (or text) into events.

    In lockstep, `poll` answers for everything that was fed, so that a session on a file's clock is the same every time;
    a live recogniser returns what it has and never waits.
    """

    engine: str

    def listen(self, commands: tuple[str, ...]) -> None:
        """From now on only these command ids can be meant."""

    def feed(self, block: Block) -> None:
        """Hand over the next block of the line."""

    def poll(self) -> list[Event]:
        """Events found since the last call, by time.

        Raises:
            EngineError: the engine died, hangs or answered nonsense; `restart` may mend it.
        """

    def restart(self) -> None:
        """Start a dead engine again (may take seconds; called in the background)."""

    def close(self) -> None:
        """End it; safe to call twice."""
