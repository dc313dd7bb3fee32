"""The one port through which the coach listens. Every engine, audio or typed, is one of these."""

from __future__ import annotations

from typing import Protocol

from voicecoach.audio.line import Block
from voicecoach.session.events import Event


class Recogniser(Protocol):
    """Turns blocks of sound (or text) into events.

    `lockstep` ears answer for everything they were fed before `poll` returns, so that a session on the file clock is
    the same every time; live ears return what is there and never wait.
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
