"""The keyboard and the foot-switch, beside or instead of a speech recogniser. No input can stop them."""

from __future__ import annotations

import os
import queue
import re
import threading
import time
from collections.abc import Callable, Mapping
from typing import TextIO

from voicecoach.audio.line import Block
from voicecoach.errors import EngineError
from voicecoach.grammar import Grammar, match
from voicecoach.listen.scripted import CHANNELS
from voicecoach.session.events import PRESSED, Event, Heard, Role
from voicecoach.system import signals

ROLE_KEYS: Mapping[str, Role] = {"w": "wearer", "o": "observer", "a": "assistant"}
PEDAL = ("done", "rubbing", "wiping", "dry")
"""What a foot-switch can answer for the wearer. Not "clear": a press does not show that somebody looked."""

LONGEST = 200
"""Longest line (bytes); nobody types a longer word."""
AT_ONCE, A_SECOND = 20, 10.0
"""A person types no more lines than this at once, and then no more than this per second; the rest is dropped."""
AGAIN_S = 1.0
"""Interval between attempts to read a keyboard that is gone (s)."""
QUICK_S = 0.2
"""Two ends of input within this time (s) were not typed: the terminal is closed."""
UNREADABLE = "\N{REPLACEMENT CHARACTER}"
FLOOD = "lines arrive faster than a person types"


class KeyboardRecogniser:
    """Lines from a keyboard or foot-switch, beside or instead of an audio recogniser.

    `done` or `w: done` is the wearer's word, `o: confirm` the observer's, `a: hose off` the assistant's. An empty line
    is the foot-switch: it gives the wearer's routine answer if exactly one is live.

    Args:
        grammar: for matching the words.
        stream: where lines come from; read in a thread of its own, which retries while reading fails.
        alone: there is no other recogniser, so that losing this one is a failure.
        now: the clock (s), for tests.
    """

    engine = "keys"

    def __init__(
        self, grammar: Grammar, stream: TextIO, *, alone: bool = False, now: Callable[[], float] = time.monotonic
    ) -> None:
        self._grammar = grammar
        self._alone = alone
        self._now = now
        self._live: tuple[str, ...] = ()
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._events: list[Event] = []
        self._over = threading.Event()
        self._allowance, self._allowance_s = float(AT_ONCE), now()
        self._gone: str | None = None
        self._flooded_s: float | None = None
        self.finished = False
        """True when the stream has ended and `feed` has dealt with everything read from it."""
        threading.Thread(target=self._read, args=(stream,), name="keys", daemon=True).start()

    @property
    def trouble(self) -> str | None:
        """What is wrong with the keyboard now, in plain words; None if nothing is."""
        if self._gone is None and self._flooded_s is not None and self._now() - self._flooded_s < AGAIN_S:
            return FLOOD
        return self._gone

    def listen(self, commands: tuple[str, ...]) -> None:
        """Accept only these command ids from now on."""
        self._live = commands

    def feed(self, block: Block) -> None:
        """Turn what was typed into events at the end of this block.

        Raises:
            EngineError: the keyboard is gone, and there is no other recogniser.
        """
        while not self._over.is_set():
            try:
                line = self._lines.get_nowait()
            except queue.Empty:
                break
            self.finished = line is None
            if line is not None:
                self._events.append(self._key(line.strip(), block.end))
        if self._alone and self._gone is not None and not self._events:
            raise EngineError(self._gone, where="keyboard")

    def poll(self) -> list[Event]:
        """Events found since the last call, by time."""
        found, self._events = self._events, []
        return found

    def restart(self) -> None:
        """Do nothing, since the reading thread retries all the time.

        Raises:
            EngineError: it is still gone.
        """
        if self._gone is not None:
            raise EngineError(self._gone, where="keyboard")

    def close(self) -> None:
        """Report nothing more; the thread ends when its stream does."""
        self._over.set()

    def _key(self, line: str, at: int) -> Heard:
        prefix = re.match(r"([woa])\s*:\s*", line.lower())
        role = ROLE_KEYS[prefix[1]] if prefix else "wearer"
        words = line[prefix.end() :] if prefix else line
        whole = words and UNREADABLE not in words
        # on a screen the next question is read before it has "sounded": the session knows what has been printed
        known = [one.name for one in self._grammar.commands] if self._alone else self._live
        command = match(self._grammar, words, known) if whole else None
        if not line:
            words = PRESSED
            answers = [name for name in PEDAL if name in self._live]
            if len(answers) > 1:  # "done" is also live where it is recognised only to be refused with a hint
                answers = [name for name in answers if name != "done"]
            command = answers[0] if len(answers) == 1 else None
        return Heard(
            at,
            command=command,
            phrase=words,
            begin=at,
            end=at,
            channel=CHANNELS[role],
            role=role,
            source="key",
            engine=self.engine,
        )

    def _read(self, stream: TextIO) -> None:
        """Thread: read bytes and queue lines until closed."""
        signals.read_from_background()
        read, terminal = _reader(stream)
        ended_s = self._now()
        rest, any_yet = b"", False
        while not self._over.is_set():
            try:
                data = read()
            except (OSError, ValueError) as error:
                self._gone = f"the keyboard cannot be read: {getattr(error, 'strerror', None) or error}"
                self._over.wait(AGAIN_S)
                continue
            if data:
                self._gone, any_yet = None, True
                rest = self._take(rest + data)
                continue
            if rest:
                rest = self._take(rest + b"\n")
            if terminal and self._now() - ended_s > QUICK_S:
                ended_s = self._now()  # Ctrl-D: more may follow
                continue
            if not terminal:
                self._lines.put(None)
                if not any_yet and not self._alone:
                    return  # there was no keyboard to begin with
            self._gone = "the keyboard's input has ended"
            self._over.wait(AGAIN_S)

    def _take(self, data: bytes) -> bytes:
        """Queue the complete lines of `data`; returns the rest. Overlong lines and floods are dropped: no person types
        them.
        """
        *lines, rest = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")
        now_s = self._now()
        self._allowance = min(AT_ONCE, self._allowance + (now_s - self._allowance_s) * A_SECOND)
        self._allowance_s = now_s
        taken = [line for line in lines[: int(self._allowance)] if len(line) <= LONGEST]
        self._allowance -= len(taken)
        if len(taken) < len(lines):
            self._flooded_s = now_s
        for line in taken:
            self._lines.put(line.decode("utf-8", "replace"))
        if len(rest) > LONGEST:
            self._flooded_s = self._now()
            rest = rest[: LONGEST + 1]  # enough to know that the line is too long when its end comes
        return rest


def _reader(stream: TextIO) -> tuple[Callable[[], bytes], bool]:
    """A function that returns the next bytes, b"" at the end; and whether the stream is a terminal."""
    try:
        number = os.dup(stream.fileno())  # a descriptor of its own, which nobody else closes
        terminal = os.isatty(number)
    except (OSError, ValueError, AttributeError):
        return lambda: stream.readline().encode("utf-8", "replace"), False
    return lambda: os.read(number, 65_536), terminal
