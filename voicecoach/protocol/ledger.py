"""What is worn and the state of the hands, and how each act changes them. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from voicecoach.protocol.model import Act

Worn = Literal["never", "on", "off"]
Hands = Literal["bare", "clean", "rubbed", "not-rubbed"]


@dataclass(frozen=True, slots=True)
class Ledger:
    """What is worn, the state of the hands, and when each item was last found whole.

    items: (item, 'never' | 'on' | 'off') in the protocol's order. clear_at: (item, sample) of the last 'clear' or,
    before one, of putting it on. torn: items known to be torn that are still
    on, and a hose that is known to bring no air.
    """

    items: tuple[tuple[str, Worn], ...]
    hands: Hands = "bare"
    clear_at: tuple[tuple[str, int], ...] = ()
    torn: tuple[str, ...] = ()

    def worn(self, item: str) -> Worn:
        """How the item stands; 'never' for one that is unknown."""
        return dict(self.items).get(item, "never")

    def on(self) -> tuple[str, ...]:
        """Items that are worn, in the protocol's order."""
        return tuple(item for item, worn in self.items if worn == "on")

    def put(self, item: str, worn: Worn) -> Ledger:
        """The ledger with one item set."""
        items = tuple((name, worn if name == item else old) for name, old in self.items)
        return replace(self.forget_tear(item), items=items)

    def tear(self, item: str) -> Ledger:
        """The ledger with `item` known to be torn."""
        return replace(self, torn=(*self.forget_tear(item).torn, item))

    def forget_tear(self, item: str) -> Ledger:
        """The ledger with `item` no longer known to be torn: it is off, or seen to."""
        return replace(self, torn=tuple(name for name in self.torn if name != item))

    def found_clear(self, item: str, at: int) -> Ledger:
        """The ledger with `item` known to be whole at sample `at`."""
        rest = tuple(pair for pair in self.clear_at if pair[0] != item)
        return replace(self, clear_at=(*rest, (item, at)))

    def corrected(self, item: str, worn: Worn) -> Ledger:
        """The ledger as a person says it is; if it said otherwise, the hands are not trusted either."""
        return self if self.worn(item) == worn else replace(self.put(item, worn), hands="not-rubbed")

    def unsure(self) -> Ledger:
        """The ledger without what nobody has seen: used where an act is only assumed to be done."""
        return replace(self, hands="not-rubbed")

    def after(self, acts: tuple[Act, ...], at: int) -> Ledger:
        """The ledger when all these acts are done at sample `at`."""
        ledger = self
        for act in acts:
            if act.kind == "don":
                ledger = ledger.put(act.target, "on").found_clear(act.target, at)
            elif act.kind == "doff":
                ledger = replace(ledger.put(act.target, "off"), hands="not-rubbed")
            elif act.kind == "change":
                ledger = ledger.put(act.target, "on").found_clear(act.target, at)
            elif act.kind == "inspect":
                ledger = ledger.found_clear(act.target, at)
            elif act.kind == "hygiene":
                ledger = replace(ledger, hands="clean")
            elif act.kind == "disinfect":
                ledger = replace(ledger, hands="rubbed")
            elif act.kind in {"touch", "wipe", "sit"}:
                ledger = replace(ledger, hands="not-rubbed")
        return ledger
