"""Where a session can go from each spot: what the navigation says, asked for once. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace

from voicecoach.protocol import navigation
from voicecoach.protocol.ledger import Ledger, Worn
from voicecoach.protocol.model import DANGERS, BreachRule, Protocol, Step
from voicecoach.protocol.navigation import Arrival, Position
from voicecoach.protocol.place import Place


@dataclass(frozen=True, slots=True, eq=False)
class Spot:
    """A place at which a session waits for something. kind, question: as in navigation.Arrival. step: the one there, or
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


class Route:
    """The ways of a protocol for one mode of checking ('solo', 'pair', 'assistant')."""

    def __init__(self, protocol: Protocol, mode: str) -> None:
        self.protocol = protocol
        self.mode = "solo" if mode == "solo" else "pair"
        self._ledgers: dict[tuple[frozenset[int], int], Ledger] = {}
        self._spots: dict[tuple[str, Place, str], Spot] = {}
        self._known: dict[tuple[str, Spot, int, str], Spot] = {}
        self._kinds: dict[str, tuple[str, ...]] = {}

    def start(self) -> Spot:
        """The first step, once the coach's questions before it are answered."""
        return self._spot(
            navigation.arrive(self.protocol, Position(Place("prepare", 0), self.ledger((), 0), self.mode))
        )

    def ledger(self, worn: tuple[int, ...], gone: int) -> Ledger:
        """What the session's ledger says of the items: those of `worn` are on, those of the bit set `gone` are off."""
        key = (frozenset(worn), gone)
        known = self._ledgers.get(key)
        if known is None:
            how: list[tuple[str, Worn]] = [
                (item.name, "on" if n in key[0] else "off" if gone >> n & 1 else "never")
                for n, item in enumerate(self.protocol.items)
            ]
            known = self._ledgers[key] = Ledger(tuple(how))
        return known

    def go(self, event: str, spot: Spot, ledger: Ledger, about: Step | None = None) -> Spot:
        """Where `event` leads from `spot` with `ledger`, one of this route's own.

        event: '' (the step is answered, the observer agrees, or the question is answered with no), an answer that calls
        a branch, 'went-wrong' (of `about`), 'not clear: FAULT', 'pause', 'touched', 'wearer down', 'skin exposed',
        'start removal', or 'breach: KIND'.
        """
        key = (event, spot, id(ledger), about.name if about else "")
        known = self._known.get(key)
        if known is None:
            here = Position(spot.place, ledger, self.mode)
            known = self._known[key] = self._spot(self._ask(event, spot, here, about))
        return known

    def breaches(self, stage: str) -> tuple[str, ...]:
        """The kinds of breach in this stage, one of each set of kinds that lead to the same."""
        if stage not in self._kinds:
            seen: dict[tuple[object, str], str] = {}
            for kind in DANGERS:
                rule = navigation.breach_rule(self.protocol, kind, stage)
                seen.setdefault((_way(rule), happening(f"breach: {kind}")), kind)
            self._kinds[stage] = tuple(seen.values())
        return self._kinds[stage]

    def _spot(self, found: Arrival) -> Spot:
        key = (found.kind, found.place, found.question)
        known = self._spots.get(key)
        if known is None:
            step = navigation.step_at(self.protocol, found.place) if found.kind in {"step", "confirm"} else None
            known = self._spots[key] = Spot(*key, step)
        return known

    def _ask(self, event: str, spot: Spot, here: Position, about: Step | None) -> Arrival:
        protocol, ledger = self.protocol, here.ledger
        word, _, what = event.partition(": ")
        if about is not None:
            found = navigation.repaired(protocol, here, about)
        elif word == "breach":
            found = navigation.breach_arrival(protocol, here, what)
        elif word == "not clear":
            found = navigation.faulted(protocol, here, what)
        elif event == "pause":
            found = navigation.rejoin(protocol, here)
        elif event == "touched":
            found = navigation.touched(protocol, here, "hand")
        elif event == "wearer down":
            found = navigation.helped(protocol, here)
        elif event == "start removal":
            found = navigation.arrive(protocol, here.at(Place("undress", 0)))
        elif spot.kind == "question":
            found = navigation.asked(protocol, here, exposed=event == "skin exposed")
        elif event:
            found = navigation.branched(protocol, here, event)
        elif spot.kind == "confirm":
            found = navigation.onward(protocol, here, ledger)
        else:
            found = navigation.answered(protocol, here, ledger)
        return found


def _way(rule: BreachRule | None) -> object:
    return rule and replace(rule, kind="", stages=(), first="", line=0)


def happening(event: str) -> str:
    """What an event does to the surfaces, as Model.happen names it; '' for nothing."""
    word, _, what = event.partition(": ")
    if word in {"breach", "not clear"}:
        event = what
    if event in {"torn", "soiled"}:
        return event
    if event in {"pause", "wearer down"}:
        return "doubt" if event == "pause" else "down"
    if word == "breach":
        return "" if what in {"no-air", "unwell"} else "dirty"
    return "dirty" if event in {"went-wrong", "went-wrong, told later", "touched"} else ""
