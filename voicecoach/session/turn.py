"""One step of a session in progress: the state and the effects so far. Pure; nothing outlives the step."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from voicecoach.protocol.model import Step
from voicecoach.protocol.navigation.position import step_at
from voicecoach.session.effects import CancelTimer, Effect, Note, Say, SetTimer, StopSpeaking, Tone
from voicecoach.session.events import Event, Heard
from voicecoach.session.interpret.intent import Intent
from voicecoach.session.notes import NoteKind
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState, Speech

STEP_TIMERS = ("silence", "rub", "quiet", "pace", "near", "window", "hold", "check")
REWIND_S = 0.3
"""A prompt that was cut resumes this much before the cut (s), so that no word is lost."""


class Turn:
    """What guards examine and actions change."""

    def __init__(self, setup: Setup, state: SessionState, event: Event, intent: Intent) -> None:
        self.setup = setup
        self.state = state
        self.before = state
        self.event = event
        self.intent = intent
        self.effects: list[Effect] = []

    @property
    def step(self) -> Step | None:
        """The step at the state's place."""
        return step_at(self.setup.protocol, self.state.place)

    @property
    def step_name(self) -> str:
        """Its name; '' if there is none."""
        return self.step.name if self.step else ""

    @property
    def speaker(self) -> str:
        """The role of whoever said what this turn is about; '' if nobody said anything."""
        return self.event.role if isinstance(self.event, Heard) else ""

    def set(self, **changes: Any) -> None:
        """Change fields of the state."""
        self.state = replace(self.state, **changes)

    def note(self, what: NoteKind, /, **details: object) -> None:
        """Put a note on record. Empty details are left out, except an empty `on`."""
        given = {key: value for key, value in details.items() if key == "on" or value not in {"", None}}
        texts = tuple((key.replace("_", "-"), str(value)) for key, value in given.items())
        self.effects.append(Note(what, texts))

    def tone(self, name: str) -> None:
        """Queue a tone."""
        self.effects.append(Tone(name))

    def say(self, *texts: str, skip_s: float = 0.0) -> None:
        """Queue prompts; empty texts are left out. skip_s: seconds to leave out at the start of the first."""
        for text in texts:
            if not text:
                continue
            number = self.state.prompts + 1
            self.set(prompts=number, speech=(*self.state.speech, Speech(number, text, skip_s)))
            self.effects.append(Say(number, text, skip_s))
            skip_s = 0.0

    def own(self, key: str, **parts: object) -> str:
        """One of the coach's own sentences."""
        sentence = self.own_inside(key, **parts)
        return sentence[:1].upper() + sentence[1:]

    def own_inside(self, key: str, **parts: object) -> str:
        """The same as a later part of a sentence."""
        return self.setup.grammar.say(key).format(**parts)

    def aside(self, *keys: str, **parts: object) -> None:
        """Say some of the coach's own sentences; if somebody is speaking over a prompt, after that."""
        for key in keys:
            text = self.own(key, **parts)
            if not text:
                continue
            if self.state.window:
                number = self.state.prompts + 1
                self.set(prompts=number, speech=(*self.state.speech, Speech(number, text)))
            else:
                self.say(text)

    def hush(self) -> None:
        """Stop what sounds, and stop waiting for a voice to end."""
        if self.state.speech:
            self.effects.append(StopSpeaking())
            self.set(speech=())
        self.cancel("window")

    def speak_on(self) -> None:
        """Resume what was cut, from just before the cut."""
        left = self.state.speech
        self.set(speech=())
        for one in left:
            self.say(one.text, skip_s=max(0.0, one.skip_s - REWIND_S))

    def timer(self, name: str, after_s: float) -> None:
        """Set a timer."""
        self.effects.append(SetTimer(name, after_s))
        self.set(timers=(*(t for t in self.state.timers if t != name), name))

    def cancel(self, *names: str) -> None:
        """Cancel those of these timers that are running."""
        for name in names:
            if name in self.state.timers:
                self.effects.append(CancelTimer(name))
                self.set(timers=tuple(t for t in self.state.timers if t != name))
