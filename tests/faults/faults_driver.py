"""A session under way with parts that fail when told to. Its line is faster than real time, all else is real."""

from __future__ import annotations

import dataclasses
import importlib
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ, Block, Half, Line
from voicecoach.audio.quiet import QuietLine
from voicecoach.errors import AudioError, EngineError
from voicecoach.listen.recogniser import Recogniser
from voicecoach.record import disk, lock
from voicecoach.record.journal import Journal
from voicecoach.record.manifest import Manifest
from voicecoach.runtime import library
from voicecoach.runtime.loop import Coach, Parts
from voicecoach.session.effects import Effect, Note, Say
from voicecoach.session.events import Event, Heard, Opened, PartBack, PartLost
from voicecoach.session.machine import Machine
from voicecoach.session.state import SessionState
from voicecoach.speak.silent import SilentVoice

sys.path.append(str(Path(__file__).parents[1] / "session"))
driver: Any = importlib.import_module("session_driver")
DRESSED = "practice-rub-gloves"


class QuickLine(QuietLine):
    """A live line, `speed` times as fast as a real one, whose card can be taken away and given back."""

    def __init__(self, start: int = 0, speed: float = 20.0, halves: tuple[Half, ...] = ()) -> None:
        super().__init__(live=True, start=start)
        self.halves = halves
        self.gone = False
        self.played: list[str] = []
        self._pause_s = BLOCK_FRAMES / RATE_HZ / speed
        self._speed = speed

    def read(self, timeout_s: float) -> Block | None:
        if self.gone:
            raise AudioError("has stopped", where="sound card")
        return super().read(timeout_s)

    def _wait(self, timeout_s: float) -> float:
        time.sleep(self._pause_s)
        return 0.0

    def play(self, sound: Any) -> None:
        self.played.append(sound.text)
        super().play(sound)

    def reopen(self) -> None:
        if self.gone:
            raise AudioError("cannot be opened", where="sound card")

    def half(self, half: Half, start: int) -> QuickLine:
        if half not in self.halves:
            raise AudioError("cannot be opened", where="sound card")
        made = QuickLine(start, self._speed)
        made.played = self.played
        return made

    def there(self, half: Half) -> bool:
        return not self.gone


class WordEar:
    """A recogniser that hears what the test says, and breaks when told to."""

    engine = "twin"

    def __init__(self) -> None:
        self.live: tuple[str, ...] = ()
        self.words: list[str] = []
        self.broken: Exception | None = None
        self.refuses_restart = False
        self.restarts = 0
        self._at = 0

    def listen(self, commands: tuple[str, ...]) -> None:
        self.live = commands

    def feed(self, block: Block) -> None:
        self._at = block.end

    def poll(self) -> list[Event]:
        if self.broken is not None:
            raise self.broken
        words, self.words = self.words, []
        return [Heard(self._at, word if word in self.live else None, word, self._at, self._at) for word in words]

    def restart(self) -> None:
        self.restarts += 1
        if self.refuses_restart:
            raise EngineError("cannot be started", where="recogniser twin")
        self.broken = None

    def close(self) -> None:
        pass


class Disk(disk.OwnFile):
    """A file whose disk fills or stalls when told to."""

    full = False
    stall_s = 0.0

    def write(self, data: bytes) -> None:
        if Disk.full:
            raise OSError(28, "No space left on device")
        super().write(data)

    def sync(self) -> None:
        time.sleep(Disk.stall_s)
        super().sync()


