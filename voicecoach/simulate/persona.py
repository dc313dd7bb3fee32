"""The people in the simulated room: they hear the coach's prompts and speak when they choose."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.speak.voice import render_text, render_texts

REPLY_S = 1.5
"""How long somebody who yields waits after another's words, so that the coach can reply (s)."""
AGAIN = "<again>"
"""As a reaction's words: repeat the words last said on its channel."""


@dataclass(frozen=True, slots=True)
class SoundBegan:
    """A sound of the coach began at sample `at`."""

    prompt: int
    text: str
    at: int


@dataclass(frozen=True, slots=True)
class SoundEnded:
    """A sound of the coach stopped at sample `at`. complete: it was not cut off."""

    prompt: int
    text: str
    at: int
    complete: bool


@dataclass(frozen=True, slots=True)
class SpokenLine:
    """Words to be said. at: sample at which they begin. meant: their command, None for chatter.

    samples: shape (frames,). channel: the nearest microphone. gain_db: relative to usual loudness.
    """

    text: str
    at: int
    samples: Samples
    meant: str | None = None
    channel: int = 0
    gain_db: float = 0.0


class Persona(Protocol):
    """Everybody in the room."""

    def hear(self, until: int, news: Sequence[SoundBegan | SoundEnded]) -> list[SpokenLine]:
        """What is said until sample `until`, given what happened since the last call."""


@dataclass(frozen=True, slots=True)
class Reaction:
    """Says something when something is heard.

    Args:
        hears: regular expression to find in the text of a sound, ignoring case; sounds without text are ignored.
            says: the words; '' keeps silent, AGAIN repeats.
            meant: the command that the words stand for; None for chatter that should be ignored.
            wait_s: seconds after the prompt's end, drawn between the two.
            over_s: if given, seconds after the prompt's beginning instead, so that it is spoken over.
            nth: only the n-th time it applies, counted from 1; 0 for every time.
            also: spoken in addition to other reactions; otherwise only the first that applies is.
            yields: waits until neither the coach nor anybody else is speaking or about to.
            channel: who says it. gain_db: how much louder than usual.
    """

    hears: str
    says: str
    meant: str | None = None
    wait_s: tuple[float, float] = (0.5, 1.2)
    over_s: float | None = None
    nth: int = 0
    also: bool = False
    yields: bool = False
    channel: int = 0
    gain_db: float = 0.0


@dataclass(slots=True)
class _Plan:
    reaction: Reaction
    at: int


@dataclass
class ScriptedPersona:
    """Follows its reactions, and waits politely: an answer that is not meant to be spoken over a prompt is held back
    while one sounds, and dropped if the next prompt has an answer of its own. Prompts that were cut off are not
    answered.

    Args:
        reactions: in order of precedence.
        rng: draws the waiting times.
        voices: eSpeak voice by channel. speak: renders text in a voice.
        rates_wpm: words a minute by channel; 140 where none is given.
    """

    reactions: Sequence[Reaction]
    rng: np.random.Generator
    voices: Mapping[int, str] = field(default_factory=lambda: {0: "en-gb", 1: "en-us+f3", 2: "en-gb-scotland"})
    rates_wpm: Mapping[int, int] = field(default_factory=dict)
    speak: Callable[..., Samples] = render_text

    def __post_init__(self) -> None:
        strangers = {reaction.channel for reaction in self.reactions} - set(self.voices)
        if strangers:
            raise ValueError(f"no voice for channels {sorted(strangers)}")
        self._turns = [0] * len(self.reactions)
        self._plans: list[_Plan] = []
        self._last: dict[int, Reaction] = {}
        self._sounding = False
        self._free_from = 0

    def prepare(self) -> None:
        """Render everything ahead, so that nothing has to be rendered in real time."""
        for channel, voice in self.voices.items():
            texts = [
                reaction.says
                for reaction in self.reactions
                if reaction.channel == channel and reaction.says not in {"", AGAIN}
            ]
            if texts:
                render_texts(texts, voice=voice, rate_wpm=self.rates_wpm.get(channel, 140))

    def hear(self, until: int, news: Sequence[SoundBegan | SoundEnded]) -> list[SpokenLine]:
        """What is said until sample `until`."""
        for event in news:
            self._sounding = isinstance(event, SoundBegan)
            if event.text and (isinstance(event, SoundBegan) or event.complete):
                self._react(event)
        said: list[SpokenLine] = []
        for plan in [plan for plan in self._plans if plan.at < until]:
            if self._may_speak(plan, until):
                self._plans.remove(plan)
                said.append(self._say(plan))
            elif plan.reaction.yields:
                plan.at = until
        return said

    def _may_speak(self, plan: _Plan, until: int) -> bool:
        if plan.reaction.yields:
            end = until + len(self._voiced(plan.reaction)) + round(REPLY_S * RATE_HZ)
            answers = any(other.at < end for other in self._plans if not other.reaction.also)
            return not (self._sounding or answers or until < self._free_from)
        return self._blunt(plan.reaction) or not self._sounding

    @staticmethod
    def _blunt(reaction: Reaction) -> bool:
        return reaction.over_s is not None or reaction.also

    def _react(self, event: SoundBegan | SoundEnded) -> None:
        began = isinstance(event, SoundBegan)
        answered = False
        for number, reaction in enumerate(self.reactions):
            if (reaction.over_s is not None) != began or not re.search(reaction.hears, event.text, re.IGNORECASE):
                continue
            if answered and not reaction.also:
                continue
            self._turns[number] += 1
            if reaction.nth and self._turns[number] != reaction.nth:
                continue
            if not reaction.also and not began:
                answered = True
                self._plans = [plan for plan in self._plans if self._blunt(plan.reaction)]
            if reaction.says and (reaction.says != AGAIN or reaction.channel in self._last):
                wait_s = self.rng.uniform(*reaction.wait_s) if reaction.over_s is None else reaction.over_s
                self._plans.append(_Plan(reaction, event.at + round(wait_s * RATE_HZ)))
            answered = answered or not reaction.also
        if isinstance(event, SoundEnded) and not answered:
            for plan in self._plans:  # answers that were held back wait again from here
                if not self._blunt(plan.reaction) and plan.at < event.at:
                    plan.at = event.at + round(self.rng.uniform(*plan.reaction.wait_s) * RATE_HZ)

    def _say(self, plan: _Plan) -> SpokenLine:
        reaction = plan.reaction
        words = self._last[reaction.channel] if reaction.says == AGAIN else reaction
        if words.meant:
            self._last[reaction.channel] = words
        samples = self._voiced(words)
        self._free_from = max(self._free_from, plan.at + len(samples) + round(REPLY_S * RATE_HZ))
        return SpokenLine(words.says, plan.at, samples, words.meant, reaction.channel, reaction.gain_db)

    def _voiced(self, reaction: Reaction) -> Samples:
        return self.speak(
            reaction.says, voice=self.voices[reaction.channel], rate_wpm=self.rates_wpm.get(reaction.channel, 140)
        )
