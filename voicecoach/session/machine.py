"""The session as a pure machine: `step(state, event)` gives the next state and the effects. No clock, no sound."""

from __future__ import annotations

from dataclasses import replace

from transitions import Machine as TransitionTable

from voicecoach.protocol.ledger import Ledger
from voicecoach.protocol.place import Place
from voicecoach.session.actions.registry import ACTIONS
from voicecoach.session.effects import Effect, Listen
from voicecoach.session.events import Event, PromptEnded, TimerFired
from voicecoach.session.guards import GUARDS
from voicecoach.session.interpret.dispatch import interpret
from voicecoach.session.interpret.intent import NOTHING, Intent
from voicecoach.session.interpret.live import live
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState
from voicecoach.session.table import STATES, TABLE, Row
from voicecoach.session.turn import Turn


class _Model:
    """What `transitions` moves. A throw-away: its state is set from a SessionState before each trigger."""

    state: str


class Machine:
    """Steps a session by its setup.

    Args:
        setup: protocol, grammar and site. They do not change while a session lasts.
    """

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self._model = _Model()
        self._table = TransitionTable(
            model=self._model, states=list(STATES), initial="opening", auto_transitions=False, model_override=False
        )
        for row in TABLE:
            self._add(row)

    def start(self) -> SessionState:
        """The state before the first event."""
        ledger = Ledger(tuple((item.name, "never") for item in self.setup.protocol.items))
        return SessionState("opening", Place("prepare", -1), ledger)

    def step(self, state: SessionState, event: Event) -> tuple[SessionState, tuple[Effect, ...]]:
        """Act on one event. Any event is possible in any state; one that means nothing changes nothing."""
        before = replace(state, at=max(state.at, event.at))
        state = _drained(before, event)
        found = self._meaning(before, state, event)
        if isinstance(event, TimerFired):
            state = replace(state, timers=tuple(name for name in state.timers if name != event.timer))
        turn = Turn(self.setup, state, event, found)
        if found.trigger:
            self._model.state = state.status
            if found.trigger in self._table.get_triggers(state.status):
                getattr(self._model, found.trigger)(turn)
        wanted = live(self.setup, turn.state)
        if wanted != turn.state.listening:
            turn.set(listening=wanted)
            turn.effects.append(Listen(wanted))
        return turn.state, tuple(turn.effects)

    def fitting(self, state: SessionState, event: Event) -> tuple[Row, ...]:
        """The rows of the table that fit; tests show that there is at most one."""
        drained = _drained(state, event)
        turn = Turn(self.setup, drained, event, self._meaning(state, drained, event))
        return tuple(
            row
            for row in TABLE
            if row.trigger == turn.intent.trigger
            and state.status in row.sources
            and all(GUARDS[guard](turn) for guard in row.guards)
        )

    def _meaning(self, before: SessionState, state: SessionState, event: Event) -> Intent:
        """Only the prompt that leaves nothing more to be said means something."""
        if isinstance(event, PromptEnded) and not (before.speech and not state.speech):
            return NOTHING
        return interpret(self.setup, state, event)

    def _add(self, row: Row) -> None:
        def done(turn: Turn) -> None:
            turn.set(status=self._model.state)
            for action in row.actions:
                ACTIONS[action](turn)

        self._table.add_transition(
            row.trigger,
            list(row.sources),
            "=" if row.target == "=" else row.target,
            conditions=[GUARDS[guard] for guard in row.guards],
            after=done,
        )


def _drained(state: SessionState, event: Event) -> SessionState:
    """The state with a prompt that ended taken off what still sounds, or marked with how much of it was heard."""
    if not isinstance(event, PromptEnded):
        return state
    if not state.window:
        return replace(state, speech=tuple(one for one in state.speech if one.prompt > event.prompt))
    if event.complete:
        return replace(state, speech=tuple(one for one in state.speech if one.prompt != event.prompt))
    heard_s = max(0.0, event.played_s)
    cut = (replace(s, skip_s=s.skip_s + heard_s) if s.prompt == event.prompt else s for s in state.speech)
    return replace(state, speech=tuple(cut))
