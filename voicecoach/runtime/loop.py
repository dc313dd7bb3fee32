"""The loop: one thread, one queue, one clock. It journals an event, steps the machine, then carries out the effects.

Once something is worn, no failing part ends a live session (`_tolerated`, `_recogniser_tolerated`).
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

from voicecoach.audio.failover import FailoverLine
from voicecoach.audio.line import RATE_HZ, Block, Line, Samples, Sound
from voicecoach.errors import EngineError, VoicecoachError
from voicecoach.listen.recogniser import Recogniser
from voicecoach.protocol.model import DANGERS
from voicecoach.record.clips import ClipKeeper
from voicecoach.record.journal import Journal
from voicecoach.runtime.faults import Faults, Reason, Restarter, call_with_timeout, reason
from voicecoach.session.effects import (
    CancelTimer,
    Close,
    Effect,
    Listen,
    Note,
    Say,
    SetFloors,
    SetTimer,
    StopSpeaking,
    Tone,
)
from voicecoach.session.events import Event, Heard, Part, PartLost, PromptEnded, Reopened, TimerFired
from voicecoach.session.machine import Machine
from voicecoach.session.notes import NoteKind
from voicecoach.session.state import SessionState
from voicecoach.speak import tones
from voicecoach.speak.port import Speaker

READ_S = 0.25
"""How long the loop waits for a block before it checks keys and faults (s)."""
TAIL_S = 5.0
"""How long after the last word of a script the session ends (s)."""
SLEPT_S = 5.0
"""If the wall clock is this far ahead of the samples (s), the computer has slept."""
SIGNAL_AGAIN_S = 30
"""The same signal is reported again after this long (s), because some come every second."""
DRIFT = 0.01
"""Clocks that differ by less than this fraction drift; the computer has not slept."""
VOICE_S = 0.5
"""A prompt that is not rendered and takes longer than this (s) is replaced by its tones."""
TICK_S = 4.0
"""Interval of the faint tick while it listens (s; rule 22); common practice, no source."""
AFTER_END = 1 << 30
"""The number of a prompt spoken after the end of the record."""
LISTENING = ("awaiting", "acknowledging", "drying", "confirming", "asking")

Watch = Callable[[SessionState, Event, tuple[Effect, ...]], None]


@dataclass
class Parts:
    """The parts of a session. watch: called with every step; must be quick.

    troubles: for other parts, a function that says what is wrong now (None: nothing).
    """

    machine: Machine
    ear: Recogniser
    line: Line
    voice: Speaker
    journal: Journal
    clips: ClipKeeper | None = None
    keys: Recogniser | None = None
    watch: Watch = field(default=lambda _state, _event, _effects: None)
    set_floors: Callable[[tuple[tuple[str, float], ...]], None] = field(default=lambda _floors: None)
    """Sets the recogniser's floors for this session."""
    meter: Callable[[Block], None] = field(default=lambda _block: None)
    """Shows how loud the microphones are; it must be quick."""
    ticks: bool = False
    exhausted: Callable[[], bool] = field(default=lambda: False)
    """True when a recogniser that has an end (a script) has no more to say; the session then ends soon after."""
    troubles: Mapping[Part, Callable[[], Reason]] = field(default_factory=dict)
    taken_for: Callable[[str], frozenset[str]] = field(default=lambda _text: frozenset())
    """The commands that a prompt itself is taken for (rule 2); they are not listened for while it sounds."""


