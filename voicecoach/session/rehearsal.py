"""A session in which nothing goes wrong, played ahead: every sentence in order, and what is awaited. Pure.

A unit approves a protocol by this list; the counts of answers and sentences come from it too.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from voicecoach.protocol.model import Step
from voicecoach.protocol.navigation.position import step_at
from voicecoach.session.effects import CancelTimer, Effect, Say, SetTimer
from voicecoach.session.events import CLOCK_HZ, Event, Heard, Opened, PromptEnded, Role, TimerFired
from voicecoach.session.interpret.live_commands import signs
from voicecoach.session.machine import Machine
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState
from voicecoach.session.vocabulary import ASKED_OF_OBSERVER, REPLIES

MOST_EVENTS = 3_000
"""A safety bound: a session that is not over by then is stuck, and the rehearsal says where."""
SAY_S = 2.0
_WITHOUT_TROUBLE = {"mirror": "yes", "removal-area": "yes", "end": "yes", "all-right": "yes", "all-clear": "confirm"}
_ROLES: dict[str, Role] = {"wearer": "wearer", "observer": "observer", "assistant": "assistant"}
_PASSING = ("rub",)
"""Timers that run out while nothing goes wrong."""


@dataclass(frozen=True, slots=True)
class RehearsedLine:
    """One utterance. who: 'coach' or a role. step: the step it belongs to; '' for one of the coach's own questions.

    others: for an answer, what else could be said there, as (command, where it leads). matters: see Step.
    """

    who: str
    text: str
    stage: str
    step: str = ""
    others: tuple[tuple[str, str], ...] = ()
    matters: bool = False


def rehearse(
    setup: Setup, mode: Literal["solo", "pair"], *, leave_out: bool = False, acknowledge: bool = False
) -> tuple[RehearsedLine, ...]:
    """Play the session from the first prompt until the record is closed.

    Args:
        setup: protocol, grammar and site. mode: with or without an observer. leave_out: skip what may be skipped.
        acknowledge: the wearer says 'understood' where that may be said.
    """
    play = _Play(setup, mode, leave_out=leave_out, acknowledge=acknowledge)
    while play.state.status not in {"closed", "abandoned"}:
        play.go_on()
        if play.events > MOST_EVENTS:
            break
    return tuple(play.lines)


def waits(setup: Setup, mode: Literal["solo", "pair"]) -> Iterator[tuple[SessionState, str]]:
    """The states of that session in which somebody is awaited, each with the coach's last words."""
    play = _Play(setup, mode, leave_out=False, acknowledge=True)
    while play.state.status not in {"closed", "abandoned"} and play.events <= MOST_EVENTS:
        if not play.state.speech:
            yield play.state, next((line.text for line in reversed(play.lines) if line.who == "coach"), "")
        play.go_on()


def answers(lines: tuple[RehearsedLine, ...]) -> int:
    """How many answers people give."""
    return sum(line.who != "coach" for line in lines)


def sentences(lines: tuple[RehearsedLine, ...]) -> int:
    """How many sentences the coach says, counted by full stops and question marks."""
    return sum(len(re.findall(r"[.?!](?=\s|$)", line.text)) for line in lines if line.who == "coach")


def spoken_form(setup: Setup, command: str) -> str:
    """What a person is expected to say for a command; a piece by the protocol's name for it."""
    known = setup.grammar.command(command)
    if known is None:
        return command
    labels = {item.label for item in setup.protocol.items if item.say == command.rpartition("-")[0]}
    own = (phrase for phrase in known.phrases if any(phrase.startswith(f"{label} ") for label in labels))
    return next(own, known.phrases[0])


class _Play:
    """The session so far."""

    def __init__(self, setup: Setup, mode: Literal["solo", "pair"], *, leave_out: bool, acknowledge: bool) -> None:
        self.setup = setup
        self.machine = Machine(setup)
        self.state: SessionState = self.machine.start()
        self.leave_out, self.acknowledge = leave_out, acknowledge
        self.at = 0
        self.events = 0
        self.due: dict[str, int] = {}
        self.lines: list[RehearsedLine] = []
        self._happens(Opened(0, mode=mode, ear="typed", audio="clips", training_only=True, independent=True))

    def go_on(self) -> None:
        """Do what comes next: a prompt or a time runs out, or somebody answers."""
        state, step = self.state, self._step()
        if state.speech:
            self.at += round(SAY_S * CLOCK_HZ)
            self._happens(PromptEnded(self.at, state.speech[0].prompt, SAY_S, complete=True))
        elif (timer := next((name for name in _PASSING if name in self.due), "")) and state.status != "confirming":
            self.at = max(self.at, self.due.pop(timer))
            self._happens(TimerFired(self.at, timer))
        elif state.status == "awaiting" and step is not None and step.quiet_s:
            self._hear(signs(self.setup, state)[-1], "wearer")
        elif state.status == "working":
            self._hear("start-removal", "observer" if state.mode == "pair" else "wearer")
        elif state.status == "asking":
            role: Role = "observer" if state.question in ASKED_OF_OBSERVER and state.mode == "pair" else "wearer"
            known = REPLIES.get(state.question, (state.about,))  # the voice check asks for one word
            reply = _WITHOUT_TROUBLE.get(state.question) or known[0]
            self._hear(reply, role, others=tuple((other, "") for other in known if other != reply))
        elif state.status == "confirming":
            self._hear("confirm", "observer", others=(("not-clear", ""),))
        else:
            assert step is not None, state
            self._answer(step)

    def _answer(self, step: Step) -> None:
        state = self.state
        roles = tuple(_ROLES[name] for name in (step.role, *step.also))
        role = next((one for one in roles if one not in state.answered), roles[0])
        if step.optional and self.leave_out:
            self._hear("skip", role)
        elif state.status == "acknowledging" and self.acknowledge:
            self._hear("understood", role)
        elif step.timing and state.status != "drying":
            self._hear(step.timing.start, role, others=step.branches)
        else:
            more = tuple((name, "") for name in step.answers[1:])
            self._hear(step.answers[0], role, others=(*more, *step.branches), matters=step.matters)

    def _hear(
        self, command: str, role: Role, others: tuple[tuple[str, str], ...] = (), *, matters: bool = False
    ) -> None:
        step = self._step()
        name = step.name if step and self.state.status != "asking" else ""
        text, stage = spoken_form(self.setup, command), self.state.place.stage
        self.lines.append(RehearsedLine(role, text, stage, name, others, matters))
        self.at += CLOCK_HZ
        self._happens(Heard(self.at, command, command, self.at - CLOCK_HZ // 2, self.at, role=role, source="typed"))

    def _step(self) -> Step | None:
        return step_at(self.setup.protocol, self.state.place)

    def _happens(self, event: Event) -> None:
        self.events += 1
        self.state, effects = self.machine.step(self.state, event)
        for effect in effects:
            self._take(effect)

    def _take(self, effect: Effect) -> None:
        step = self._step()
        if isinstance(effect, SetTimer):
            self.due[effect.timer] = self.at + round(effect.after_s * CLOCK_HZ)
        elif isinstance(effect, CancelTimer):
            self.due.pop(effect.timer, None)
        elif isinstance(effect, Say):
            name = step.name if step and effect.text in step.words(self.state.mode) else ""
            self.lines.append(RehearsedLine("coach", effect.text, self.state.place.stage, name))
