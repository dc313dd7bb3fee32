"""The session as a pure machine: `step(state, event)` returns the next state and the effects. No clock, no sound."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import replace
from typing import cast

from transitions import EventData
from transitions import Machine as TransitionTable

from voicecoach.protocol.ledger import Ledger
from voicecoach.protocol.place import Place
from voicecoach.session.actions.by_name import ACTIONS
from voicecoach.session.effects import Effect, Listen, StopSpeaking
from voicecoach.session.events import Event, Heard, PromptEnded, TimerFired
from voicecoach.session.guards import GUARDS
from voicecoach.session.interpret.dispatch import answered_late, came_back, interpret, introduction_read, read_ahead
from voicecoach.session.interpret.intent import NOTHING, UNCLEAR, Intent
from voicecoach.session.interpret.live_commands import live
from voicecoach.session.notes import NoteKind
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState
from voicecoach.session.table import STATES, TABLE, Row
from voicecoach.session.turn import Turn


class _StatusHolder:
    """What `transitions` moves, for one step only: from one status of a SessionState to the next."""

    def __init__(self, state: str) -> None:
        self.state = state


@functools.cache
def _machine() -> TransitionTable:
    """The table as a state machine. It keeps nothing of a session, so that all sessions share it."""
    built = TransitionTable(model=None, states=list(STATES), initial="opening", auto_transitions=False, send_event=True)
    for row in TABLE:
        _add(built, row)
    return built


def _add(built: TransitionTable, row: Row) -> None:
    def meets(guard: Callable[[Turn], bool]) -> Callable[..., bool]:
        return lambda data: guard(_turn(data))

    def done(data: EventData) -> None:
        turn = _turn(data)
        turn.set(status=cast(_StatusHolder, data.model).state)
        for action in row.actions:
            ACTIONS[action](turn)

    conditions: list[str | Callable[..., bool | None]] = [meets(GUARDS[guard]) for guard in row.guards]
    built.add_transition(row.trigger, list(row.sources), row.target, conditions=conditions, after=done)


def _turn(data: EventData) -> Turn:
    """The turn passed with the trigger."""
    (turn,) = cast(tuple[Turn], data.args)
    return turn


class Machine:
    """Steps a session.

    Args:
        setup: protocol, grammar and site, which do not change during a session.
    """

    def __init__(self, setup: Setup) -> None:
        self.setup = setup

    def start(self) -> SessionState:
        """The state before the first event."""
        ledger = Ledger(tuple((item.name, "never") for item in self.setup.protocol.items))
        return SessionState("opening", Place("prepare", -1), ledger)

    def step(self, state: SessionState, event: Event) -> tuple[SessionState, tuple[Effect, ...]]:
        """Act on one event. Any event may come in any state; if it means nothing there, nothing changes."""
        if introduction_read(self.setup, state, event):
            last = state.speech[-1:]
            ended = PromptEnded(event.at, last[0].prompt, 0.0, complete=False)
            begun, first = self.step(replace(state, speech=last), ended)
            after, then = self.step(begun, event)
            return after, (StopSpeaking(), *first, *then)
        before = replace(state, at=max(state.at, event.at))
        state = self._met(before, event)
        found = self._intent(before, state, event)
        if isinstance(event, TimerFired):
            state = replace(state, timers=tuple(name for name in state.timers if name != event.timer))
        turn = Turn(self.setup, state, event, found)
        if before.speech and not state.speech and isinstance(event, Heard):
            turn.effects.append(StopSpeaking())  # a typed word answered what is on the screen
        if before.left_alone and not state.left_alone:
            turn.note(NoteKind.DEVIATION, what="a second person is back")
            turn.tone("taken")
            if isinstance(event, Heard) and event.command == "observer-here":
                turn.aside("noted")
        if found.trigger and not (before.left_alone and not state.left_alone and found == UNCLEAR):
            trigger = _machine().events[found.trigger]
            if state.status in trigger.transitions:
                trigger.trigger(_StatusHolder(state.status), turn)
        wanted = live(self.setup, turn.state)
        if wanted != turn.state.listening:
            turn.set(listening=wanted)
            turn.effects.append(Listen(wanted))
        return turn.state, tuple(turn.effects)

    def turn(self, state: SessionState, event: Event) -> Turn:
        """The turn that the guards would examine if this event came now; nothing is done."""
        met = self._met(state, event)
        return Turn(self.setup, met, event, self._intent(state, met, event))

    def _met(self, state: SessionState, event: Event) -> SessionState:
        """The state that an event meets: what it ends or brings back by itself is taken into account."""
        ended = read_ahead(self.setup, _drained(state, event), event)
        return answered_late(self.setup, came_back(ended, event), event)

    def _intent(self, before: SessionState, state: SessionState, event: Event) -> Intent:
        """The intent of an event; the end of a prompt means something only when nothing more is to be said."""
        if isinstance(event, PromptEnded) and not (before.speech and not state.speech):
            return NOTHING
        return interpret(self.setup, state, event)


def _drained(state: SessionState, event: Event) -> SessionState:
    """The state after a prompt ended: without that prompt, or with how much of it was heard."""
    if not isinstance(event, PromptEnded):
        return state
    if not state.window:
        return replace(state, speech=tuple(one for one in state.speech if one.prompt > event.prompt))
    if event.complete:
        return replace(state, speech=tuple(one for one in state.speech if one.prompt != event.prompt))
    heard_s = max(0.0, event.played_s)
    cut = (replace(s, skip_s=s.skip_s + heard_s) if s.prompt == event.prompt else s for s in state.speech)
    return replace(state, speech=tuple(cut))
