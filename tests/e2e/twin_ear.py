"""The text twin of a recogniser in a simulated room."""

from __future__ import annotations

from voicecoach.audio.line import Block
from voicecoach.session.events import Event, Heard, SpeechStarted
from voicecoach.simulate.room import RoomLine


class TwinEar:
    """Hears by text what is said in a room: the words' meaning, if it is live, when they end."""

    engine = "typed"

    def __init__(self, line: RoomLine) -> None:
        self._line = line
        self._live: tuple[str, ...] = ()
        self._begun = self._told = 0
        self._now = 0

    def listen(self, commands: tuple[str, ...]) -> None:
        self._live = commands

    def feed(self, block: Block) -> None:
        self._now = block.end

    def poll(self) -> list[Event]:
        found: list[Event] = []
        for one in self._line.said[self._begun :]:
            self._begun += 1
            found.append(SpeechStarted(self._now, channel=one.channel))
        for one in self._line.said[self._told :]:
            if one.end > self._now:
                break
            self._told += 1
            command = one.meant if one.meant in self._live else None
            found.append(Heard(self._now, command, one.text, one.begin, one.end, source="typed", engine="typed"))
        return found

    def restart(self) -> None:
        pass

    def close(self) -> None:
        pass
