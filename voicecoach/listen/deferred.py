"""Stands in for a recogniser that could not be started yet, and starts it as soon as it can be."""

from __future__ import annotations

from collections.abc import Callable

from voicecoach.audio.line import Block
from voicecoach.errors import EngineError
from voicecoach.listen.recogniser import Recogniser
from voicecoach.session.events import Event


class DeferredRecogniser:
    """A recogniser that reports a failure until the real one has started.

    Args:
        engine: its name. start: starts it; may take seconds. why: why it could not be started, in one line.
    """

    def __init__(self, engine: str, start: Callable[[], Recogniser], why: str) -> None:
        self.engine = engine
        self._start = start
        self._why = why
        self._ear: Recogniser | None = None
        self._live: tuple[str, ...] = ()

    def listen(self, commands: tuple[str, ...]) -> None:
        """Accept only these command ids from now on."""
        self._live = commands
        if self._ear is not None:
            self._ear.listen(commands)

    def feed(self, block: Block) -> None:
        """Hand over the next block of the line."""
        if self._ear is not None:
            self._ear.feed(block)

    def poll(self) -> list[Event]:
        """Events found since the last call, by time.

        Raises:
            EngineError: there is no recogniser, or it has failed; `restart` may help.
        """
        if self._ear is None:
            raise EngineError(self._why)
        return self._ear.poll()

    def restart(self) -> None:
        """Try again.

        Raises:
            EngineError: it still cannot be started.
        """
        if self._ear is None:
            ear = self._start()
            ear.listen(self._live)
            self._ear = ear
        else:
            self._ear.restart()

    def close(self) -> None:
        """Stop it; safe to call twice."""
        if self._ear is not None:
            self._ear.close()
