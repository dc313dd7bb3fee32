"""The text twin of a recogniser: a script of words with times and roles."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, cast

import numpy as np

from voicecoach.audio.line import RATE_HZ, Block
from voicecoach.errors import InputError, did_you_mean
from voicecoach.grammar import Grammar, match
from voicecoach.session.events import Event, Heard, Role, SpeechEnded, SpeechStarted

WORD_S = 0.35
"""Duration of one typed word (s); ordinary speech has about 170 words a minute."""

PAUSE_S = 0.6
"""A gap in the coach's sound no longer than this (s) is a pause inside a prompt, not its end."""

TICK_BLOCKS = 4
"""Sounds of fewer blocks than this are ticks, which a script does not wait for."""

CHANNELS: Mapping[str, int] = {"wearer": 0, "observer": 1, "assistant": 1, "unknown": 0}

When = Literal["at", "after", "over"]
LINE = re.compile(r"(?P<sign>[+@]?)(?P<time>\S+)\s+(?P<role>[^\s:]+)\s*:(?P<words>.*)")
FORM = "'TIME ROLE: words', such as '12.5 wearer: done', '+1.5 observer: confirm' or '@0.4 wearer: breach'"


WAITS_S, WAITS_TIMES = 600.0, 3.0
"""A line of a script that has waited longer than the first of these (s) plus the second times its own time will never
be said, because the coach keeps speaking before it."""


@dataclass(frozen=True, slots=True)
class ScriptLine:
    """One line of a script.

    when: 'at' `time_s` on the session clock; 'after' that many seconds of quiet; 'over' the coach's next sound, that
    many seconds after it begins. near: a danger command that these words only just miss. line: counted from 1.
    """

    when: When
    time_s: float
    role: Role
    words: str
    near: str | None = None
    line: int = 0


def parse(text: str, file: str) -> tuple[ScriptLine, ...]:
    """Read a script: one utterance per line; '#' begins a comment.

    `12.5 wearer: done` is said 12.5 s into the session. `+1.5 wearer: done` is said 1.5 s after the coach's last prompt
    ended, or after the previous line if the coach has said nothing since; a prompt that begins before then delays it.
    `@0.4 wearer: breach` is said over the coach, 0.4 s after its next prompt begins (a tone that is over by then does
    not count). `~breach` at the end of a line makes it a near miss of "breach".

    Raises:
        InputError: with file and line, for a line of any other form.
    """
    found: list[ScriptLine] = []
    latest_s = 0.0
    for number, raw in enumerate(text.splitlines(), start=1):
        line = raw.partition("#")[0].strip()
        if not line:
            continue
        said = _utterance(line, f"{file}:{number}", number)
        if said.when == "at":
            if said.time_s < latest_s:
                what, wanted = f"{said.time_s:g} comes after {latest_s:g}", f"{latest_s:g} or later"
                raise InputError(what, where=f"{file}:{number}", expected=wanted)
            latest_s = said.time_s
        found.append(said)
    return tuple(found)


def _utterance(line: str, where: str, number: int) -> ScriptLine:
    parts = LINE.match(line)
    if parts is None:
        raise InputError(f"{line!r} cannot be read", where=where, expected=FORM)
    if not re.fullmatch(r"\d{1,6}(\.\d{1,6})?", parts["time"]):
        raise InputError(f"{parts['time']!r} is not a time", where=where, expected="seconds: 12.5, +1.5 or @0.4")
    role = parts["role"].lower()
    if role not in CHANNELS:
        raise InputError(f"{parts['role']!r} is not a role", where=where, expected="one of " + ", ".join(CHANNELS))
    words, missed, near = (part.strip() for part in parts["words"].partition("~"))
    if not words or (missed and not near):
        raise InputError(f"{line!r} has no words", where=where, expected=FORM)
    when: When = {"+": "after", "@": "over"}.get(parts["sign"], "at")  # type: ignore[assignment]
    return ScriptLine(when, float(parts["time"]), cast(Role, role), words, near or None, number)


