"""One step carried out on the surfaces: who touches what, what spreads, and which rule that breaks. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from voicecoach.protocol.model import Act, Step
from voicecoach.protocol.rules import AGENTS, CLEAN, DIRTY, SUSPECT, TREATED
from voicecoach.protocol.world import ENTERED, LEVEL, RUBBED, SOIL, TOUCHED, Contact, Found, Slip, World

if TYPE_CHECKING:
    from voicecoach.protocol.contamination import Model

_FACE_PIECES = frozenset({"mask", "shield", "goggles", "hood", "helmet"})
_NEAR_FLICK = ("face", "eyes", "hair", "neck", "uniform")


class Run:
    """One step being carried out on a copy of the world: `found` and `log` grow, `world()` gives the result."""

    def __init__(self, model: Model, world: World, step: Step, log: list[Contact] | None, slip: Slip | None) -> None:
        self.model, self.step, self.log, self.slip = model, step, log, slip
        self.levels = bytearray(world.levels)
        self.worn = list(world.worn)
        self.since = list(world.since)
        self.flags = world.flags
        self.found: list[Found] = []

    def world(self) -> World:
        """The world as it now is."""
        return World(bytes(self.levels), tuple(self.worn), tuple(self.since), self.flags)

    def broken(self, rule: str, zone: int, carrier: str) -> None:
        """Say that a rule is broken, on which surface, and what carried it."""
        self.found.append(Found(rule, self.step.name, self.model.names[zone], carrier))

    def put(self, zone: int, level: int, how: str, carrier: str) -> None:
        """Raise or set the level of a surface, keeping soil; write it in the log."""
        before = self.levels[zone]
        after = before & SOIL | level
        if after != before:
            self.levels[zone] = after
            if self.log is not None:
                self.log.append(Contact(self.step.name, self.model.names[zone], before & LEVEL, level, how, carrier))

    def touch(self, one: int, other: int, how: str = "contact") -> None:
        """Two surfaces meet: the worse one spreads, and what may not be met is said."""
        if one == other:
            return
        model = self.model
        a, b = self.levels[one] & LEVEL, self.levels[other] & LEVEL
        for here, there in ((one, other), (other, one)):
            owner = model.owner.get(here)
            if owner is not None and here == model.own[owner][0]:
                self.since[owner] |= 1 << there
        for here, level, there in ((one, b, other), (other, a, one)):
            if here in model.guarded and level >= SUSPECT:
                self.broken("dirty-at-body", here, model.names[there])
            elif here in model.face and level == TREATED:
                self.broken("treated-at-face", here, model.names[there])
            elif here == model.hands and level >= SUSPECT:
                self.broken("dirty-at-hand", here, model.names[there])
        worst = max(a, b)
        if worst >= SUSPECT:
            self.put(one, worst, how, model.names[other])
            self.put(other, worst, how, model.names[one])

    def act(self, act: Act, joined: frozenset[str], rubbed: bool) -> None:
        """Carry out one act."""
        role, model = self.step.role, self.model
        hand = model.hand(role, tuple(self.worn))
        if act.kind == "doff":
            self._doff(act, hand, joined, rubbed)
        elif act.kind == "don":
            self._don(act, hand)
        elif act.kind == "change":
            self._doff(act, hand, joined, rubbed)
            self._don(act, model.hand(role, tuple(self.worn)))
        elif act.kind in {"disinfect", "wipe"}:
            self._disinfect(act, hand)
        elif act.kind == "hygiene":
            self._hygiene(act)
        elif act.kind == "inspect" and act.target in model.number:
            self.since[model.number[act.target]] = 0
        elif act.kind == "touch":
            zone = self._zone(act.target)
            if not self._alive(zone):
                self.broken("not-worn", zone, act.target)
                return
            self._helper_touches(role)
            self.touch(hand, zone)
        elif act.kind == "sit":
            self._sit(model.at[act.target])

    def _zone(self, target: str) -> int:
        number = self.model.number.get(target)
        return self.model.at[target] if number is None else self.model.own[number][0]

    def _helper_touches(self, role: str) -> None:
        if role == "wearer" or not self.flags & ENTERED:
            return
        if self.flags & TOUCHED[role]:
            self.broken("helper-not-rubbed", self.model.at[f"{role}.gloves"], role)
        self.flags |= TOUCHED[role]

    def _grip(self, act: Act, item: int) -> int:
        own = self.model.own[item]
        if not act.grip or (self.slip is not None and self.slip.kind == "grip"):
            return own[0]
        return self.model.at[f"{act.target}.{act.grip}"]

    def _don(self, act: Act, hand: int) -> None:
        model, item = self.model, self.model.number[act.target]
        if item in self.worn:
            self.broken("worn-twice", model.own[item][0], act.target)
            return
        for zone in model.own[item]:
            self.levels[zone] = CLEAN
        self.since[item] = 0
        hand_level = self.levels[hand] & LEVEL
        piece = model.items[item]
        if piece.site == "hands" and self.step.role == "wearer":
            if hand == model.hands and hand_level > CLEAN:
                self.broken("gloves-on-unclean-hands", hand, "hands")
            self.touch(hand, model.at.get(f"{act.target}.inside", model.own[item][0]))
        self._helper_touches(self.step.role)
        self.touch(hand, self._grip(act, item))
        if hand_level >= SUSPECT:
            for name in (*piece.covers, *piece.tight):
                if model.at[name] in model.face or name == "neck":
                    self.touch(hand, model.at[name])
        self.worn.append(item)

    def _doff(self, act: Act, hand: int, joined: frozenset[str], rubbed: bool) -> None:
        model, item = self.model, self.model.number[act.target]
        piece, first = model.items[item], model.own[item][0]
        if item not in self.worn:
            self.broken("not-worn", first, act.target)
            return
        if self.flags & ENTERED and not rubbed:
            outermost = model.hand("wearer", tuple(self.worn))
            soiled = self.levels[outermost] & SOIL
            self.broken("through-soil" if soiled else "hygiene-missing", first, model.names[outermost])
        self._blocked(item, joined)
        if "tight-fit" in piece.traits:
            for other in self.worn:
                outside = [zone for zone in model.own[other] if zone not in model.inside]
                if "garment" in model.items[other].traits and any(self.levels[z] & LEVEL >= SUSPECT for z in outside):
                    self.broken("respirator-too-early", first, model.items[other].name)
        self._helper_touches(self.step.role)
        held = self._grip(act, item)
        if piece.say in _FACE_PIECES and held not in model.holds:
            self.broken("front-held", held, model.names[hand])
        under = self._under(item)
        if piece.site == "hands" and self.step.role == "wearer":
            hand = hand if hand != first else under
            if self.slip is not None and self.slip.kind == "grip":
                self.touch(under, first, "wrong grip")
            elif held == model.at.get(f"{act.target}.inside"):
                self.touch(hand, held)
        else:
            self.touch(hand, held)
        carried = model.at.get(f"{act.target}.inside", first) if act.manner == "roll" else first
        for name in act.passes:
            self.touch(carried, model.at[name], "brushing past")
        dirty = max(self.levels[zone] & LEVEL for zone in model.own[item] if zone not in model.inside)
        self.worn.remove(item)
        self._off(item, dirty, act)

    def _under(self, item: int) -> int:
        """The hand surface below a pair of gloves."""
        worn = tuple(other for other in self.worn if other != item)
        return self.model.hand("wearer", worn)

    def _blocked(self, item: int, joined: frozenset[str]) -> None:
        model, place = self.model, self.worn.index(item)
        for other in self.worn[place + 1 :]:
            above = model.items[other]
            if above.name in joined:
                continue
            mine = {model.names[zone] for zone in model.own[item]}
            if mine & {*above.covers, *above.tight}:
                self.broken("under-cover", model.own[item][0], above.name)
            elif mine & set(above.overlap) and above.site == "hands" and "garment" in model.items[item].traits:
                self.broken("cuff-order", model.own[item][0], above.name)

    def _off(self, item: int, dirty: int, act: Act) -> None:
        """What a thing leaves behind when it is gone: overlap, flick, bare hands, feet on the floor."""
        model, piece = self.model, self.model.items[item]
        if dirty >= SUSPECT:
            spoiled = [("overlap", model.at[name]) for name in piece.overlap]
            if act.manner in {"snap", "shake"}:
                near = [model.at[name] for name in _NEAR_FLICK]
                spoiled += [("flick", zone) for zone in near if not model.cover(zone, tuple(self.worn))]
            for how, zone in spoiled:
                if self._alive(zone):
                    self.put(zone, max(dirty, self.levels[zone] & LEVEL), how, act.target)
                    if zone in model.guarded:
                        self.broken("dirty-at-body", zone, act.target)
        if model.room.get("bin") != "hands-free" and self.step.role == "wearer":
            self.touch(model.hand("wearer", tuple(self.worn)), model.at["bin"])
        bare = piece.site == "hands" and model.hand("wearer", tuple(self.worn)) == model.hands
        if bare and self.levels[model.hands] & LEVEL < SUSPECT:
            self.put(model.hands, SUSPECT, "glove removal", act.target)
        if "feet" in (*piece.tight, *piece.covers) and not model.cover(model.feet, tuple(self.worn)):
            self.touch(model.feet, model.at["floor"])
        for zone in model.own[item]:
            self.levels[zone] = CLEAN
        self.since[item] = 0
        self.flags &= ~RUBBED

    def _disinfect(self, act: Act, hand: int) -> None:
        """Disinfect or wipe gloves, an item, shoes or furniture."""
        model = self.model
        item = model.number.get(act.target)
        if item is not None and item not in self.worn:
            if act.kind == "disinfect":
                self.broken("not-worn", model.own[item][0], act.target)
            return
        targets = [self._zone(act.target)] if item is None else list(model.own[item])
        targets = [zone for zone in targets if zone not in model.inside]
        owner = item if item is not None else model.owner.get(targets[0])
        glove = act.target.endswith(".gloves") or (owner is not None and model.items[owner].site == "hands")
        timing = self.step.timing
        agent = timing.agent if timing else ("hand-rub" if glove else "surface-wipe")
        if ("glove" if glove else "item") not in AGENTS.get(agent, {"glove", "item"}):
            self.broken("wrong-agent", targets[0], agent)
            return
        if timing is None:
            self.broken("no-time", targets[0], agent)
            return
        if agent == "hand-rub" and model.room.get("dispenser") != "hands-free":
            self.touch(hand, model.at["dispenser"])
        open_zones = [zone for zone in targets if model.cover(zone, tuple(self.worn)) not in {"tight", "leaky"}]
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
        model = self.model
        zone, timing = model.at[act.target], self.step.timing
        agent = timing.agent if timing else "hand-rub"
        if "skin" not in AGENTS.get(agent, {"skin"}):
            self.broken("dirty-on-skin-agent", zone, agent)
        if zone == model.hands and model.hand("wearer", tuple(self.worn)) != model.hands:
            self.broken("hygiene-over-gloves", zone, act.target)
            return
        if timing is None:
            self.broken("no-time", zone, agent)
            return
        if model.room.get("dispenser") != "hands-free":
            self.touch(model.hands, model.at["dispenser"])
        if self.slip is not None and self.slip.kind == "short":
            return
        self._settle(zone)
        self.put(zone, CLEAN, "hygiene", agent)
        if zone == model.hands:
            self.put(model.wrists, CLEAN, "hygiene", agent)
            self.flags |= RUBBED

    def _sit(self, seat: int) -> None:
        """Sit down: the seat meets the outermost back, or the clothes."""
        model = self.model
        over = [item for item in self.worn if "uniform" in (*model.items[item].tight, *model.items[item].covers)]
        if over:
            back = model.at.get(f"{model.items[over[-1]].name}.back", model.own[over[-1]][0])
            self.touch(back, seat)
            return
        if self.levels[seat] & LEVEL >= SUSPECT:
            self.broken("dirty-seat", model.at["uniform"], model.names[seat])
            self.put(model.at["uniform"], self.levels[seat] & LEVEL, "contact", model.names[seat])
        elif self.levels[model.at["uniform"]] & LEVEL >= SUSPECT:
            self.put(seat, self.levels[model.at["uniform"]] & LEVEL, "contact", "uniform")

    def date_back(self, item: int, what: str) -> None:
        """A tear or soil is as old as the last 'clear': what the item touched since is suspect, or dirty."""
        model, first = self.model, self.model.own[item][0]
        level = self.levels[first] & LEVEL
        if what == "soiled":
            self.put(first, DIRTY, "soil found", "the patient")
            self.levels[first] |= SOIL
            level = DIRTY
        elif model.items[item].site == "hands":
            # the skin below met what the glove met, and what it had on it went the other way
            under = self._under(item)
            level = self.levels[under] & LEVEL
            if self.flags & ENTERED:
                self.put(under, max(SUSPECT, level), "tear", model.names[first])
        for zone in range(len(model.names)):
            if self.since[item] >> zone & 1 and zone != first and self._alive(zone):
                worse = max(level, self.levels[zone] & LEVEL)
                self.put(zone, worse, f"{what}, dated back", model.names[first])
        self.since[item] = 0

    def _settle(self, zone: int) -> None:
        """What a surface met before it was disinfected can no longer be dated back to it."""
        self.since = [touched & ~(1 << zone) for touched in self.since]

    def _alive(self, zone: int) -> bool:
        owner = self.model.owner.get(zone)
        return owner is None or owner in self.worn
