"""A session in which anything may happen, and the laws that hold at every step of it."""

from __future__ import annotations

from functools import cache
from typing import Literal

from session_driver import setup
from timers import RunningTimers

from voicecoach.protocol.model import DANGERS, STAGES, Step
from voicecoach.protocol.navigation.position import changing, step_at, steps_named
from voicecoach.protocol.place import Place
from voicecoach.protocol.site import Site
from voicecoach.session.effects import Effect, Listen, Note, Say, SetTimer, StopSpeaking
from voicecoach.session.events import CLOCK_HZ, Event, Heard, Opened, PromptEnded, TimerFired
from voicecoach.session.guards import GUARDS
from voicecoach.session.interpret.live_commands import live, words_to_try
from voicecoach.session.machine import Machine
from voicecoach.session.notes import NoteKind
from voicecoach.session.prompts import every_prompt
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState
from voicecoach.session.table import TABLE, Row

DIRTY = {"gown", "coverall", "apron", "boots", "boot-covers", "hood", "shield", "goggles", "hose", "belt"}
"""Pieces whose outside has met the patient's room."""
CLOSED = {"closed", "abandoned"}
SITE = Site(name="a ward", eyewash="The eyewash stands left of the exit.", tell="Call the desk.")
"""Its words name places that only clean, bare hands may go to."""


def fitting(machine: Machine, state: SessionState, event: Event) -> list[Row]:
    """The rows of the table that fit, selected here by the table's own words: at most one may."""
    turn = machine.turn(state, event)
    return [
        row
        for row in TABLE
        if row.trigger == turn.intent.trigger
        and turn.state.status in row.sources
        and all(GUARDS[guard](turn) for guard in row.guards)
    ]


@cache
def sayable(name: str) -> frozenset[str]:
    return frozenset(every_prompt(setup(name, SITE)))


