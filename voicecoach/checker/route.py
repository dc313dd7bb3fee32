"""Where a session can go from each spot: the answers of navigation, each computed once. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

from voicecoach.protocol.ledger import Ledger
from voicecoach.protocol.model import DANGERS, DEBTS, ENDS_ENTRY, OWED_AT_ONCE, BreachRule, Protocol, Step
from voicecoach.protocol.navigation import arrival, moves, position
from voicecoach.protocol.navigation.position import Arrival, Position
from voicecoach.protocol.place import Detour, Place


@dataclass(frozen=True, slots=True, eq=False)
class Spot:
    """A place at which a session waits for something. kind, question: as in position.Arrival. step: the one there, or
    None. There is one value for each spot of a route, so that spots are compared by identity.
    """

    kind: str
    place: Place
    question: str
    step: Step | None

    @property
    def name(self) -> str:
        """The name of the step, or of what stands there instead of one."""
        return self.step.name if self.step else "work" if self.kind == "work" else ""


class Memory(NamedTuple):
    """What a session remembers beside the place and the ledger, as far as it leads anywhere.

    debts: what is owed for exposures whose wash has not been led to yet; placed: the place of the exposure at hand is
    named; cancelled: nobody goes in any more; tried: (step, branch) of each branch called in this stage that gives way
    to another when it is called again, or has taken the place of one; struck: where a false alarm was called out, as
    long as 'false alarm' leads back there.
    """

    debts: tuple[str, ...] = ()
    placed: bool = False
    cancelled: bool = False
    tried: tuple[tuple[str, str], ...] = ()
    struck: Stop | None = None

    def exposed(self, stage: str, *, placed: bool) -> Memory:
        """With an exposure more; whoever dresses does not go in."""
        cancelled = self.cancelled or stage in _ENTERING
        return self._replace(debts=DEBTS, placed=self.placed or placed, cancelled=cancelled)


_ENTERING = frozenset({"prepare", "dress"})


@dataclass(frozen=True, slots=True, eq=False)
class Stop:
    """Where a session waits: the spot, the ledger there, and what is remembered. There is one value for each stop of a
    route, so that stops are compared by identity.
    """

    spot: Spot
    ledger: Ledger
    memory: Memory


FALSE, CALLED_OFF = "false ", "false alarm"


class Route:
    """Where a protocol leads in one mode of checking ('solo', 'pair', 'assistant')."""

    def __init__(self, protocol: Protocol, mode: str) -> None:
        self.protocol = protocol
        self.mode = "solo" if mode == "solo" else "pair"
        self._ledgers: dict[Ledger, Ledger] = {}
        self._spots: dict[tuple[str, Place, str], Spot] = {}
        self._stops: dict[tuple[Spot, int, Memory], Stop] = {}
        self._known: dict[tuple[str, Stop, str], Stop] = {}
        self._struck: dict[tuple[str, Place, int, Memory], Stop] = {}
        self._calm: dict[Spot, Place] = {}
        self._kinds: dict[str, tuple[str, ...]] = {}
        self._done: dict[tuple[str, int], Ledger] = {}
        self._passing = {b.name for b in protocol.branches if any(step.between for step in b.steps)}
        self._chained = {name for branch in protocol.branches if branch.again for name in (branch.name, branch.again)}

    def start(self) -> Stop:
        """The first step, after the coach's questions."""
        ledger = self._ledger(Ledger(tuple((item.name, "never") for item in self.protocol.items)))
        here = Position(Place("prepare", 0), ledger, self.mode)
        return self._stop(arrival.arrive(self.protocol, here), Memory())

    def done(self, stop: Stop) -> Stop:
        """The stop once the acts of the step that is read there are done."""
        step, ledger = stop.spot.step, stop.ledger
        if step is None or stop.spot.kind != "step":
            return stop
        key = (step.name, id(ledger))
        known = self._done.get(key)
        if known is None:
            known = self._done[key] = self._ledger(ledger.after(step.acts, 0))
        return self._at(stop.spot, known, stop.memory)

    def go(self, event: str, stop: Stop, about: Step | None = None) -> Stop:
        """Where `event` leads from a stop of this route.

        event: '' (the step is answered, the observer agrees, or the question is answered with no), an answer that calls
        a branch, 'went-wrong' (of `about`), 'not clear: FAULT', 'pause', 'touched', 'wearer down', 'skin exposed',
        'piece: ITEM', 'start removal', or 'breach: KIND'; 'false breach: KIND' or 'false touched' where nothing has
        happened, and after it 'false alarm'.
        """
        key = (event, stop, about.name if about else "")
        known = self._known.get(key)
        if known is None:
            if stop.memory.struck or event.startswith(FALSE):
                known = self._struck_by_nothing(event, stop, about)
            else:
                known = self._ask(event, stop, about)
            self._known[key] = known
        return known

    def _struck_by_nothing(self, event: str, stop: Stop, about: Step | None) -> Stop:
        """As `go`, while 'false alarm' can take back what was called out: until a step of the list is done or something
        comes off or goes on.
        """
        spot, memory = stop.spot, stop.memory
        struck = memory.struck or stop
        if event == CALLED_OFF:
            here = self._here(stop)
            ledger = stop.ledger.forget_tear(position.hose(self.protocol))
            kept = struck.memory
            here = here.at(ledger=ledger)._replace(owes=bool(kept.debts), placed=False, cancelled=kept.cancelled)
            found = moves.called_off(self.protocol, here, struck.spot.place)
            return self._stop(found, kept._replace(tried=memory.tried), spot.place.stage)
        plain = self._at(spot, stop.ledger, memory._replace(struck=None))
        there = self.go(event.removeprefix(FALSE), plain, about)
        done = not event and not spot.place.detours and not there.spot.place.observer_due and spot.kind != "question"
        over = done or there.ledger.items != struck.ledger.items
        return self._at(there.spot, there.ledger, there.memory._replace(struck=None if over else struck))

    def can_be_called_off(self, stop: Stop) -> bool:
        """Whether 'false alarm' leads anywhere: nobody goes back to the patient alone (rule 12)."""
        struck = stop.memory.struck
        if struck is None:
            return False
        return self.mode != "solo" or struck.spot.kind != "work"

    def breaches(self, stage: str) -> tuple[str, ...]:
        """The kinds of breach in this stage, one for each set of kinds that lead to the same place."""
        if stage not in self._kinds:
            seen: dict[object, str] = {}
            for kind in DANGERS:
                rule = position.breach_rule(self.protocol, kind, stage)
                if kind != "breach" and (rule is None or rule.kind != kind):
                    continue  # not listened for
                ends = stage in _ENTERING and kind in ENDS_ENTRY
                key = (_way(rule), happening(f"breach: {kind}"), kind in OWED_AT_ONCE, ends)
                seen.setdefault(key, kind)
            self._kinds[stage] = tuple(seen.values())
        return self._kinds[stage]

    def pieces(self, stop: Stop) -> tuple[str, ...]:
        """The pieces that can answer 'which piece is torn?'."""
        return position.pieces(self.protocol, self._here(stop))

    def _ledger(self, ledger: Ledger) -> Ledger:
        if ledger.clear_at:
            ledger = replace(ledger, clear_at=())  # times lead nowhere
        return self._ledgers.setdefault(ledger, ledger)

    def _here(self, stop: Stop) -> Position:
        memory = stop.memory
        owes = bool(memory.debts)
        return Position(stop.spot.place, stop.ledger, self.mode, owes, memory.placed, memory.cancelled, memory.tried)

    def _stop(self, found: Arrival, memory: Memory, came_from: str = "") -> Stop:
        spot = self._spot(found.kind, found.place, found.question)
        detours = found.place.detours
        if memory.debts and position.washes(self.protocol, found.place):
            memory = memory._replace(debts=())
        if came_from in _ENTERING and found.place.stage in {"undress", "close"}:
            memory = memory._replace(cancelled=True)
        if memory.tried and found.place.stage != came_from:
            memory = memory._replace(tried=())  # nobody comes back to that step
        if memory.placed and position.incident(detours) < 0:
            memory = memory._replace(placed=False)
        ledger = found.ledger
        if ledger.hands != "not-rubbed" and not (memory.debts or self._between(detours)):
            ledger = ledger.unsure()  # leads nowhere but to what is owed, and past such a rub
        return self._at(spot, self._ledger(ledger), memory)

    def _at(self, spot: Spot, ledger: Ledger, memory: Memory) -> Stop:
        """The stop of these; `ledger` is one of this route's."""
        key = (spot, id(ledger), memory)
        stop = self._stops.get(key)
        if stop is None:
            stop = self._stops[key] = Stop(spot, ledger, memory)
        return stop

    def _between(self, detours: tuple[Detour, ...]) -> bool:
        """Whether a rub of the branches here is passed over when the hands are rubbed already."""
        return any(one.branch in self._passing for one in detours)

    def _spot(self, kind: str, place: Place, question: str) -> Spot:
        key = (kind, place, question)
        spot = self._spots.get(key)
        if spot is None:
            step = position.step_at(self.protocol, place) if kind in {"step", "confirm"} else None
            spot = self._spots[key] = Spot(kind, place, question, step)
        return spot

    def _ask(self, event: str, stop: Stop, about: Step | None) -> Stop:
        """As `go`, asked of the navigation, without a false alarm."""
        spot, ledger, memory = stop.spot, stop.ledger, stop.memory
        stage, (word, _, what) = spot.place.stage, event.partition(": ")
        if word == "breach":
            return self._breach(what, stop)
        if event == "wearer down" and moves.unasked(self.protocol, self._here(stop), ""):
            memory = memory.exposed(stage, placed=False)
            stop = self._at(spot, self._ledger(ledger.unsure()), memory)
        if event in {"touched", "skin exposed"}:
            handled = event == "skin exposed" and position.incident(spot.place.detours) >= 0
            there = memory.exposed(stage, placed=handled)
            stop = self._at(spot, ledger if event == "skin exposed" else self._ledger(ledger.unsure()), there)
            memory = there.exposed(stage, placed=True) if event == "touched" else there
        elif not event and spot.step is not None and spot.step.pays:
            left = spot.kind == "confirm" or not (spot.step.observer and self.mode == "pair")
            memory = memory._replace(debts=tuple(d for d in memory.debts if not left or d != spot.step.pays))
        found = self._found(event, spot, self._here(stop), about)
        if spot.step is not None and about is None and (word == "not clear" or event in dict(spot.step.branches)):
            memory = self._tried(spot.step, found, memory)
        return self._stop(found, memory, stage)

    def _tried(self, step: Step, found: Arrival, memory: Memory) -> Memory:
        """The memory of a branch that the step has called, if it matters when it is called again."""
        entered = found.place.detours[-1].branch if found.place.detours else ""
        if entered not in self._chained:
            return memory
        return memory._replace(tried=tuple(sorted({*memory.tried, (step.name, entered)})))

    def replaced(self, step: Step, branch: str, stop: Stop) -> bool:
        """Whether a branch that the step calls once more gives way to one that the step has not called yet."""
        tried = stop.memory.tried
        if (step.name, branch) not in tried:
            return False
        return (step.name, moves.called(self.protocol, self._here(stop), step, branch)) not in tried

    def _found(self, event: str, spot: Spot, here: Position, about: Step | None) -> Arrival:
        protocol, (word, _, what) = self.protocol, event.partition(": ")
        if about is not None:
            return moves.repaired(protocol, here, about)
        asked = _ASKED.get(word)
        if asked is not None:
            return asked(protocol, here, what)
        if spot.kind == "question":
            return moves.asked(protocol, here, exposed=event == "skin exposed")
        if event:
            return moves.branched(protocol, here, event)
        if spot.kind == "confirm":
            return moves.onward(protocol, here, here.ledger)
        return moves.answered(protocol, here, here.ledger)

    def _breach(self, kind: str, stop: Stop) -> Stop:
        """The first words, and what follows."""
        spot, ledger, memory = stop.spot, stop.ledger, stop.memory
        stage = spot.place.stage
        kind = position.suffered(self.protocol, spot.place, ledger, kind)
        entering = stage in _ENTERING
        if position.incident(spot.place.detours) < 0:
            memory = memory._replace(placed=False)
        if kind in OWED_AT_ONCE or moves.unasked(self.protocol, self._here(stop), kind):
            memory = memory.exposed(spot.place.stage, placed=False)
            ledger = self._ledger(ledger.unsure())
        if kind in ENDS_ENTRY and entering:
            memory = memory._replace(cancelled=True)
        key = (kind, self._left(spot), id(ledger), memory)
        known = self._struck.get(key)
        if known is None:
            found = moves.breach_arrival(self.protocol, self._here(self._at(spot, ledger, memory)), kind)
            struck = self._stop(found._replace(ledger=found.ledger.unsure()), memory, stage)
            there = self._here(struck)
            known = self._stop(moves.again(self.protocol, there), struck.memory, struck.spot.place.stage)
            self._struck[key] = known
        return known

    def _left(self, spot: Spot) -> Place:
        """Where a new incident finds the wearer: the branch of an earlier one is left, unless it has changed what is
        worn.
        """
        place = self._calm.get(spot)
        if place is None:
            place = spot.place
            if not position.unfinished(self.protocol, place):
                place = place.inside(position.without_incident(place.detours))
            self._calm[spot] = place
        return place


_ASKED: dict[str, Callable[[Protocol, Position, str], Arrival]] = {
    "not clear": moves.faulted,
    "pause": lambda protocol, here, _: moves.rejoin(protocol, here),
    "touched": lambda protocol, here, _: moves.touched(protocol, here, "hand"),
    "wearer down": lambda protocol, here, _: moves.helped(protocol, here),
    "start removal": lambda protocol, here, _: arrival.arrive(protocol, here.at(Place("undress", 0))),
    "piece": moves.torn,
}
"""What the navigation is asked for an event, with what is said behind the colon."""


def _way(rule: BreachRule | None) -> object:
    return rule and replace(rule, kind="", stages=(), first="", line=0)


def happening(event: str) -> str:
    """The effect of an event on the surfaces, as ContactModel.happen names it; '' for none."""
    word, _, what = event.partition(": ")
    if word in {"breach", "not clear"}:
        event = what
    if event in {"torn", "soiled"} or word == "piece":
        return "torn" if word == "piece" else event
    if event in {"pause", "wearer down"}:
        return "doubt" if event == "pause" else "down"
    if word == "breach":
        return "left" if what in {"no-air", "unwell"} else "struck"
    return "dirty" if event in {"went-wrong", "went-wrong, told later", "touched"} else ""
