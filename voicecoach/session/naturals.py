"""What happens when people answer in their own words, at each place where somebody is awaited (rule 32). Pure.

The places are found by a walk that says each live word once, and nothing, at every place.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from voicecoach.grammar import match
from voicecoach.protocol.model import STAGES
from voicecoach.protocol.navigation.position import step_at
from voicecoach.session.effects import Effect, Say, StopSpeaking, Tone
from voicecoach.session.events import CLOCK_HZ, Event, Heard, PromptEnded, Role, TimerFired
from voicecoach.session.machine import Machine
from voicecoach.session.rehearsal import waits
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState
from voicecoach.session.vocabulary import ASKED_OF_OBSERVER

SAID = (
    "yes", "no", "i don't know", "not yet", "not finished", "done", "all clear", "nothing missing", "no leak",
    "it is off", "still on", "i can't", "repeat", "help",
)  # fmt: skip
"""What somebody may say who does not have the closed vocabulary in mind; common practice, no source."""
SILENCE = "(silence)"
WAITS = ("acknowledging", "awaiting", "drying", "confirming", "asking", "frozen", "paused")
NOTHING = "nothing happens"
_LEFT_ALONE = frozenset({"time", "where-am-i", "help", "no-audio", "repeat"})
"""Words that do not change the place."""
_OUT_OF_TURN = ("silence", "rub", "quiet", "hold", "near")
_MOST_PLACES = 900
_RUNGS = 3
"""The prompt again, a word to the observer where another is silent, and 'Are you all right?'."""


@dataclass(frozen=True, slots=True)
class Wait:
    """A place where somebody is awaited. asked: the coach's last words. role: who has to answer."""

    name: str
    asked: str
    role: str
    outcomes: tuple[tuple[str, str], ...]


def table(setup: Setup, mode: Literal["solo", "pair"]) -> tuple[Wait, ...]:
    """Every such place, in the order of a session, with what each of `SAID` and silence leads to."""
    walk = _Reach(setup, mode)
    return tuple(
        Wait(_name(setup, state), state_asked, _awaited(setup, state), walk.outcomes(state))
        for state, state_asked in walk.places()
    )


def text(setup: Setup, mode: Literal["solo", "pair"]) -> str:
    """The table for people; answers with one outcome stand together."""
    people = "in a pair" if mode == "pair" else "alone"
    lines = [setup.protocol.title, f"What happens to what people say, {people}."]
    for wait in table(setup, mode):
        lines += ["", f'{wait.name}, {wait.role}: "{wait.asked}"']
        alike: dict[str, list[str]] = {}
        for said, outcome in wait.outcomes:
            alike.setdefault(outcome, []).append(said)
        lines += [f"    {', '.join(said)}: {outcome}" for outcome, said in alike.items()]
    return "\n".join(lines)


