"""What touches what: a protocol's surfaces, and what a step does to them. Pure.

A surface is clean, treated (disinfected), suspect or dirty, and may have visible soil on it. What is exposed follows
from the order in which things were put on.
"""

from __future__ import annotations

from voicecoach.protocol import zones
from voicecoach.protocol.contact import Run
from voicecoach.protocol.model import Protocol, Step
from voicecoach.protocol.rules import CLEAN, DIRTY, SUSPECT, TREATED
from voicecoach.protocol.world import ENTERED, LEVEL, RUBBED, TOUCHED, Contact, Found, Slip, World

_FACE = frozenset({"face", "eyes", "hair"})
_GUARDED = frozenset(zones.BODY) - {"hands", "feet"}
_ENTRY = ("hands", "wrists", "face", "eyes", "hair", "neck", "arms", "uniform", "legs", "feet")


class Model:
    """A protocol's surfaces, numbered, and the meaning of its acts."""

    def __init__(self, protocol: Protocol) -> None:
        self.protocol = protocol
        self.items = protocol.items
        self.number = {item.name: index for index, item in enumerate(self.items)}
        names = [name for item in self.items for name in zones.zone_names(item)]
        self.names = (*names, *zones.BODY, *zones.ROOM, *(f"{helper}.gloves" for helper in zones.HELPERS))
        self.at = {name: index for index, name in enumerate(self.names)}
        self.own = [tuple(self.at[name] for name in zones.zone_names(item)) for item in self.items]
        self.owner = {zone: index for index, own in enumerate(self.own) for zone in own}
        self.inside = frozenset(index for name, index in self.at.items() if name.endswith(".inside"))
        self.holds = frozenset(index for name, index in self.at.items() if name.partition(".")[2] in zones.HOLDS)
        self.guarded = frozenset(self.at[name] for name in _GUARDED)
        self.face = frozenset(self.at[name] for name in _FACE)
        self.hands, self.feet, self.wrists = self.at["hands"], self.at["feet"], self.at["wrists"]
        self.lies: dict[int, list[tuple[int, str]]] = {}
        for index, item in enumerate(self.items):
            for seal, listed in (("leaky", item.covers), ("tight", item.tight), ("overlap", item.overlap)):
                for name in listed:
                    self.lies.setdefault(self.at[name], []).append((index, seal))
        self.room = dict(protocol.room)
        self.spared = frozenset(self.at[f"{item.name}.{zone}"] for item in self.items for zone in item.spared)
        self.bare = frozenset(self.at[name] for name in protocol.exposed)
        self._covers: dict[tuple[int, tuple[int, ...]], str] = {}

    def start(self) -> World:
        """Before anything: hands not yet rubbed, the room as the protocol has it, all items fresh."""
        levels = bytearray(len(self.names))
        levels[self.hands] = SUSPECT
        for name in zones.ROOM:
            state = self.room.get(name, "dirty" if name in {"floor", "bin", "seat"} else "clean")
            levels[self.at[name]] = DIRTY if state == "dirty" else CLEAN
        return World(bytes(levels), (), (0,) * len(self.items), 0)

    def cover(self, zone: int, worn: tuple[int, ...]) -> str:
        """How `zone` is covered by what is worn over it: '', 'leaky', 'overlap' or 'tight' (the best of them)."""
        key = (zone, worn)
        known = self._covers.get(key)
        if known is None:
            base = worn.index(self.owner[zone]) if self.owner.get(zone) in worn else -1
            seals = {seal for item, seal in self.lies.get(zone, ()) if item in worn and worn.index(item) > base}
            known = next((seal for seal in ("tight", "overlap", "leaky") if seal in seals), "")
            self._covers[key] = known
        return known

    def hand(self, role: str, worn: tuple[int, ...]) -> int:
        """The surface that the acting hand touches with: outermost glove, bare hand, or a helper's glove."""
        if role != "wearer":
            return self.at[f"{role}.gloves"]
        gloves = [item for item in worn if self.items[item].site == "hands"]
        return self.own[gloves[-1]][0] if gloves else self.hands

    def skipped(self, step: Step, worn: tuple[int, ...], mode: str) -> bool:
        """True when the step is passed over as things stand; the session's own rule."""
        on = {self.items[item].name for item in worn}
        if any(item not in on for item in step.when_on) or any(item in on for item in step.when_off):
            return True
        doffs = [act.target for act in step.acts if act.kind == "doff"]
        if doffs and not any(item in on for item in doffs):
            return True
        dons = [act.target for act in step.acts if act.kind == "don"]
        if dons and len(dons) == len(step.acts) and all(item in on for item in dons):
            return True
        return mode == "solo" and step.role == "observer"

    def do(
        self, step: Step, world: World, log: list[Contact] | None = None, slip: Slip | None = None
    ) -> tuple[World, tuple[Found, ...]]:
        """The world after the step's acts, and the rules broken by them."""
        run = Run(self, world, step, log, slip)
        joined = frozenset(act.target for act in step.acts if act.kind == "doff")
        rubbed = bool(world.flags & RUBBED)
        for act in step.acts:
            run.act(act, joined, rubbed)
        if slip is not None and slip.kind == "face":
            run.touch(self.hand(step.role, tuple(run.worn)), self.at["face"])
        return run.world(), tuple(run.found)

    def enter(self, world: World, log: list[Contact] | None = None) -> tuple[World, tuple[Found, ...]]:
        """Work begins: what is exposed becomes dirty."""
        run = Run(self, world, Step("work", "work begins"), log, None)
        for item in world.worn:
            for zone in self.own[item]:
                if (
                    zone not in self.inside
                    and zone not in self.spared
                    and self.cover(zone, world.worn) in {"", "leaky"}
                ):
                    run.put(zone, DIRTY, "work", "the patient")
        for name in _ENTRY:
            zone = self.at[name]
            if zone not in self.bare and self.cover(zone, world.worn) in {"", "leaky"}:
                run.broken("bare-at-entry", zone, "the patient")
        for helper, touched in TOUCHED.items():
            if self.room.get(helper) == "dirty":
                run.put(self.at[f"{helper}.gloves"], DIRTY, "work", "the patient")
                run.flags |= touched
        run.flags = (run.flags | ENTERED) & ~RUBBED
        return run.world(), tuple(run.found)

    def leave(self, world: World) -> tuple[World, tuple[Found, ...]]:
        """The end: what must hold of hands, shoes and items."""
        run = Run(self, world, Step("end", "the end"), None, None)
        if world.levels[self.hands] & LEVEL != CLEAN:
            run.broken("hands-not-clean", self.hands, "the last gloves")
        elif world.flags & ENTERED and not world.flags & RUBBED:
            run.broken("hands-not-clean", self.hands, "the last thing taken off")
        if self.feet not in self.bare and world.levels[self.feet] & LEVEL > TREATED:
            run.broken("shoes-untreated", self.feet, "floor")
        for helper, touched in TOUCHED.items():
            if world.flags & touched:
                run.broken("helper-not-rubbed", self.at[f"{helper}.gloves"], helper)
        for item in world.worn:
            run.broken("never-off", self.own[item][0], self.items[item].name)
        return run.world(), tuple(run.found)

    def happen(self, what: str, step: Step, world: World, log: list[Contact] | None = None) -> World:
        """Something that is nobody's act: 'torn' or 'soiled' found, 'dirty' hands (a breach), 'doubt' (a pause)."""
        run = Run(self, world, step, log, None)
        hand = self.hand("wearer", world.worn)
        if what in {"torn", "soiled"}:
            seen = [act.target for act in step.acts if act.kind == "inspect" and act.target in self.number]
            for name in seen or ([self.items[self.owner[hand]].name] if hand in self.owner else []):
                if self.number[name] in world.worn:
                    run.date_back(self.number[name], what)
        elif world.flags & ENTERED:
            run.put(hand, DIRTY if what == "dirty" else SUSPECT, what, "something touched")
        run.flags &= ~RUBBED
        return run.world()
