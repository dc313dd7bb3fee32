"""The loop: one thread, one queue, one clock. Sound and words in, journal first, then the machine, then its effects."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from voicecoach.audio.line import RATE_HZ, Block, Line, Sound
from voicecoach.audio.quiet import QuietLine
from voicecoach.errors import AudioError, EngineError
from voicecoach.listen.port import Ear
from voicecoach.record.clips import ClipKeeper
from voicecoach.record.journal import Journal
from voicecoach.session.effects import CancelTimer, Close, Effect, Listen, Note, Say, SetTimer, StopSpeaking, Tone
from voicecoach.session.events import Event, Heard, PartBack, PartLost, PromptEnded, Reopened, TimerFired
from voicecoach.session.machine import Machine
from voicecoach.session.state import SessionState
from voicecoach.session.words import DANGERS
from voicecoach.speak import tones
from voicecoach.speak.port import Speaker

READ_S = 0.25
"""How long the loop waits for a block before it looks at keys and faults."""
RETRY_S = 1.0
"""A lost part is tried again so often, in the background."""
TAIL_S = 5.0
"""So long after the last word of a script the session is left (s)."""
SLEPT_S = 5.0
"""The wall clock this far ahead of the samples: the computer slept."""
TICK_S = 4.0
"""A faint tick while it listens (rule 22); the interval is common practice, no source."""
LISTENING = ("awaiting", "acknowledging", "drying", "confirming", "asking")

Watch = Callable[[SessionState, Event, tuple[Effect, ...]], None]


@dataclass
class Parts:
    """What a coach is put together from. watch is told of every step; it must be quick and never raises."""

    machine: Machine
    ear: Ear
    line: Line
    voice: Speaker
    journal: Journal
    clips: ClipKeeper | None = None
    keys: Ear | None = None
    watch: Watch = field(default=lambda _state, _event, _effects: None)
    ticks: bool = False
    spent: Callable[[], bool] = field(default=lambda: False)
    """True when an ear that has an end (a script) has no more to give; the session then ends soon after."""


class Coach:
    """Runs one session until it is closed, or until a line that has an end has no more to give.

    Args:
        parts: what it is made of. state: where it begins; default the machine's start.
        now: session clock to begin at (samples).
    """

    def __init__(self, parts: Parts, state: SessionState | None = None, now: int = 0) -> None:
        self.parts = parts
        self.state = parts.machine.start() if state is None else state
        self.now = now
        self.closed = False
        self._line: Line = parts.line
        self._timers: dict[str, int] = {}
        self._sounding: dict[int, Sound] = {}
        self._lost: set[str] = set()
        self._mending: set[str] = set()
        self._mended: list[str] = []
        self._signals: list[str] = []
        self._ticked = self._heard_last = now
        self._wall_ahead_s = time.time() - now / RATE_HZ
        if self.state.listening:
            self._listen(self.state.listening)

    def begin(self, event: Event) -> None:
        """Hand in the first event: Opened, or Reopened."""
        self._handle(event)

    def signalled(self, name: str) -> None:
        """Note a signal (safe in a handler); it is dealt with in the loop."""
        self._signals.append(name)

    def run(self) -> bool:
        """Run; True when the session was closed, False when the line came to its end before."""
        while not self.closed:
            block = self._read()
            if block is None:
                self._look_around([])
                continue
            self._take(block)
            if not self.parts.spent():
                self._heard_last = self.now
            if (block.last or self.now - self._heard_last > TAIL_S * RATE_HZ) and not self._sounding:
                return False
        self._say_goodbye()
        return True

    def _take(self, block: Block) -> None:
        """One block: what ended, what was heard, what is due."""
        slept_s = self._slept_s(block)
        self.now = block.end
        found: list[Event] = [Reopened(self.now, slept_s, "the computer slept")] if slept_s else []
        for ended in block.ended:
            if self._sounding.pop(ended.prompt, None) is not None:
                played_s = (ended.end - ended.begin) / RATE_HZ
                found.append(PromptEnded(max(ended.end, 0), ended.prompt, played_s, ended.complete))
        if self.parts.clips is not None:
            self.parts.clips.feed(block)
        found += self._hear(block)
        self._look_around(found)
        self._tick()

    def _look_around(self, found: list[Event]) -> None:
        """Faults, keys and timers; then everything in order, danger first."""
        found += self._faults()
        found += [TimerFired(self.now, name) for name, due in self._timers.items() if due <= self.now]
        for event in sorted(found, key=lambda event: (not _urgent(event), event.at)):
            if isinstance(event, TimerFired) and self._timers.get(event.timer, self.now + 1) > self.now:
                continue  # an event before it has set it anew or cancelled it
            if isinstance(event, TimerFired):
                del self._timers[event.timer]
            self._handle(event)

    def _handle(self, event: Event) -> None:
        """Journal first, then the machine, then its effects."""
        written = self.parts.journal.write(event)
        self.state, effects = self.parts.machine.step(self.state, event)
        for effect in effects:
            self._carry_out(effect)
        self.parts.journal.write_effects(written.seq, effects)
        if isinstance(event, Heard) and event.source == "voice" and self.parts.clips is not None:
            self.parts.clips.utterance(event.begin, event.end)
        if self.parts.clips is not None:
            self.parts.clips.work(self.state.place.stage == "work")
        self.parts.watch(self.state, event, effects)

    def _carry_out(self, effect: Effect) -> None:
        if isinstance(effect, Say):
            samples = self.parts.voice.sound(effect.text)[round(effect.skip_s * RATE_HZ) :]
            self._play(Sound(samples, effect.prompt, effect.text))
        elif isinstance(effect, Tone):
            self._play(Sound(tones.sound(effect.tone), 0, f"({effect.tone})"))
        elif isinstance(effect, StopSpeaking):
            self._line.silence()
        elif isinstance(effect, Listen):
            self._listen(effect.commands)
        elif isinstance(effect, SetTimer):
            self._timers[effect.timer] = self.now + round(effect.after_s * RATE_HZ)
        elif isinstance(effect, CancelTimer):
            self._timers.pop(effect.timer, None)
        elif isinstance(effect, Close):
            self.closed = True
        elif isinstance(effect, Note) and effect.what == "no-audio" and self.parts.clips is not None:
            self.parts.clips.no_audio()

    def _play(self, sound: Sound) -> None:
        if sound.prompt:
            self._sounding[sound.prompt] = sound
        self._line.play(sound)

    def _listen(self, commands: tuple[str, ...]) -> None:
        self.parts.ear.listen(commands)
        if self.parts.keys is not None:
            self.parts.keys.listen(commands)

    def _hear(self, block: Block) -> list[Event]:
        found: list[Event] = []
        if "ears" not in self._lost:
            try:
                self.parts.ear.feed(block)
                found += self.parts.ear.poll()
            except EngineError as error:
                found.append(self._lose("ears", error.line()))
        if self.parts.keys is not None:
            self.parts.keys.feed(block)
            found += self.parts.keys.poll()
        return found

    def _read(self) -> Block | None:
        try:
            return self._line.read(READ_S)
        except AudioError as error:
            why = error.line()
        spare = QuietLine(live=True, channels=self.parts.line.channels, start=self.now)
        for sound in self._sounding.values():
            spare.play(sound)
        self._line = spare
        for event in (self._lose("line", why), self._lose("ears", why)):
            self._handle(event)
        return None

    def _lose(self, part: str, why: str) -> PartLost:
        self._lost.add(part)
        self._mend(part)
        return PartLost(self.now, part, why)  # type: ignore[arg-type]

    def _mend(self, part: str) -> None:
        """Try again in the background until it works."""
        again = getattr(self.parts.line, "reopen", None) if part == "line" else self.parts.ear.restart
        if part in self._mending or again is None or (part == "ears" and "line" in self._lost):
            return
        self._mending.add(part)

        def work() -> None:
            while not self.closed:
                try:
                    again()
                except (AudioError, EngineError):
                    time.sleep(RETRY_S)
                else:
                    self._mended.append(part)
                    return

        if self.parts.line.live:
            threading.Thread(target=work, name=f"mend {part}", daemon=True).start()
        else:
            work()  # nothing is missed meanwhile: the samples wait

    def _faults(self) -> list[Event]:
        found: list[Event] = []
        while self._mended:
            found += self._find(self._mended.pop(0))
        trouble = self.parts.journal.trouble
        if trouble is not None and "disk" not in self._lost:
            self._lost.add("disk")
            found.append(PartLost(self.now, "disk", trouble))
        elif trouble is None and "disk" in self._lost:
            self._lost.discard("disk")
            found.append(PartBack(self.now, "disk"))
        while self._signals:
            found.append(PartLost(self.now, "signal", self._signals.pop(0)))
        return found

    def _find(self, part: str) -> list[Event]:
        """A mended part goes into use again."""
        self._mending.discard(part)
        self._lost.discard(part)
        found: list[Event] = [PartBack(self.now, part)]  # type: ignore[arg-type]
        if part == "line":
            self._line.silence()
            self._line = self.parts.line
            for sound in self._sounding.values():
                self._line.play(sound)
            self._lost.discard("ears")
            found.append(PartBack(self.now, "ears"))
        self.parts.ear.listen(self.state.listening)
        return found

    def _slept_s(self, block: Block) -> float:
        """Seconds that the samples know nothing of, on a line that keeps real time."""
        if not self._line.live:
            return 0.0
        ahead_s = time.time() - block.end / RATE_HZ
        gap_s = ahead_s - self._wall_ahead_s
        self._wall_ahead_s = ahead_s if gap_s > SLEPT_S else min(ahead_s, self._wall_ahead_s)
        return round(gap_s, 1) if gap_s > SLEPT_S else 0.0

    def _tick(self) -> None:
        busy = bool(self._sounding) or self.state.status not in LISTENING or "ears" in self._lost
        if busy or not self.parts.ticks:
            self._ticked = self.now
        elif self.now - self._ticked > TICK_S * RATE_HZ:
            self._ticked = self.now
            self._line.play(Sound(tones.sound("tick"), 0, "(tick)"))

    def _say_goodbye(self) -> None:
        """Let the last words run out; nothing is listened for any more."""
        limit = self.now + 6 * RATE_HZ
        while self._sounding and self.now < limit:
            try:
                block = self._line.read(READ_S)
            except AudioError:
                return
            if block is None:
                continue
            self.now = block.end
            for ended in block.ended:
                self._sounding.pop(ended.prompt, None)


def _urgent(event: Event) -> bool:
    """Danger is never queued: it goes before everything that waits."""
    return isinstance(event, Heard) and (event.command in {*DANGERS, "stop"} or event.near is not None)