class Walk:
    """One session: events in any order on a true clock, with prompts and timers as the loop would have them."""

    def __init__(self, name: str, mode: Literal["solo", "pair"], *, independent: bool = True) -> None:
        self.name = name
        self.setup: Setup = setup(name, SITE)
        self.machine = Machine(self.setup)
        self.state: SessionState = self.machine.start()
        self.at = 0
        self.due = RunningTimers()
        self.sounding: list[int] = []
        self.dropped: list[int] = []
        self.accounted: set[str] = set()
        self.started_at = 0
        self.steps = steps_named(self.setup.protocol)
        self.history: list[Event] = []
        self.airless = self.airless_before = False
        self.happens(Opened(0, mode=mode, ear="typed", audio="clips", training_only=True, independent=independent))

    # what can happen

    def right_word(self) -> tuple[str, str] | None:
        """The word and the role that move things as written; None when nobody's word does."""
        state = self.state
        step = step_at(self.setup.protocol, state.place)
        fixed = {
            "working": ("start-removal", "wearer"),
            "confirming": ("confirm", "observer"),
            "frozen": ("go-on", "wearer"),
            "paused": ("resume", "wearer"),
        }
        if state.status == "asking":
            return self._right_reply()
        if state.status in fixed:
            return fixed[state.status]
        if step is not None and step.quiet_s and state.status == "awaiting":
            return "done", step.role
        if step is None or not step.answers or state.status not in {"awaiting", "acknowledging", "drying"}:
            return None
        role = next((r for r in (step.role, *step.also) if r not in state.answered), step.role)
        return (step.timing.start if step.timing and state.status != "drying" else step.answers[0]), role

    def _right_reply(self) -> tuple[str, str] | None:
        state = self.state
        if state.question in {"end", "end-both"} and state.place.stage != "close":
            return "no", "wearer"
        for word in ("yes", "right", "practice-run", "go-on", "confirm", "neck", "loose", "unsure"):
            if word in live(self.setup, state):
                observer = state.question in {"all-clear", "piece", "fault", "return"}
                return word, "observer" if observer else "wearer"
        return None

    def say(self, word: str | None, role: str, near: str | None = None, begin_s: float = 0.4) -> None:
        begin = max(0, self.at - round(begin_s * CLOCK_HZ))
        self.happens(Heard(self.at, word, word or "", begin, self.at, role=role, near=near))  # type: ignore[arg-type]

    def end_prompt(self, *, complete: bool = True, played_s: float = 1.0) -> None:
        """The prompt that sounds runs out, or one that was dropped is reported at last."""
        if self.dropped:
            self.happens(PromptEnded(self.at, self.dropped.pop(0), played_s, complete=complete))
        elif self.sounding:
            self.happens(PromptEnded(self.at, self.sounding.pop(0), played_s, complete=True))

    def fire_next(self) -> None:
        """Time passes until the next timer runs out."""
        if self.due:
            name, due = self.due.first()
            self.at = max(self.at, due)
            del self.due[name]
            self.happens(TimerFired(self.at, name))

    def happens(self, event: Event) -> None:
        before = self.state
        self.history.append(event)
        rows = fitting(self.machine, before, event)
        assert len(rows) <= 1, f"several rows fit {event} in {before.status}: {rows}"
        self.state, effects = self.machine.step(before, event)
        again = self.machine.step(before, event)
        assert again == (self.state, effects), "the same event gave something else"
        for effect in effects:
            self._carry_out(effect)
        self._laws(before, event, effects)

    def _carry_out(self, effect: Effect) -> None:
        if isinstance(effect, Say):
            self.sounding.append(effect.prompt)
        elif isinstance(effect, StopSpeaking):
            self.dropped += self.sounding
            self.sounding = []
        elif isinstance(effect, SetTimer) and effect.timer == "rub":
            self.started_at = self.at
        self.due.take(effect, self.at)

    # the laws

    def _laws(self, before: SessionState, event: Event, effects: tuple[Effect, ...]) -> None:
        after = self.state
        said = [effect for effect in effects if isinstance(effect, Say)]
        notes = [effect for effect in effects if isinstance(effect, Note)]
        if before.status in CLOSED:
            assert after.status == before.status, "closed absorbs"
            assert not effects
            return
        assert set(after.timers) == set(self.due), "the state knows which timers run"
        assert [s.prompt for s in after.speech if s.prompt in self.sounding] == self.sounding, "and what sounds"
        self._words(said, effects)
        if isinstance(event, Heard) and event.command == "breach" and "breach" not in words_to_try(self.setup, before):
            self._breach_law(effects)
        if before.status == "timing" and after.status == "drying":
            step = step_at(self.setup.protocol, before.place)
            assert step is not None
            assert self.at - self.started_at >= round(self.setup.contact_s(step) * CLOCK_HZ), "a rub was shortened"
        self._forwards_law(before, notes)
        self._nothing_off_law(notes)
        assert after.status != "abandoned" or before.question == "end-both", "it ended by itself"
        assert after.status != "closed" or not before.ledger.on(), "it ended with something on"
        self._incident_laws(before, notes)
        self._clean_law(notes, said)
        self._air_law(before, event, notes)
        self._bare_hands_law(notes)
        self._out_law(before, notes)
        self._no_dead_end()

    def _incident_laws(self, before: SessionState, notes: list[Note]) -> None:
        """Rules 26 and 27: an exposure is never dropped; nobody dresses on for entry; no wash with anything on."""
        after, kinds = self.state, {note.what for note in notes}
        if "false-alarm" not in kinds:
            assert len(after.exposures) >= len(before.exposures), "an exposure was dropped"
            assert not before.no_entry or after.no_entry, "entry was allowed again by nobody"
            if not {"paid", "opened"} & kinds:
                assert set(before.owed) <= set(after.owed), "a debt went away unpaid"
        if after.status in CLOSED and after.owed:
            assert [n for n in notes if n.what == "end" and "owed" in dict(n.details)], "closed as if nothing were owed"
        for note in notes:
            step = self.steps.get(dict(note.details).get("step", "")) if note.what == "step" else None
            if step is None:
                continue
            dons = any(act.kind == "don" for act in step.acts)
            main = after.place.stage == "dress" and not after.place.detours
            assert not (after.no_entry and dons and main), f"{step.name}: dressing for an entry that is cancelled"
            if step.pays and step.role == "wearer" and before.place.stage != "close":
                assert not after.ledger.on(), f"{step.name}: sent to a basin with something on"

    def _clean_law(self, notes: list[Note], said: list[Say]) -> None:
        """Rule 27: no sentence sends dirty hands to a clean thing, nor anybody dressed to a basin or a telephone."""
        state = self.state
        for one in said:
            assert one.text not in {SITE.eyewash, SITE.tell} or not state.ledger.on(), f"{one.text!r}, dressed"
        if state.place.stage != "undress" or state.no_entry or state.paced:
            return  # nobody went in; or nobody can tell that the hands were rubbed
        for step in self._read(notes):
            if any(act.fresh for act in step.acts):
                assert state.ledger.hands in {"rubbed", "clean"}, f"{step.name}: fresh pieces, by dirty hands"
            if any((act.kind, act.target) == ("sit", "clean-chair") for act in step.acts):
                dirty = {"gown", "coverall", "apron", "outer-gloves"} & set(state.ledger.on())
                assert not dirty, f"{step.name}: on the clean chair in {dirty}"

    def _air_law(self, before: SessionState, event: Event, notes: list[Note]) -> None:
        """Rule 30: under a powered hood without air, the next thing that is asked for takes the hood off.

        A false alarm takes back the newest incident, and what was said of the air with it.
        """
        if "hose" not in dict(before.ledger.items):
            return
        said = event.command if isinstance(event, Heard) and self.state.status == "breached" else None
        if said in DANGERS:
            self.airless_before = self.airless
        if any(note.what == NoteKind.FALSE_ALARM and ("returned", "yes") in note.details for note in notes):
            self.airless = self.airless_before
        on = set(self.state.ledger.on())
        self.airless = "hood" in on and (self.airless or said == "no-air" or "hose" not in on)
        if not self.airless or self.state.place.stage == "work":
            return
        for step in self._read(notes):
            off = {act.target for act in step.acts if act.kind == "doff"}
            assert "hood" in off, f"{step.name}: the hood is on without air"

    def _bare_hands_law(self, notes: list[Note]) -> None:
        """After work nothing dirty is taken off by bare hands, where there is a pair of inner gloves to put on.

        A hood without air is the exception: air comes first (rule 30).
        """
        state = self.state
        items = dict(state.ledger.items)
        gloved = {"inner-gloves", "outer-gloves"} & set(state.ledger.on())
        if state.place.stage != "undress" or state.no_entry or gloved or items.get("inner-gloves") in {None, "never"}:
            return
        for step in self._read(notes):
            dirty = {act.target for act in step.acts if act.kind == "doff"} & DIRTY
            air = self.airless and "hood" in dirty
            assert air or not dirty & set(state.ledger.on()), f"{step.name}: {dirty} by bare hands"

    def _out_law(self, before: SessionState, notes: list[Note]) -> None:
        """Whoever is helped out, and has something off, is not sent back to the list as written (rules 12 and 31)."""
        helped = [one for one in before.place.detours if one.then == "close" and one.branch == "short-removal"]
        kinds = {note.what for note in notes}
        begun = before.place.stage == "undress" and helped and changing(self.setup.protocol, before.place)
        if not begun or not self.state.ledger.on() or {"false-alarm", "abandoned"} & kinds:
            return
        left = {name for one in self.state.place.detours for name in (one.branch, one.then)}
        assert "short-removal" in left, f"helped out, then sent to {step_at(self.setup.protocol, self.state.place)}"

    def _read(self, notes: list[Note]) -> list[Step]:
        """The steps that are begun."""
        names = [dict(note.details).get("step", "") for note in notes if note.what == "step"]
        return [self.steps[name] for name in names if name in self.steps]

    def _words(self, said: list[Say], effects: tuple[Effect, ...]) -> None:
        helps = {step.help for step in self.steps.values()}
        for one in said:
            assert one.text in sayable(self.name), f"{one.text!r} is not rendered ahead"
            assert len(one.text.split()) <= 12 or one.text in helps, "rule 1"
        listened = [effect.commands for effect in effects if isinstance(effect, Listen)]
        assert self.state.listening == live(self.setup, self.state)
        assert all(one == self.state.listening for one in listened[-1:])

    def _breach_law(self, effects: tuple[Effect, ...]) -> None:
        assert self.state.status == "breached"
        order = [effect for effect in effects if isinstance(effect, (StopSpeaking, Say))]
        assert isinstance(order[0], StopSpeaking)
        first = order[1]
        assert isinstance(first, Say)
        assert len(first.text.split()) <= 6
        assert effects[effects.index(order[0]) + 1 :].index(first) <= len(self.due) + 9

    def _forwards_law(self, before: SessionState, notes: list[Note]) -> None:
        names = {dict(n.details).get("step", "") for n in notes if n.what in {"step-confirmed", "jump"}}
        self.accounted |= names
        here, there = _main(before.place), _main(self.state.place)
        if there < here:
            for plan in self.setup.protocol.stages:
                for index, step in enumerate(plan.steps):
                    if (STAGES.index(plan.stage), index) >= there:
                        self.accounted.discard(step.name)
        for plan in self.setup.protocol.stages:
            for index, step in enumerate(plan.steps):
                if here <= (STAGES.index(plan.stage), index) < there and plan.stage != "work":
                    led = bool(self.state.no_entry) or (
                        before.place.stage in {"prepare", "dress"} and self.state.place.stage == "undress"
                    )
                    assert step.name in self.accounted or led, f"{step.name} was left for no cause that is on record"

    def _nothing_off_law(self, notes: list[Note]) -> None:
        for note in notes:
            name = dict(note.details).get("step", "")
            if note.what != "step" or name not in self.steps:
                continue
            step = self.steps[name]
            off = [act.target for act in step.acts if act.kind == "doff"]
            assert not off or any(self.state.ledger.worn(item) == "on" for item in off), f"{name}: off already"
            assert not self.state.place.observer_due, "an act that is done was asked for again"

    def _no_dead_end(self) -> None:
        state = self.state
        for _ in range(40):
            if not state.speech or state.window:
                break
            done = PromptEnded(state.at, state.speech[0].prompt, 1.0, complete=True)
            state, _ = self.machine.step(state, done)
        if state.status not in CLOSED:
            assert set(state.timers) - {"wear"}, f"nothing moves in {state.status} {state.question}"
            assert state.listening


def _main(place: Place) -> tuple[int, int]:
    return STAGES.index(place.stage), place.step  # type: ignore[arg-type]


def listening_words_mean_something(walk: Walk) -> None:
    """Each word that is listened for fits a row of the table, whoever's it may be to say."""
    state = walk.state
    for word in state.listening:
        for role in ("wearer", "observer", "assistant"):
            event = Heard(state.at, word, word, state.at, state.at, role=role)
            if [row.trigger for row in fitting(walk.machine, state, event) if row.trigger != "unclear"]:
                break
        else:
            raise AssertionError(f"{word!r} is listened for in {state.status} {state.question} and means nothing")
