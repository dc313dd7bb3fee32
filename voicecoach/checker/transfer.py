"""One step carried out on the surfaces: who touches what, what spreads, and which rules that breaks. Pure."""

from __future__ import annotations

from voicecoach.checker.rules import CLEAN, DIRTY, SUSPECT, TREATED
from voicecoach.checker.surfaces import Surfaces
from voicecoach.checker.world import ENTERED, LEVEL, RUBBED, SOIL, TOUCHED, Contact, Slip, Violation, World
from voicecoach.protocol.agents import AGENTS
from voicecoach.protocol.model import Act, Step

_FACE_PIECES = frozenset({"mask", "shield", "goggles", "hood", "helmet"})
_NEAR_FLICK = ("face", "eyes", "hair", "neck", "uniform")


class Run:
    """One step in progress on a copy of the world: `found` and `log` grow, and `world()` gives the result."""

    def __init__(
        self, surfaces: Surfaces, world: World, step: Step, log: list[Contact] | None, slip: Slip | None
    ) -> None:
        self.surfaces, self.step, self.log, self.slip = surfaces, step, log, slip
        self.levels = bytearray(world.levels)
        self.worn = list(world.worn)
        self.since = list(world.since)
        self.flags, self.gone, self.torn = world.flags, world.gone, world.torn
        self.found: list[Violation] = []

    def world(self) -> World:
        """The world now, without what can no longer matter, so that paths which meet again are recognised."""
        worn, there, ends = self.surfaces.plain(tuple(self.worn))
        levels = bytes(self.levels)
        on = sum([1 << item for item in worn])
        met = 0
        for touched in self.since:
            met |= touched
        met &= there
        left = met & ~(1 << self.surfaces.wrists)  # rubbed hands free the wrists
        while left:  # what is dirty is made no dirtier
            zone = left.bit_length() - 1
            left ^= 1 << zone
            if levels[zone] & LEVEL == DIRTY:
                met ^= 1 << zone
        since = tuple([touched & met if on >> item & 1 else 0 for item, touched in enumerate(self.since)])
        gone = self.gone & (~on | ends)
        if not self.flags & ENTERED:  # only of what lies over an end does it matter yet, and rubs do not
            return World(levels, worn, since, self.flags & ~RUBBED, gone & self.surfaces.limbs, self.torn)
        return World(levels, worn, since, self.flags, gone, self.torn)

    def broken(self, rule: str, zone: int, carrier: str) -> None:
        """Note that a rule is broken, on which surface, and by what carrier."""
        self.found.append(Violation(rule, self.step.name, self.surfaces.names[zone], carrier))

    def not_worn(self, zone: int, carrier: str) -> None:
        """Note that an act concerns something that is not on; a wearer who never went in may skip it."""
        if self.flags & ENTERED:
            self.broken("not-worn", zone, carrier)

    def put(self, zone: int, level: int, how: str, carrier: str) -> None:
        """Raise or set the level of a surface, keeping soil, and log it."""
        before = self.levels[zone]
        after = before & SOIL | level
        if after != before:
            self.levels[zone] = after
            if level >= SUSPECT and zone == self.surfaces.hand("wearer", tuple(self.worn)):
                self.flags &= ~RUBBED
            if self.log is not None:
                self.log.append(Contact(self.step.name, self.surfaces.names[zone], before & LEVEL, level, how, carrier))

    def touch(self, one: int, other: int, how: str = "contact") -> None:
        """Two surfaces touch: the worse one spreads, and forbidden contact is noted."""
        if one == other:
            return
        surfaces = self.surfaces
        a, b = self.levels[one] & LEVEL, self.levels[other] & LEVEL
        for here, there in ((one, other), (other, one)):
            owner = surfaces.owner.get(here)
            if owner is not None and here == surfaces.own[owner][0]:
                self.since[owner] |= 1 << there
        for here, level, there in ((one, b, other), (other, a, one)):
            if here in surfaces.guarded and level >= SUSPECT:
                self.broken("dirty-at-body", here, surfaces.names[there])
            elif here in surfaces.face and level == TREATED:
                self.broken("treated-at-face", here, surfaces.names[there])
            elif here == surfaces.hands and level >= SUSPECT:
                self.broken("dirty-at-hand", here, surfaces.names[there])
        worst = max(a, b)
        if worst >= SUSPECT:
            self.put(one, worst, how, surfaces.names[other])
            self.put(other, worst, how, surfaces.names[one])

    def act(self, act: Act, joined: frozenset[str], rubbed: bool) -> None:
        """Carry out one act."""
        role, surfaces = self.step.role, self.surfaces
        hand = surfaces.hand(role, tuple(self.worn))
        if act.kind == "doff":
            self._doff(act, hand, joined, rubbed)
        elif act.kind == "don":
            self._don(act, hand)
        elif act.kind == "change":
            self._doff(act, hand, joined, rubbed)
            self._don(act, surfaces.hand(role, tuple(self.worn)))
        elif act.kind in {"disinfect", "wipe"}:
            self._disinfect(act, hand)
        elif act.kind == "hygiene":
            self._hygiene(act)
        elif act.kind == "inspect" and act.target in surfaces.number:
            self.since[surfaces.number[act.target]] = 0
        elif act.kind == "touch":
            zone = self.surfaces.outermost(self._zone(act.target), tuple(self.worn))
            if not self._alive(zone):
                self.not_worn(zone, act.target)
                return
            self._helper_touches(role)
            if act.target == "floor" and self.flags & ENTERED:  # for a hand it is dirty, whatever it is for shoes
                if hand == surfaces.hands:
                    self.broken("dirty-at-hand", hand, "floor")
                self.put(hand, DIRTY, "contact", "floor")
                return
            self.touch(hand, zone)
        elif act.kind == "sit" and self._own("wearer", surfaces.at[act.target]):
            self._sit(surfaces.at[act.target])

    def _own(self, whose: str, zone: int) -> bool:
        """Whether that person takes part in the step; if not, it is noted."""
        if whose in {self.step.role, *self.step.also}:
            return True
        self.broken("wrong-role", zone, self.step.role)
        return False

    def _agent(self, surface: str, zone: int, usual: str) -> str:
        """The step's agent if it works on that kind of surface in the time given; otherwise ''."""
        timing = self.step.timing
        agent = AGENTS.get(timing.agent if timing else usual)
        if agent is None or surface not in agent.on:
            named = timing.agent if timing else usual
            self.broken("dirty-on-skin-agent" if agent and surface == "skin" else "wrong-agent", zone, named)
        elif timing is None:
            self.broken("no-time", zone, agent.name)
        elif timing.seconds < agent.least_s and not self.surfaces.protocol.practice:
            self.broken("no-time", zone, f"{timing.seconds:g} s of {agent.name}, at least {agent.least_s:g}")
        else:
            return agent.name
        return ""

    def _zone(self, target: str) -> int:
        number = self.surfaces.number.get(target)
        return self.surfaces.at[target] if number is None else self.surfaces.own[number][0]

    def _helper_touches(self, role: str) -> None:
        if role == "wearer" or not self.flags & ENTERED:
            return
        if self.flags & TOUCHED[role]:
            self.broken("helper-not-rubbed", self.surfaces.at[f"{role}.gloves"], role)
        self.flags |= TOUCHED[role]

    def _grip(self, act: Act, item: int) -> int:
        own = self.surfaces.own[item]
        if not act.grip or (self.slip is not None and self.slip.kind == "grip"):
            return own[0]
        return self.surfaces.at[f"{act.target}.{act.grip}"]

    def _don(self, act: Act, hand: int) -> None:
        surfaces, item = self.surfaces, self.surfaces.number[act.target]
        if item in self.worn:
            self.broken("worn-twice", surfaces.own[item][0], act.target)
            return
        again = bool(self.gone >> item & 1 and self.flags & ENTERED and not act.fresh and act.kind != "change")
        if again:
            self.broken("worn-again", surfaces.own[item][0], act.target)
        for zone in surfaces.own[item]:
            self.levels[zone] = DIRTY if again else CLEAN
        self.since[item] = 0
        hand_level = self.levels[hand] & LEVEL
        piece = surfaces.items[item]
        if piece.site == "hands" and self.step.role == "wearer":
            if hand == surfaces.hands and hand_level > CLEAN:
                self.broken("gloves-on-unclean-hands", hand, "hands")
            self.touch(hand, surfaces.at.get(f"{act.target}.inside", surfaces.own[item][0]))
        self._helper_touches(self.step.role)
        self.touch(hand, self._grip(act, item))
        if hand_level >= SUSPECT:
            for name in (*piece.covers, *piece.tight):
                if surfaces.at[name] in surfaces.face or name == "neck":
                    self.touch(hand, surfaces.at[name])
        self.worn.append(item)

    def _doff(self, act: Act, hand: int, joined: frozenset[str], rubbed: bool) -> None:
        surfaces, item = self.surfaces, self.surfaces.number[act.target]
        piece, first = surfaces.items[item], surfaces.own[item][0]
        self.gone |= 1 << item
        if item not in self.worn:
            self.not_worn(first, act.target)
            return
        if self.flags & ENTERED and not rubbed:
            outermost = surfaces.hand("wearer", tuple(self.worn))
            soiled = self.levels[outermost] & SOIL
            if not (soiled and outermost == first):  # soiled gloves that are binned themselves touch nothing else
                self.broken("through-soil" if soiled else "hygiene-missing", first, surfaces.names[outermost])
        self._blocked(item, joined)
        self._torn_kept(item, joined)
        if "tight-fit" in piece.traits:
            for other in self.worn:
                outside = [zone for zone in surfaces.own[other] if zone not in surfaces.inside]
                if "garment" in surfaces.items[other].traits and any(
                    self.levels[z] & LEVEL >= SUSPECT for z in outside
                ):
                    self.broken("respirator-too-early", first, surfaces.items[other].name)
        self._helper_touches(self.step.role)
        held = self._grip(act, item)
        if piece.say in _FACE_PIECES and held not in surfaces.holds:
            self.broken("front-held", held, surfaces.names[hand])
        under = self._under(item)
        if piece.site == "hands" and self.step.role == "wearer":
            hand = hand if hand != first else under
            if self.slip is not None and self.slip.kind == "grip":
                self.touch(under, first, "wrong grip")
            elif held == surfaces.at.get(f"{act.target}.inside"):
                self.touch(hand, held)
        else:
            self.touch(hand, held)
        carried = surfaces.at.get(f"{act.target}.inside", first) if act.manner == "roll" else first
        for name in act.passes:
            self.touch(carried, surfaces.outermost(surfaces.at[name], tuple(self.worn)), "brushing past")
        dirty = max(self.levels[zone] & LEVEL for zone in surfaces.own[item] if zone not in surfaces.inside)
        self.worn.remove(item)
        self.torn &= ~(1 << item)
        self._off(item, dirty, act)

    def _under(self, item: int) -> int:
        """The hand surface below a pair of gloves."""
        worn = tuple(other for other in self.worn if other != item)
        return self.surfaces.hand("wearer", worn)

    def _blocked(self, item: int, joined: frozenset[str]) -> None:
        """Note what lies over the item: of two things that meet, the later one is on top."""
        surfaces, place = self.surfaces, self.worn.index(item)
        mine = surfaces.items[item]
        for other in self.worn[place + 1 :]:
            above = surfaces.items[other]
            if above.name in joined:
                continue
            first = surfaces.own[item][0]
            if surfaces.meets(item, other, "cover") and mine.say != "hose":  # a hose is joined on outside
                self.broken("under-cover", first, above.name)
            elif "garment" in mine.traits and above.site in {"hands", "feet"} and surfaces.meets(item, other, "hem"):
                fresh = self.gone >> other & 1  # a fresh pair goes up to the sleeve, not over it
                if not fresh:
                    self.broken("cuff-order", first, above.name)

    def _torn_kept(self, item: int, joined: frozenset[str]) -> None:
        """Note that a torn glove next to the skin is still on while something else comes off."""
        if not self.torn or not self.flags & ENTERED:
            return
        gloves = [other for other in self.worn if self.surfaces.items[other].site == "hands"]
        if item in gloves or len(gloves) != 1:
            return  # a whole glove over or under it: its turn comes
        inner = gloves[0]
        if self.torn >> inner & 1 and self.surfaces.items[inner].name not in joined:
            self.broken("torn-kept", self.surfaces.own[inner][0], self.surfaces.items[item].name)

    def _off(self, item: int, dirty: int, act: Act) -> None:
        """What an item leaves behind when it comes off: overlap, flick, bare hands, feet on the floor."""
        surfaces, piece = self.surfaces, self.surfaces.items[item]
        if dirty >= SUSPECT:
            spoiled = [("overlap", surfaces.at[name]) for name in piece.overlap]
            if act.manner in {"snap", "shake"}:
                near = [surfaces.at[name] for name in _NEAR_FLICK]
                spoiled += [("flick", zone) for zone in near if not surfaces.cover(zone, tuple(self.worn))]
            for how, zone in spoiled:
                if self._alive(zone):
                    self.put(zone, max(dirty, self.levels[zone] & LEVEL), how, act.target)
                    if zone in surfaces.guarded:
                        self.broken("dirty-at-body", zone, act.target)
        if surfaces.room.get("bin") != "hands-free" and self.step.role == "wearer":
            self.touch(surfaces.hand("wearer", tuple(self.worn)), surfaces.at["bin"])
        bare = piece.site == "hands" and surfaces.hand("wearer", tuple(self.worn)) == surfaces.hands
        if bare and self.levels[surfaces.hands] & LEVEL < SUSPECT:
            self.put(surfaces.hands, SUSPECT, "glove removal", act.target)
        if "feet" in (*piece.tight, *piece.covers) and not surfaces.cover(surfaces.feet, tuple(self.worn)):
            self.touch(surfaces.feet, surfaces.at["floor"])
        for zone in surfaces.own[item]:
            self.levels[zone] = CLEAN
        self.since[item] = 0
        self.flags &= ~RUBBED

    def _disinfect(self, act: Act, hand: int) -> None:
        """Disinfect or wipe gloves, an item, shoes or furniture."""
        surfaces = self.surfaces
        item = surfaces.number.get(act.target)
        if item is not None and item not in self.worn:
            if act.kind == "disinfect":
                self.not_worn(surfaces.own[item][0], act.target)
            return
        targets = [self._zone(act.target)] if item is None else list(surfaces.own[item])
        targets = [zone for zone in targets if zone not in surfaces.inside]
        owner = item if item is not None else surfaces.owner.get(targets[0])
        glove = act.target.endswith(".gloves") or (owner is not None and surfaces.items[owner].site == "hands")
        whose = act.target.partition(".")[0] if act.target.endswith(".gloves") else "wearer"
        agent = self._agent("glove" if glove else "item", targets[0], "hand-rub" if glove else "surface-wipe")
        sprayed = act.kind == "wipe" or agent == "spray"
        if not agent or (glove and not sprayed and not self._own(whose, targets[0])):
            return
        if agent == "hand-rub" and surfaces.room.get("dispenser") != "hands-free":
            self.touch(hand, surfaces.at["dispenser"])
        open_zones = [zone for zone in targets if surfaces.cover(zone, tuple(self.worn)) not in {"tight", "leaky"}]
        if not open_zones:
            self.broken("covered", targets[0], act.target)
            return
        if act.kind == "wipe" and hand not in targets:
            for zone in open_zones:
                self.touch(hand, zone)
        if self.slip is not None and self.slip.kind == "short":
            return
        self._treat(act, open_zones)
        helper = act.target.partition(".")[0]
        if helper in TOUCHED:
            self.flags &= ~TOUCHED[helper]
        elif hand in targets and act.kind == "disinfect" and not self.levels[hand] & SOIL:
            self.flags |= RUBBED

    def _treat(self, act: Act, targets: list[int]) -> None:
        for zone in targets:
            if self.levels[zone] & SOIL:
                if act.kind != "wipe":
                    continue  # a rub over soil leaves it as it was
                self.levels[zone] &= ~SOIL
            self._settle(zone)
            if self.levels[zone] & LEVEL > TREATED:
                self.put(zone, TREATED, act.kind, act.target)

    def _hygiene(self, act: Act) -> None:
        """Rub or wash bare skin."""
        surfaces = self.surfaces
        zone = surfaces.at[act.target]
        agent = self._agent("skin", zone, "hand-rub")
        if zone == surfaces.hands and surfaces.hand("wearer", tuple(self.worn)) != surfaces.hands:
            self.broken("hygiene-over-gloves", zone, act.target)
            return
        if not agent or not self._own("wearer", zone):
            return
        if surfaces.room.get("dispenser") != "hands-free":
            self.touch(surfaces.hands, surfaces.at["dispenser"])
        if self.slip is not None and self.slip.kind == "short":
            return
        self._settle(zone)
        self.put(zone, CLEAN, "hygiene", agent)
        if zone == surfaces.hands:
            self.put(surfaces.wrists, CLEAN, "hygiene", agent)
            self.flags |= RUBBED

    def _sit(self, seat: int) -> None:
        """Sit down: the seat meets the outermost back, or the clothes."""
        surfaces = self.surfaces
        over = [item for item in self.worn if "uniform" in (*surfaces.items[item].tight, *surfaces.items[item].covers)]
        if over:
            back = surfaces.at.get(f"{surfaces.items[over[-1]].name}.back", surfaces.own[over[-1]][0])
            self.touch(back, seat)
            return
        if self.levels[seat] & LEVEL >= SUSPECT and self.flags & ENTERED:
            self.broken("dirty-seat", surfaces.at["uniform"], surfaces.names[seat])
            self.put(surfaces.at["uniform"], self.levels[seat] & LEVEL, "contact", surfaces.names[seat])
        elif self.levels[surfaces.at["uniform"]] & LEVEL >= SUSPECT:
            self.put(seat, self.levels[surfaces.at["uniform"]] & LEVEL, "contact", "uniform")

    def date_back(self, item: int, what: str) -> None:
        """A tear or soil is as old as the last 'clear': whatever the item touched since is suspect, or dirty."""
        surfaces, first = self.surfaces, self.surfaces.own[item][0]
        level = self.levels[first] & LEVEL
        if what == "soiled":
            self.put(first, DIRTY, "soil found", "the patient")
            self.levels[first] |= SOIL
            level = DIRTY
        elif surfaces.items[item].site == "hands":
            # the skin below touched what the glove touched, and its own contamination went the other way
            under = self._under(item)
            level = self.levels[under] & LEVEL
            if self.flags & ENTERED:
                self.put(under, max(SUSPECT, level), "tear", surfaces.names[first])
        for zone in range(len(surfaces.names)):
            if self.since[item] >> zone & 1 and zone != first and self._alive(zone):
                worse = max(level, self.levels[zone] & LEVEL)
                self.put(zone, worse, f"{what}, dated back", surfaces.names[first])
        self.since[item] = 0

    def _settle(self, zone: int) -> None:
        """What a surface touched before it was disinfected can no longer be dated back to it."""
        self.since = [touched & ~(1 << zone) for touched in self.since]

    def _alive(self, zone: int) -> bool:
        owner = self.surfaces.owner.get(zone)
        return owner is None or owner in self.worn