class _Reach:
    """Every place that words, time and silence lead to."""

    def __init__(self, setup: Setup, mode: Literal["solo", "pair"]) -> None:
        self.setup = setup
        self.machine = Machine(setup)
        self.mode = mode

    def places(self) -> list[tuple[SessionState, str]]:
        found: dict[tuple[str, ...], tuple[SessionState, str]] = {}
        waiting = deque(waits(self.setup, self.mode))
        while waiting and len(found) < _MOST_PLACES:
            state, asked = waiting.popleft()
            if _key(self.setup, state) in found:
                continue
            found[_key(self.setup, state)] = (state, asked)
            for there, said in self._next(state):
                if there.status not in {"closed", "abandoned"} and _key(self.setup, there) not in found:
                    waiting.append((there, said or asked))
        places = [(state, asked) for state, asked in found.values() if state.status in WAITS]
        return sorted(places, key=lambda pair: (STAGES.index(pair[0].place.stage), pair[0].place.step))

    def _next(self, state: SessionState) -> Iterator[tuple[SessionState, str]]:
        """Where words and times lead from there, each with the coach's last words; silence rung by rung."""
        for event in self._events(state):
            there, said, _ = self._after(state, event)
            yield there, said
        there = state
        for _ in range(_RUNGS):
            if "silence" not in there.timers:
                return
            there, said, _ = self._after(there, TimerFired(there.at + 60 * CLOCK_HZ, "silence"))
            yield there, said

    def outcomes(self, state: SessionState) -> tuple[tuple[str, str], ...]:
        """What each of `SAID`, and silence, leads to here."""
        rows = [(said, self._outcome(state, self._heard(state, said))) for said in SAID]
        timer = next((name for name in _OUT_OF_TURN if name in state.timers), "")
        silent = self._outcome(state, TimerFired(state.at + 60 * CLOCK_HZ, timer)) if timer else NOTHING
        return (*rows, (SILENCE, silent))

    def _events(self, state: SessionState) -> Iterator[Event]:
        at = state.at + CLOCK_HZ
        for command in state.listening:
            if command not in _LEFT_ALONE:
                yield Heard(at, command, command, at - 100, at, role=_role(self.setup, state), source="typed")
        for timer in _OUT_OF_TURN:
            if timer in state.timers:
                yield TimerFired(at + 60 * CLOCK_HZ, timer)

    def _heard(self, state: SessionState, said: str) -> Heard:
        at = state.at + CLOCK_HZ
        command = match(self.setup.grammar, said, state.listening)
        return Heard(at, command, said, at - 100, at, role=_role(self.setup, state), source="typed")

    def _after(self, state: SessionState, event: Event) -> tuple[SessionState, str, tuple[Effect, ...]]:
        """The state once all prompts have ended, the last words, and the event's own effects."""
        state, effects = self.machine.step(state, event)
        asked = ""
        for _ in range(40):
            if not state.speech:
                break
            asked = state.speech[0].text
            ended = PromptEnded(state.at + CLOCK_HZ, state.speech[0].prompt, 1.0, complete=True)
            state, _ = self.machine.step(state, ended)
        return state, asked, effects

    def _outcome(self, state: SessionState, event: Event) -> str:
        there, _, effects = self._after(state, event)
        said = [effect.text for effect in effects if isinstance(effect, Say)]
        words = f'"{said[-1] if len(said) < 2 else " ".join(said[:2])}"' if said else ""
        if there.status in {"closed", "abandoned"}:
            return "the record is closed"
        if there.status == "breached":
            return f"danger: {words}"
        if _key(self.setup, there) != _key(self.setup, state):
            return f"goes to {_name(self.setup, there)}: {words}" if words else f"goes to {_name(self.setup, there)}"
        if words:
            return f"stays, and says {words}"
        heard = [effect.tone for effect in effects if isinstance(effect, Tone)]
        stopped = any(isinstance(effect, StopSpeaking) for effect in effects)
        return f"stays, with a sound ({heard[0]})" if heard else "silence" if stopped else NOTHING


def _role(setup: Setup, state: SessionState) -> Role:
    wanted = _awaited(setup, state)
    roles: dict[str, Role] = {"observer": "observer", "assistant": "assistant"}
    return roles.get(wanted, "wearer")


def _awaited(setup: Setup, state: SessionState) -> str:
    if state.mode == "pair" and (state.status == "confirming" or state.question in ASKED_OF_OBSERVER):
        return "observer"
    step = step_at(setup.protocol, state.place)
    if state.question or step is None or state.mode == "solo":
        return "wearer"
    return next((role for role in (step.role, *step.also) if role not in state.answered), step.role)


def _name(setup: Setup, state: SessionState) -> str:
    step = step_at(setup.protocol, state.place)
    place = step.name if step is not None else state.place.stage
    kind = {"drying": "wet", "confirming": "observer's word", "frozen": "everything stopped", "paused": "pause"}
    if state.question:
        return f"question '{state.question}'"
    return f"{place} ({kind[state.status]})" if state.status in kind else place


def _key(setup: Setup, state: SessionState) -> tuple[str, ...]:
    """Places that a person cannot tell apart have one key; questions and stops are visited once a stage."""
    if state.question or state.status in {"frozen", "paused"}:
        return (state.status, state.question, state.place.stage, str(bool(state.ledger.on())))
    step = step_at(setup.protocol, state.place)
    return (state.status, step.name if step is not None else state.place.stage, ",".join(state.answered))
