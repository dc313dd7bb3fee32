"""A protocol's surfaces, numbered, and how they overlap. Pure."""

from __future__ import annotations

from voicecoach.protocol import zones
from voicecoach.protocol.model import Protocol

_FACE = frozenset({"face", "eyes", "hair"})
_GUARDED = frozenset(zones.BODY) - {"hands", "feet"}


class Surfaces:
    """The surfaces of the items, the body and the room.

    What is exposed depends on the order of donning: `worn` is always in that order.
    """

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
        self.limbs = sum(1 << n for n, item in enumerate(self.items) if item.site in {"hands", "feet"})
        self.lies: dict[int, list[tuple[int, str]]] = {}
        for index, item in enumerate(self.items):
            for seal, listed in (("leaky", item.covers), ("tight", item.tight), ("overlap", item.overlap)):
                for name in listed:
                    self.lies.setdefault(self.at[name], []).append((index, seal))
        self.room = dict(protocol.room)
        self.spared = frozenset(self.at[f"{item.name}.{zone}"] for item in self.items for zone in item.spared)
        self.bare = frozenset(self.at[name] for name in protocol.exposed)
        self._meets: dict[tuple[int, int, str], bool] = {}
        self._worn: dict[tuple[int, ...], tuple[tuple[int, ...], int, int]] = {}
        self._overs: dict[int, int] = {}
        self._covers: dict[tuple[int, tuple[int, ...]], str] = {}

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

    def outermost(self, zone: int, worn: tuple[int, ...]) -> int:
        """What a hand touches that goes to `zone`: the zone, or the outside of whatever is worn over it."""
        base = worn.index(self.owner[zone]) if self.owner.get(zone) in worn else -1
        over = [
            worn.index(item)
            for item, seal in self.lies.get(zone, ())
            if seal != "overlap" and item in worn and worn.index(item) > base
        ]
        return self.outermost(self.own[worn[max(over)]][0], worn) if over else zone

    def meets(self, one: int, other: int, how: str) -> bool:
        """Whether the two items overlap, whichever is on top: 'cover' (a piece) or 'hem' (an end)."""
        key = (one, other, how)
        known = self._meets.get(key)
        if known is None:
            known = self._meets[key] = self._lies_over(one, other, how) or self._lies_over(other, one, how)
        return known

    def _lies_over(self, one: int, other: int, how: str) -> bool:
        item = self.items[one]
        named = {*item.covers, *item.tight} if how == "cover" else {*item.overlap}
        return any(self.names[zone] in named for zone in self.own[other])

    def plain(self, worn: tuple[int, ...]) -> tuple[tuple[int, ...], int, int]:
        """What of an order of donning can ever matter.

        Returns:
            The first of all orders in which the same things lie over each other; a bit set of the surfaces that are
            there with these things worn; and a bit set of gloves and boots over the end of a garment: only of those
            does it matter whether they are a fresh pair.
        """
        known = self._worn.get(worn)
        if known is None:
            left, order = list(worn), []
            while left:
                before, first = 0, len(self.items)
                for item in left:
                    if item < first and not before & self._over(item):
                        first = item
                    before |= 1 << item
                order.append(first)
                left.remove(first)
            gone = [zone for item, own in enumerate(self.own) if item not in worn for zone in own]
            there = (1 << len(self.names)) - 1 & ~sum(1 << zone for zone in gone)
            ends = [
                item
                for n, item in enumerate(order)
                if self.limbs >> item & 1
                and any("garment" in self.items[one].traits and self.meets(one, item, "hem") for one in order[:n])
            ]
            known = self._worn[worn] = (tuple(order), there, sum(1 << item for item in ends))
        return known

    def _over(self, one: int) -> int:
        """A bit set of the items for which it matters whether they or this one were put on first."""
        known = self._overs.get(one)
        if known is None:
            known = self._overs[one] = sum(1 << n for n in range(len(self.items)) if self._ordered(one, n))
        return known

    def _ordered(self, one: int, other: int) -> bool:
        a, b = self.items[one], self.items[other]
        if a.site == b.site or self.meets(one, other, "cover") or self.meets(one, other, "hem"):
            return True
        return bool({*a.covers, *a.tight, *a.overlap} & {*b.covers, *b.tight, *b.overlap})

    def hand(self, role: str, worn: tuple[int, ...]) -> int:
        """The surface that the acting hand touches with: the outermost glove, the bare hand, or a helper's glove."""
        if role != "wearer":
            return self.at[f"{role}.gloves"]
        gloves = [item for item in worn if self.items[item].site == "hands"]
        return self.own[gloves[-1]][0] if gloves else self.hands
