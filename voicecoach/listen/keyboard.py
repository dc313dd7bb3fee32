"""The keyboard and the foot-switch, beside or instead of a speech recogniser. No input ends them."""

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
from voicecoach.session.events import Event, Heard, Role
from voicecoach.system import signals

ROLE_KEYS: Mapping[str, Role] = {"w": "wearer", "o": "observer", "a": "assistant"}
PEDAL = ("done", "rubbing", "wiping", "dry")
"""What a foot-switch may answer for the wearer. Not "clear": a press does not show that somebody looked."""

LONGEST = 200
"""Bytes of one line; nobody types a longer word."""
AT_ONCE, A_SECOND = 20, 10.0
"""So many lines may come at once, and then so many a second; what is more was not typed by a person."""
AGAIN_S = 1.0
"""A keyboard that is gone is tried again so often (s)."""
QUICK_S = 0.2
"""An end that comes so soon after the one before was not typed: the terminal is closed (s)."""
UNREADABLE = "\N{REPLACEMENT CHARACTER}"
FLOOD = "more came from the keyboard at once than a person types"


class KeyboardRecogniser:
    """Lines from a keyboard or foot-switch, beside or instead of an audio recogniser.

    `done` or `w: done` is the wearer's word, `o: confirm` the observer's, `a: hose off` the assistant's. An empty line
    is the foot-switch: the wearer's one routine answer that is live, if there is exactly one.

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
        self._spared, self._spared_s = float(AT_ONCE), now()
        self._gone: str | None = None
        self._flooded_s: float | None = None
        self.finished = False
        """True when the stream has ended and everything read from it was given out by `feed`."""
        threading.Thread(target=self._read, args=(stream,), name="keys", daemon=True).start()

    @property
    def trouble(self) -> str | None:
        """What is wrong with it now, in plain words; None if all is well."""
        if self._gone is None and self._flooded_s is not None and self._now() - self._flooded_s < AGAIN_S:
            return FLOOD
        return self._gone

    def listen(self, commands: tuple[str, ...]) -> None:
        """From now on only these command ids can be meant."""
        self._live = commands

    def feed(self, block: Block) -> None:
        """Date what was typed to the end of this block.

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
        """Retries run all the time.

        Raises:
            EngineError: it is still gone.
        """
        if self._gone is not None:
            raise EngineError(self._gone, where="keyboard")

    def close(self) -> None:
        """Report nothing more; the thread ends with its stream."""
        self._over.set()

    def _key(self, line: str, at: int) -> Heard:
        prefix = re.match(r"([woa])\s*:\s*", line.lower())
        role = ROLE_KEYS[prefix[1]] if prefix else "wearer"
        words = line[prefix.end() :] if prefix else line
        whole = words and UNREADABLE not in words
        command = match(self._grammar, words, self._live) if whole else None
        if not line:
            words = "foot-switch"
            answers = [name for name in PEDAL if name in self._live]
            if len(answers) > 1:  # "done" is also live where it is only heard in order to be refused with a hint
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
        """Thread: bytes in, lines out, until it is closed."""
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
                ended_s = self._now()  # Ctrl-D: there is more to come
                continue
            if not terminal:
                self._lines.put(None)
                if not any_yet and not self._alone:
                    return  # there never was a keyboard
            self._gone = "the keyboard's input has ended"
            self._over.wait(AGAIN_S)

    def _take(self, data: bytes) -> bytes:
        """Hand on the whole lines of `data`; what is left. Neither a long one nor many at once is a person's."""
        *lines, rest = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")
        now_s = self._now()
        self._spared = min(AT_ONCE, self._spared + (now_s - self._spared_s) * A_SECOND)
        self._spared_s = now_s
        taken = [line for line in lines[: int(self._spared)] if len(line) <= LONGEST]
        self._spared -= len(taken)
        if len(taken) < len(lines):
            self._flooded_s = now_s
        for line in taken:
            self._lines.put(line.decode("utf-8", "replace"))
        if len(rest) > LONGEST:
            self._flooded_s = self._now()
            rest = rest[: LONGEST + 1]  # so that its end is known for that of a long one
        return rest


def _reader(stream: TextIO) -> tuple[Callable[[], bytes], bool]:
    """How to get the next bytes, b"" at the end; and whether it is a terminal."""
    try:
        number = os.dup(stream.fileno())  # its own, which nobody else closes
        terminal = os.isatty(number)
    except (OSError, ValueError, AttributeError):
        return lambda: stream.readline().encode("utf-8", "replace"), False
    return lambda: os.read(number, 65_536), terminal
