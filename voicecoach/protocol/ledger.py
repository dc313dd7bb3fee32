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

    items: (item, 'never' | 'on' | 'off') in the protocol's order. clear_at: (item, sample) of the item's last 'clear',
    or of putting it on. torn: items known to be torn and still on, and a hose known to bring no air.
    """

    items: tuple[tuple[str, Worn], ...]
    hands: Hands = "bare"
    clear_at: tuple[tuple[str, int], ...] = ()
    torn: tuple[str, ...] = ()

    def worn(self, item: str) -> Worn:
        """Whether the item is worn; 'never' for an unknown one."""
        for name, worn in self.items:  # called very often
            if name == item:
                return worn
        return "never"

    def on(self) -> tuple[str, ...]:
        """The items that are worn, in the protocol's order."""
        return tuple([item for item, worn in self.items if worn == "on"])  # a list is quicker; asked very often

    def put(self, item: str, worn: Worn) -> Ledger:
        """The ledger with `item` set to `worn`."""
        items = tuple((name, worn if name == item else old) for name, old in self.items)
        return replace(self.forget_tear(item), items=items)

    def tear(self, item: str) -> Ledger:
        """The ledger with `item` known to be torn."""
        return replace(self, torn=(*self.forget_tear(item).torn, item))

    def forget_tear(self, item: str) -> Ledger:
        """The ledger with `item` no longer known to be torn: it is off, or its tear has been dealt with."""
        return replace(self, torn=tuple(name for name in self.torn if name != item))

    def found_clear(self, item: str, at: int) -> Ledger:
        """The ledger with `item` known to be whole at sample `at`."""
        rest = tuple(pair for pair in self.clear_at if pair[0] != item)
        return replace(self, clear_at=(*rest, (item, at)))

    def corrected(self, item: str, worn: Worn) -> Ledger:
        """The ledger as a person says it is; if that differs, the hands count as dirty."""
        return self if self.worn(item) == worn else replace(self.put(item, worn), hands="not-rubbed")

    def unsure(self) -> Ledger:
        """The ledger after an act that nobody saw: the hands count as dirty."""
        return Ledger(self.items, "not-rubbed", self.clear_at, self.torn)  # made very often: quicker than `replace`

    def after(self, acts: tuple[Act, ...], at: int) -> Ledger:
        """The ledger once all these acts are done, at sample `at`."""
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
