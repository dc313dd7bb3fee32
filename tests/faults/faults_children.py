"""Recognisers that fail once, a second after they are first fed, and work when started again. They run in the child."""

from __future__ import annotations

import gc
import os
import time
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path

from voicecoach.audio.line import Samples
from voicecoach.listen.worker import Spec
from voicecoach.session.events import Event

SOUND_BLOCKS = 10


class Once:
    """Fails by `act` while the file that the spec's `model` names is there."""

    act: Callable[[], object]

    def __init__(self, spec: Spec, working: Callable[[], None]) -> None:
        self._working = working
        self._mark = Path(spec.model)
        self._fed = 0

    def listen(self, commands: tuple[str, ...]) -> None:
        pass

    def feed(self, at: int, heard: Samples, played: Samples) -> list[Event]:
        self._fed += 1
        if self._fed > SOUND_BLOCKS and self._mark.exists():
            self._mark.unlink()
            self.fail()
        return []

    def fail(self) -> None:
        type(self).act()


class Hangs(Once):
    act = staticmethod(lambda: time.sleep(600))


class Spins(Once):
    @staticmethod
    def act() -> None:
        end_s = time.monotonic() + 600
        while time.monotonic() < end_s:
            pass


class Aborts(Once):
    act = staticmethod(os.abort)


class PrintsRubbish(Once):
    act = staticmethod(lambda: next(x for x in gc.get_objects() if isinstance(x, Connection)).send_bytes(b"rubbish"))


class Raises(Once):
    act = staticmethod(lambda: 1 / 0)


class WorksLong(Once):
    """No fault: more work than a child may be silent for, in pieces."""

    pieces = 8

    def fail(self) -> None:
        for _ in range(self.pieces):
            end_s = time.monotonic() + 0.25
            while time.monotonic() < end_s:
                pass
            self._working()


class NeverDone(WorksLong):
    pieces = 10**6
