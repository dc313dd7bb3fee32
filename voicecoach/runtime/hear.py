"""Runs recordings through a recogniser, with every command of the grammar live."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from voicecoach.audio.line import RATE_HZ, Block
from voicecoach.audio.wav import Recording, WavLine
from voicecoach.listen.recogniser import Recogniser
from voicecoach.session.events import Heard

TAIL_S = 1.0
POLL_S = 5.0
CHANNELS = (1, 2)
"""Accepted numbers of channels; two are mixed into one, since it does not matter here who spoke."""


@dataclass(frozen=True, slots=True)
class HeardUtterance:
    """One utterance of a recording; begin and end in seconds from the recording's start."""

    file: str
    heard: Heard
    start: int

    def to_json(self) -> dict[str, Any]:
        """The values for a line of `hear --json`."""
        heard = self.heard
        return {
            "file": self.file,
            "begin_s": round((heard.begin - self.start) / RATE_HZ, 3),
            "end_s": round((heard.end - self.start) / RATE_HZ, 3),
            "command": heard.command,
            "phrase": heard.phrase,
            "score": round(heard.score, 3),
            "floor": round(heard.floor, 3),
        }


class Recordings:
    """Plays recordings to one recogniser, one after another.

    Args:
        ear: a recogniser in lockstep, with its live commands set.
    """

    def __init__(self, ear: Recogniser) -> None:
        self._ear = ear
        self._at = 0

    def hear(self, path: Path) -> Iterator[HeardUtterance]:
        """The utterances of one recording.

        Raises:
            InputError: the recording cannot be read. EngineError: the recogniser failed.
        """
        line = WavLine(Recording(path, CHANNELS), tail_s=TAIL_S)
        start, fed = self._at, 0
        while True:
            block = line.read(0.0)
            assert block is not None
            mono = block.heard.mean(axis=1, keepdims=True, dtype=block.heard.dtype)
            self._ear.feed(Block(start + block.at, mono, block.played))
            self._at = start + block.end
            fed += len(mono)
            if block.last or fed >= POLL_S * RATE_HZ:  # so that results do not pile up in memory over hours
                fed = 0
                for event in self._ear.poll():
                    if isinstance(event, Heard):
                        yield HeardUtterance(str(path), event, start)
            if block.last:
                line.close()
                return
