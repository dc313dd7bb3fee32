"""A recogniser in this process, for work that nobody waits for and that may fail along with it."""

from __future__ import annotations

from voicecoach.audio.line import Block
from voicecoach.listen import registry
from voicecoach.listen.worker import ChildRecogniser, Spec
from voicecoach.session.events import Event


class InProcessRecogniser:
    """Runs what `RecogniserProcess` runs, without the process.

    Args:
        spec: how to build it.

    Raises:
        VoicecoachError: the engine cannot be loaded, or cannot hear this grammar.
    """

    def __init__(self, spec: Spec) -> None:
        self.engine = spec.engine
        self._spec = spec
        self._found: list[Event] = []
        self._hears: ChildRecogniser = registry.build(spec)

    def listen(self, commands: tuple[str, ...]) -> None:
        """Accept only these command ids from now on."""
        self._hears.listen(commands)

    def feed(self, block: Block) -> None:
        """Process the block at once."""
        self._found += self._hears.feed(block.at, block.heard, block.played)

    def poll(self) -> list[Event]:
        """Events found since the last call."""
        found, self._found = self._found, []
        return found

    def restart(self) -> None:
        """Build it again."""
        self._hears = registry.build(self._spec)

    def close(self) -> None:
        """There is nothing to close."""