class Coach:
    """Runs one session until it is closed, or until a line that has an end is exhausted.

    Args:
        parts: of the session. state: to start from; by default the machine's start. now: session clock to start at
        (samples).
    """

    def __init__(self, parts: Parts, state: SessionState | None = None, now: int = 0) -> None:
        self.parts = parts
        self.state = parts.machine.start() if state is None else state
        self.now = now
        self.closed = False
        self.line = FailoverLine(parts.line, start=now)
        self._timers: dict[str, int] = {}
        self._sounding: dict[int, str] = {}
        self._masked: frozenset[str] = frozenset()
        self._faults = Faults()
        self._restarter = Restarter(parts.ear.restart, live=parts.line.live)
        self._signals: list[str] = []
        self._signalled: dict[str, float] = {}
        self._ticked = self._heard_last = now
        self._wall_ahead_s = time.time() - now / RATE_HZ
        if self.state.floors:
            self.parts.set_floors(self.state.floors)
        if self.state.listening:
            self._listen(self.state.listening)

    def begin(self, event: Event) -> None:
        """Handle the first event: Opened, Reopened or Salvaged."""
        self._handle(event)

    def signalled(self, name: str) -> None:
        """Queue a signal for the loop; safe in a signal handler."""
        self._signals.append(name)

    def run(self) -> bool:
        """Run the session. True if it was closed, False if the line ended first."""
        try:
            while not self.closed:
                block = self.line.read(READ_S)
                if block is None:
                    self._handle_all([])
                    continue
                self._take(block)
                if not self.parts.exhausted():
                    self._heard_last = self.now
                if (block.last or self.now - self._heard_last > TAIL_S * RATE_HZ) and not self._sounding:
                    return False
            self._say_goodbye()
            return True
        finally:
            self._restarter.close()

    def _take(self, block: Block) -> None:
        """Handle one block: prompts that ended, what was heard, and timers that are due."""
        slept_s = self._slept_s(block)
        self.now = max(self.now, block.end)  # after a failover the new line's clock may be a little behind
        found: list[Event] = []
        if slept_s:
            found += [Reopened(self.now, slept_s, "the computer slept"), *self._faults.still(self.now)]
        for ended in block.ended:
            if ended.prompt in self._sounding:
                del self._sounding[ended.prompt]
                played_s = (ended.end - ended.begin) / RATE_HZ
                found.append(PromptEnded(max(ended.end, 0), ended.prompt, played_s, ended.complete))
        if self.parts.clips is not None:
            with self._tolerated("clips"):
                self.parts.clips.feed(block)
        with self._tolerated("screen"):
            self.parts.meter(block)
        found += self._hear(block)
        self._handle_all(found)
        self._tick()

    def _handle_all(self, found: list[Event]) -> None:
        """Handle these events, with faults, signals and timers that are due, in order, danger first."""
        found += self._faults.look(self.now, self._reasons())
        if self._restarter.restarted():
            self._listen(self.state.listening)
        found += self._new_signals()
        found += [TimerFired(self.now, name) for name, due in self._timers.items() if due <= self.now]
        for event in sorted(found, key=lambda event: (not _urgent(event), event.at)):
            if isinstance(event, TimerFired) and self._timers.get(event.timer, self.now + 1) > self.now:
                continue  # an earlier event restarted or cancelled it
            if isinstance(event, TimerFired):
                del self._timers[event.timer]
            self._handle(event)

    def _new_signals(self) -> Iterator[Event]:
        """The signals that came since the last call; one that comes every second is not repeated."""
        while self._signals:
            name = self._signals.pop(0)
            if self.now - self._signalled.get(name, -SIGNAL_AGAIN_S * RATE_HZ) >= SIGNAL_AGAIN_S * RATE_HZ:
                self._signalled[name] = self.now
                yield PartLost(self.now, "signal", name)

    def _reasons(self) -> dict[Part, Reason]:
        """What is wrong with each part now."""
        line, voice = self.line, self.parts.voice
        reasons: dict[Part, Reason] = {
            "line": None if line.speaks else line.why,
            "ears": self._restarter.why or (None if line.hears else line.why),
            "disk": self.parts.journal.trouble,
            "voice": None if voice.ok else voice.why or "some prompts cannot be spoken",
            "clips": self.parts.clips.trouble if self.parts.clips is not None else None,
        }
        return reasons | {part: trouble() for part, trouble in self.parts.troubles.items()}

    @contextmanager
    def _tolerated(self, part: Part) -> Iterator[None]:
        """Rule 19: once something is worn, a live session continues without a part that raises."""
        try:
            yield
        except Exception as error:
            if not self._must_go_on:
                raise
            self._faults.raised(part, error, self.now)

    @property
    def _must_go_on(self) -> bool:
        return self.line.live and self.state.worn_since is not None

    def _handle(self, event: Event) -> None:
        """Journal the event, step the machine, carry out the effects."""
        written = self.parts.journal.write(event)
        self.state, effects = self.parts.machine.step(self.state, event)
        for effect in effects:
            self._carry_out(effect)
        self._mask()
        self.parts.journal.write_effects(written.seq, effects)
        if self.parts.clips is not None:
            with self._tolerated("clips"):
                if isinstance(event, Heard) and event.source == "voice":
                    self.parts.clips.utterance(event.begin, event.end)
                self.parts.clips.work(self.state.place.stage == "work")
        with self._tolerated("screen"):
            self.parts.watch(self.state, event, effects)

    def _carry_out(self, effect: Effect) -> None:
        if isinstance(effect, Say):
            samples = self._voiced(effect.text)[round(effect.skip_s * RATE_HZ) :]
            self._sounding[effect.prompt] = effect.text
            self.line.play(Sound(samples, effect.prompt, effect.text))
        elif isinstance(effect, Tone):
            self.line.play(Sound(tones.sound(effect.tone), 0, f"({effect.tone})"))
        elif isinstance(effect, StopSpeaking):
            self.line.silence()
        elif isinstance(effect, Listen):
            self._listen(effect.commands)
        elif isinstance(effect, SetFloors):
            with self._recogniser_tolerated():
                self.parts.set_floors(effect.floors)
        elif isinstance(effect, SetTimer):
            self._timers[effect.timer] = self.now + round(effect.after_s * RATE_HZ)
        elif isinstance(effect, CancelTimer):
            self._timers.pop(effect.timer, None)
        elif isinstance(effect, Close):
            self.closed = True
        elif isinstance(effect, Note) and effect.what == NoteKind.NO_AUDIO and self.parts.clips is not None:
            with self._tolerated("clips"):
                self.parts.clips.no_audio()

    def _voiced(self, text: str) -> Samples:
        with self._tolerated("voice"):
            if not self.line.live:
                return self.parts.voice.sound(text)
            return call_with_timeout(VOICE_S, lambda: self.parts.voice.sound(text))
        return tones.sound("unspoken")

    def _mask(self) -> None:
        """Stop listening for commands that the current prompt is taken for. A voice over it opens the window."""
        first = next(iter(self._sounding.values()), "")
        masked = self.parts.taken_for(first) if first and not self.state.window else frozenset()
        if masked != self._masked:
            self._masked = masked
            self._listen(self.state.listening)

    def _listen(self, commands: tuple[str, ...]) -> None:
        if self._restarter.why is None:
            with self._recogniser_tolerated():
                self.parts.ear.listen(tuple(name for name in commands if name not in self._masked))
        if self.parts.keys is not None:
            with self._tolerated("keys"):
                always = (*DANGERS, "stop") if commands else ()
                self.parts.keys.listen(tuple(sorted({*commands, *always})))

    def _hear(self, block: Block) -> list[Event]:
        found: list[Event] = []
        if self._restarter.why is None and self.line.hears:
            with self._recogniser_tolerated():
                self.parts.ear.feed(block)
                found += self.parts.ear.poll()
        if self.parts.keys is not None:
            with self._tolerated("keys"):
                self.parts.keys.feed(block)
                found += self.parts.keys.poll()
        return found

    @contextmanager
    def _recogniser_tolerated(self) -> Iterator[None]:
        """Restart a recogniser that fails; until it works, steps are read at a set pace."""
        try:
            yield
        except Exception as error:
            if not isinstance(error, EngineError) and not self._must_go_on:
                raise
            self._restarter.broke(reason(error))

    def _slept_s(self, block: Block) -> float:
        """Seconds that the samples do not account for, on a line that runs in real time."""
        if not self.line.live:
            return 0.0
        ahead_s = time.time() - block.end / RATE_HZ
        gap_s = ahead_s - self._wall_ahead_s
        slow_s = self._wall_ahead_s + DRIFT * (block.end - block.at) / RATE_HZ
        self._wall_ahead_s = ahead_s if gap_s > SLEPT_S else min(ahead_s, slow_s)
        return round(gap_s, 1) if gap_s > SLEPT_S else 0.0

    def _tick(self) -> None:
        busy = bool(self._sounding) or self.state.status not in LISTENING or "ears" in self._faults.lost
        if busy or not self.parts.ticks:
            self._ticked = self.now
        elif self.now - self._ticked > TICK_S * RATE_HZ:
            self._ticked = self.now
            self.line.play(Sound(tones.sound("tick"), 0, "(tick)"))

    def say_after_end(self, text: str) -> None:
        """After the session, say a sentence that is not on record; without a voice it is left out."""
        with suppress(VoicecoachError, OSError):
            self._sounding[AFTER_END] = text
            self.line.play(Sound(self.parts.voice.sound(text), AFTER_END, text))
            self._say_goodbye(longest_s=20)

    def _say_goodbye(self, longest_s: float = 6) -> None:
        """Let the last prompts finish, without listening. longest_s: for each of them."""
        limit = self.now + round(longest_s * max(1, len(self._sounding)) * RATE_HZ)
        while self._sounding and self.now < limit:
            block = self.line.read(READ_S)
            if block is not None:
                self.now = max(self.now, block.end)
                for ended in block.ended:
                    self._sounding.pop(ended.prompt, None)


def _urgent(event: Event) -> bool:
    """Whether an event goes before all others that wait: danger never queues."""
    return isinstance(event, Heard) and (event.command in {*DANGERS, "stop"} or event.near is not None)
