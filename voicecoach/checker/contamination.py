"""What touches what: the effect of a step on a protocol's surfaces. Pure.

A surface is clean, treated (disinfected), suspect or dirty, and may be visibly soiled.
"""

from __future__ import annotations

from dataclasses import replace

from voicecoach.checker.rules import CLEAN, DIRTY, SUSPECT, TREATED
from voicecoach.checker.surfaces import Surfaces
from voicecoach.checker.transfer import Run
from voicecoach.checker.world import ENTERED, LEVEL, RUBBED, TOUCHED, Contact, Slip, Violation, World
from voicecoach.protocol import zones
from voicecoach.protocol.model import ANYONE, Step

_ENTRY = ("hands", "wrists", "face", "eyes", "hair", "neck", "arms", "uniform", "legs", "feet")


class ContactModel(Surfaces):
    """A protocol's surfaces, and the effect of its acts on them."""

    def start(self) -> World:
        """The world before anything: hands not rubbed, the room as the protocol says, all items fresh."""
        levels = bytearray(len(self.names))
        levels[self.hands] = SUSPECT
        for name in zones.ROOM:
            state = self.room.get(name, "dirty" if name in {"floor", "bin", "seat"} else "clean")
            levels[self.at[name]] = DIRTY if state == "dirty" else CLEAN
        return World(bytes(levels), (), (0,) * len(self.items), 0)

    def do(
        self, step: Step, world: World, log: list[Contact] | None = None, slip: Slip | None = None
    ) -> tuple[World, tuple[Violation, ...]]:
        """The world after the step's acts, and the rules that they break."""
        if step.role == ANYONE:  # the wearer's hands are the worse ones
            step = replace(step, role="wearer")
        run = Run(self, world, step, log, slip)
        joined = frozenset(act.target for act in step.acts if act.kind == "doff")
        rubbed = bool(world.flags & RUBBED)
        for act in step.acts:
            run.act(act, joined, rubbed)
        if slip is not None and slip.kind == "face":
            worn = tuple(run.worn)
            bare = [self.at[name] for name in ("face", "eyes", "hair") if not self.cover(self.at[name], worn)]
            run.touch(self.hand(step.role, worn), bare[0] if bare else self.outermost(self.at["face"], worn))
        return run.world(), tuple(run.found)

    def enter(self, world: World, log: list[Contact] | None = None) -> tuple[World, tuple[Violation, ...]]:
        """Work begins: whatever is exposed becomes dirty."""
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
            if self.cover(zone, world.worn) in {"", "leaky"}:
                if zone not in self.bare:
                    run.broken("bare-at-entry", zone, "the patient")
                elif zone != self.hands:
                    run.put(zone, SUSPECT, "work", "the patient")
        for helper, touched in TOUCHED.items():
            if self.room.get(helper) == "dirty":
                run.put(self.at[f"{helper}.gloves"], DIRTY, "work", "the patient")
                run.flags |= touched
        run.flags = (run.flags | ENTERED) & ~RUBBED
        run.since = [0] * len(run.since)  # whatever was touched while dressing was touched by clean things
        return run.world(), tuple(run.found)

    def leave(self, world: World) -> tuple[World, tuple[Violation, ...]]:
        """The end: what must hold of hands, shoes and items."""
        run = Run(self, world, Step("end", "the end"), None, None)
        if not world.flags & ENTERED:
            pass  # nobody went in
        elif world.levels[self.hands] & LEVEL != CLEAN:
            run.broken("hands-not-clean", self.hands, "the last gloves")
        elif not world.flags & RUBBED:
            run.broken("hands-not-clean", self.hands, "the last thing taken off")
        if world.flags & ENTERED and self.feet not in self.bare and world.levels[self.feet] & LEVEL > TREATED:
            run.broken("shoes-untreated", self.feet, "floor")
        for helper, touched in TOUCHED.items():
            if world.flags & touched:
                run.broken("helper-not-rubbed", self.at[f"{helper}.gloves"], helper)
        for item in world.worn:
            first = self.own[item][0]
            if "stays-on" not in self.items[item].traits:
                run.broken("never-off", first, self.items[item].name)
            elif world.flags & ENTERED and world.levels[first] & LEVEL > TREATED:
                run.broken("shoes-untreated", first, "the patient")
        return run.world(), tuple(run.found)

    def happen(self, what: str, step: Step, world: World, log: list[Contact] | None = None) -> World:
        """Something happens that is nobody's act.

        what: 'torn' or 'soiled' is found; 'dirty' hands; 'struck' (a breach, with dirty hands) or 'left' (a breach
        without them); 'doubt' (a pause: nobody knows what the hands did) or 'down' (the wearer fell), which find
        nothing dirty when nothing is worn.
        """
        if what == "left":
            return world
        if (what in {"doubt", "down"} and not world.worn) or (what == "soiled" and not world.flags & ENTERED):
            return world
        run = Run(self, world, step, log, None)
        hand = self.hand("wearer", world.worn)
        if what in {"torn", "soiled"}:
            seen = [act.target for act in step.acts if act.kind == "inspect" and act.target in self.number]
            for name in seen or ([self.items[self.owner[hand]].name] if hand in self.owner else []):
                if self.number[name] in world.worn:
                    run.date_back(self.number[name], what)
                    if (
                        what == "torn"
                        and seen
                        and world.flags & ENTERED
                        and self.items[self.number[name]].site == "hands"
                    ):
                        run.torn |= 1 << self.number[name]
        elif world.flags & ENTERED:
            run.put(hand, SUSPECT if what == "doubt" else DIRTY, what, "something touched")
        run.flags &= ~RUBBED
        return run.world()