class Bench:
    """A coach in the middle of the short practice session, dressed unless another step is named.

    step: where it stands. speed: of the line. halves: what can be had of a lost card. card: a real line instead, made
    with the sample it starts at. ear: a real recogniser instead of a WordEar. Other names: fields of Parts.
    """

    def __init__(
        self,
        folder: Path,
        step: str = DRESSED,
        speed: float = 20.0,
        halves: tuple[Half, ...] = (),
        card: Callable[[int], Line] | None = None,
        ear: Recogniser | None = None,
        **parts: Any,
    ) -> None:
        Disk.full, Disk.stall_s = False, 0.0
        session = driver.Session(driver.setup())
        session.go_to(step)
        self.seen: list[tuple[SessionState, Event, tuple[Effect, ...]]] = []
        self.line = QuickLine(session.at, speed, halves)
        self.ear = WordEar()
        made_with = Manifest("twin", "solo", "none", "short-practice 1", "en 1", source="live")
        self.journal = Journal.create(folder, made_with, {}, opener=Disk, retry_s=0.05)
        wanted: dict[str, Any] = {"voice": SilentVoice(), "watch": lambda *seen: self.seen.append(seen), **parts}
        line: Line = self.line if card is None else card(session.at)
        made = Parts(Machine(driver.setup()), ear or self.ear, line, journal=self.journal, **wanted)
        self.coach = Coach(made, session.state, session.at)
        # the driver's timers run on in the loop
        self.coach._timers = dict(session.due)

    def run_until(self, found: Callable[[], bool], limit_s: float = 10.0) -> float:
        """Run the loop until something is found; how long that took (s). An assertion fails if it never is."""
        begin = time.monotonic()
        while not found():
            assert time.monotonic() - begin < limit_s, f"not found; last: {self.kinds()[-8:]}"
            self.step()
        return time.monotonic() - begin

    def run_s(self, seconds: float) -> None:
        """Run for so many seconds of the session clock."""
        end = self.coach.now + round(seconds * RATE_HZ)
        self.run_until(lambda: self.coach.now >= end)

    def step(self) -> None:
        """Once round the loop."""
        block = self.coach.line.read(0.05)
        if block is None:
            self.coach._handle_all([])
        else:
            self.coach._take(block)

    def kinds(self) -> list[str]:
        return [event.kind for _, event, _ in self.seen]

    def lost(self, part: str) -> bool:
        return any(isinstance(event, PartLost) and event.part == part for _, event, _ in self.seen)

    def back(self, part: str) -> bool:
        return any(isinstance(event, PartBack) and event.part == part for _, event, _ in self.seen)

    def said(self) -> list[str]:
        return [effect.text for _, _, effects in self.seen for effect in effects if isinstance(effect, Say)]

    def noted(self, what: str) -> list[dict[str, str]]:
        notes = [effect for _, _, effects in self.seen for effect in effects if isinstance(effect, Note)]
        return [dict(note.details) for note in notes if note.what == what]

    def close(self) -> None:
        """Let go."""
        Disk.full, Disk.stall_s = False, 0.0
        self.coach._restarter.close()
        self.coach.line.close()
        self.journal.close()


def write_record(journal: Journal, session: Any, ear: str) -> None:
    """Write a session's events, and what followed from them."""
    machine = Machine(session.setup)
    state = machine.start()
    for event in session.events:
        written = dataclasses.replace(event, ear=ear) if isinstance(event, Opened) else event
        state, effects = machine.step(state, written)
        journal.write_effects(journal.write(written).seq, effects)


def cut_off(folder: Path, step: str = DRESSED, ear: str = "typed", mode: str = "solo") -> None:
    """Write the record of a live session with that recogniser, cut off at that step."""
    session = driver.Session(driver.setup(), mode, independent=mode == "pair")
    session.go_to(step)
    copies = {
        "protocol.yaml": library.load_protocol("short-practice")[1].encode(),
        "grammar.yaml": (driver.ROOT / "grammars/en.yaml").read_bytes(),
    }
    folder.parent.mkdir(parents=True, exist_ok=True)
    made_with = Manifest(ear, mode, "none", "short-practice 1", "en 1", source="live")
    journal = Journal.create(folder, made_with, copies)
    write_record(journal, session, ear)
    journal.close()
    (folder / lock.NAME).unlink()  # names this process, which is not to be killed for it
