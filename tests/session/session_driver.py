"""A session driven by hand: words, times and prompts that run out, on a clock that the test owns."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Literal

from timers import RunningTimers

from voicecoach.grammar import Grammar, parse
from voicecoach.protocol.navigation.position import step_at, steps_named
from voicecoach.protocol.site import NO_SITE, Site
from voicecoach.runtime import library
from voicecoach.session.effects import Effect, Note, Say, SetTimer
from voicecoach.session.events import CLOCK_HZ, Event, Heard, Opened, PromptEnded, Role, SpeechStarted, TimerFired
from voicecoach.session.machine import Machine
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState

ROOT = Path(__file__).parents[2]
SAY_S = 1.5
"""How long every prompt lasts here."""


@cache
def grammar() -> Grammar:
    return parse((ROOT / "grammars/en.yaml").read_text(encoding="utf-8"), "en.yaml")


@cache
def setup(name: str = "short-practice", site: Site = NO_SITE) -> Setup:
    return Setup(library.load_protocol(name)[0], grammar(), site)


def copies(name: str = "short-practice") -> dict[str, bytes]:
    """The files that a record of a session on this protocol holds."""
    return {
        "protocol.yaml": library.load_protocol(name)[1].encode(),
        "grammar.yaml": (ROOT / "grammars/en.yaml").read_bytes(),
    }


def text(step: str, protocol: str = "short-practice") -> str:
    """The prompt of a step."""
    return steps_named(setup(protocol).protocol)[step].say


class Session:
    """One session: what is said to it, what it says, and what it puts on record."""

    def __init__(
        self,
        the_setup: Setup,
        mode: Literal["solo", "pair"] = "solo",
        *,
        independent: bool = False,
        first: Event | None = None,
    ) -> None:
        self.setup = the_setup
        self.machine = Machine(the_setup)
        self.state: SessionState = self.machine.start()
        self.at = 0
        self.due = RunningTimers()
        self.fresh: list[Effect] = []
        self.made: list[Effect] = []
        self.notes: list[Note] = []
        self.events: list[Event] = []
        self.waited_s: dict[int, float] = {}
        """Number of an event -> how long the timer that fired then had run."""
        self._lengths_s: dict[str, float] = {}
        self.mode = mode
        opened = Opened(0, mode=mode, ear="typed", audio="clips", training_only=True, independent=independent)
        self.happens(opened if first is None else first)

    def happens(self, event: Event) -> list[Effect]:
        """Step, and keep the timers."""
        self.at = max(self.at, event.at)
        if isinstance(event, TimerFired):
            self.due.pop(event.timer, None)
            self.waited_s[len(self.events)] = self._lengths_s.get(event.timer, 0.0)
        self.events.append(event)
        self.state, effects = self.machine.step(self.state, event)
        self.fresh = list(effects)
        self.made += effects
        for effect in effects:
            self.due.take(effect, self.at)
            if isinstance(effect, SetTimer):
                self._lengths_s[effect.timer] = effect.after_s
            elif isinstance(effect, Note):
                self.notes.append(effect)
        assert set(self.state.timers) == set(self.due)
        return self.fresh

    def said_out(self) -> None:
        """Let every prompt run out."""
        while self.state.speech:
            prompt = self.state.speech[0].prompt
            self.pass_s(SAY_S, timers=False)
            self.happens(PromptEnded(self.at, prompt, SAY_S, complete=True))

    def pass_s(self, seconds: float, *, timers: bool = True) -> None:
        """Let time pass; timers fire and prompts run out on their way."""
        end = self.at + round(seconds * CLOCK_HZ)
        while timers and self.due:
            name, due = self.due.first()
            if due > end:
                break
            self.at = max(self.at, due)
            self.happens(TimerFired(self.at, name))
            self.said_out()
        self.at = max(self.at, end)

    def hear(
        self, *commands: str | None, role: Role = "wearer", near: str | None = None, quiet: bool = True
    ) -> list[Effect]:
        """Say words, each answered to its end; the effects of the last."""
        made: list[Effect] = []
        for command in commands:
            self.at += CLOCK_HZ // 2
            begin = self.at - CLOCK_HZ // 4
            made = self.happens(Heard(self.at, command, command or "", begin, self.at, role=role, near=near))
            if quiet:
                self.said_out()
        return made

    def voice(self) -> list[Effect]:
        """Somebody begins to speak."""
        self.at += CLOCK_HZ // 10
        return self.happens(SpeechStarted(self.at))

    def fire(self, timer: str) -> list[Effect]:
        """Let a timer run out now."""
        assert timer in self.due, f"{timer} does not run"
        self.at = max(self.at, self.due[timer])
        made = self.happens(TimerFired(self.at, timer))
        self.said_out()
        return made

    @property
    def step(self) -> str:
        """The name of the step that it is about."""
        found = step_at(self.setup.protocol, self.state.place)
        return found.name if found else ""

    def noted(self, what: str) -> list[dict[str, str]]:
        """The particulars of all notes of that kind."""
        return [dict(note.details) for note in self.notes if note.what == what]

    def says(self, effects: list[Effect] | None = None) -> list[str]:
        """What is said in these effects, or the last."""
        return [effect.text for effect in (self.fresh if effects is None else effects) if isinstance(effect, Say)]

    def answer_step(self) -> None:
        """Answer the step as its own role would, and the observer's part."""
        step = step_at(self.setup.protocol, self.state.place)
        assert step is not None, self.state
        roles: tuple[Role, ...] = (step.role, *step.also)  # type: ignore[assignment]
        if step.quiet_s:
            self.hear("done")
            return
        if self.state.status == "acknowledging":
            self.hear("understood", role=roles[0])
        if step.timing and self.state.status != "drying":
            self.hear(step.timing.start, role=roles[0])
            self.fire("rub")
        for role in roles if self.mode == "pair" else roles[:1]:
            self.hear(step.answers[0], role=role)
        if self.state.status == "confirming" and self.step == step.name:
            self.hear("confirm", role="observer")

    def go_to(self, name: str) -> None:
        """Go through the session as written, up to the step of that name, which is then asked."""
        for _ in range(200):
            if self.step == name and self.state.status in {"awaiting", "acknowledging"}:
                return
            self.go_one()
        raise AssertionError(f"{name} was not reached")

    def go_one(self) -> None:
        """One answer of the session as written."""
        state = self.state
        replies = {"reason": "practice-run", "mirror": "yes", "removal-area": "yes", "end": "yes"}
        if state.status == "opening":
            self.said_out()
        elif state.status == "working":
            self.hear("start-removal")
        elif state.status == "asking" and state.question == "all-clear":
            self.hear("confirm", role="observer")
        elif state.status == "asking":
            self.hear(replies[state.question])
        else:
            self.answer_step()

    def go_to_work(self) -> None:
        """Go to the work stage."""
        for _ in range(100):
            if self.state.status == "working":
                return
            self.go_one()
        raise AssertionError("work was not reached")

    def go_to_end(self) -> None:
        """Go on to the very end."""
        for _ in range(200):
            if self.state.status in {"closed", "abandoned"}:
                return
            self.go_one()
        raise AssertionError("the end was not reached")