class _CoachVoice:
    """Follows the coach's own voice on the line.

    begin: first sample of the prompt now sounding, or None. quiet: sample after the last sound. sounds: now.
    """

    def __init__(self) -> None:
        self.begin: int | None = None
        self.quiet = 0
        self.sounds = False
        self._length = 0
        self._last = 0

    def hear(self, block: Block) -> None:
        """Take the next block."""
        start = block.at
        for played in block.ended:
            # whatever sounds after a prompt's end is a new one
            self.quiet = max(self.quiet, played.end)
            self.begin, self._length = None, 0
            start = max(start, played.end)
        self.sounds = bool(np.any(block.played[start - block.at :]))
        if self.sounds:
            self.begin = start if self.begin is None else self.begin
            self._length += 1
            self._last = block.end
            if self._length >= TICK_BLOCKS:
                self.quiet = block.end
        else:
            self._length = 0
            if self.begin is not None and block.end - self._last > PAUSE_S * RATE_HZ:
                self.begin = None


class ScriptedRecogniser:
    """The text twin of the audio recognisers: says a script on the line's sample clock. Always in lockstep.

    Args:
        grammar: for matching the words. script: from `parse`. file: the script's name, for messages.

    Raises:
        InputError: for a near miss of a command that the grammar does not have.
    """

    engine = "typed"

    def __init__(self, grammar: Grammar, script: tuple[ScriptLine, ...], file: str = "script") -> None:
        for said in script:
            if said.near is not None and grammar.command(said.near) is None:
                raise InputError(
                    f"{said.near!r} is not a command",
                    where=f"{file}:{said.line}",
                    expected="one that is listened for, such as 'breach'",
                    mend=did_you_mean(said.near, (command.name for command in grammar.commands)),
                )
        self._grammar = grammar
        self._script = script
        self._next = 0
        self._live: tuple[str, ...] = ()
        self._coach = _CoachVoice()
        self._begin: int | None = None
        self._started = False
        self._last_end = 0
        self._events: list[Event] = []
        self.stuck: ScriptLine | None = None
        """A line that can never be said, once that is clear."""

    @property
    def unsaid(self) -> ScriptLine | None:
        """The first line that has not been said in full; None if all have."""
        return None if self.finished else self._script[self._next]

    @property
    def finished(self) -> bool:
        """Whether every line of the script has been said in full."""
        return self._next == len(self._script)

    def listen(self, commands: tuple[str, ...]) -> None:
        """Accept only these command ids from now on."""
        self._live = commands

    def feed(self, block: Block) -> None:
        """Say whatever falls into this block."""
        if not self._started:
            self._started = True
            self._last_end = self._coach.quiet = block.at  # a continued session does not start at 0
        self._coach.hear(block)
        while not self.finished:
            said = self._script[self._next]
            if self._begin is None:
                begin = self._due(said, block)
                if begin is None or begin >= block.end:
                    waited_s = (block.end - self._last_end) / RATE_HZ
                    if said.when != "at" and waited_s > WAITS_S + WAITS_TIMES * said.time_s:
                        self.stuck = said
                    return
                self._begin = begin
                self._events.append(SpeechStarted(begin, channel=CHANNELS[said.role]))
            end = self._begin + round(WORD_S * RATE_HZ) * len(said.words.split())
            if end > block.end:
                return
            self._say(said, self._begin, end)
            self._begin, self._last_end = None, end
            self._next += 1

    def _due(self, said: ScriptLine, block: Block) -> int | None:
        """The sample at which `said` begins, if the end of this block is enough to tell."""
        wait = round(said.time_s * RATE_HZ)
        earliest = max(block.at, self._last_end)
        if said.when == "at":
            return max(wait, earliest)
        if said.when == "after":
            return None if self._coach.sounds else max(max(self._coach.quiet, self._last_end) + wait, earliest)
        begin = self._coach.begin
        if begin is None or begin < self._last_end or not self._coach.sounds:
            return None
        return max(begin + wait, earliest)

    def _say(self, said: ScriptLine, begin: int, end: int) -> None:
        channel = CHANNELS[said.role]
        near = said.near if said.near in self._live else None
        command = None if said.near else match(self._grammar, said.words, self._live)
        self._events.append(SpeechEnded(end, channel=channel))
        self._events.append(
            Heard(
                end,
                command=command,
                phrase=said.words,
                begin=begin,
                end=end,
                channel=channel,
                role=said.role,
                source="typed",
                engine=self.engine,
                near=near,
            )
        )

    def poll(self) -> list[Event]:
        """Events found since the last call, by time."""
        found, self._events = self._events, []
        return found

    def restart(self) -> None:
        """Nothing can die here."""

    def close(self) -> None:
        """Nothing is held."""
