"""How bad it is where contamination arrives; the worst is 1. By what a place is, never by its name. Pure."""

from __future__ import annotations

from collections.abc import Iterable

from voicecoach.protocol.model import Item

WEIGHT: dict[str, float] = {
    "face": 1.0, "eyes": 1.0, "hands": 0.6, "wrists": 0.5, "neck": 0.4, "hair": 0.4, "arms": 0.3, "trunk": 0.3,
    "legs": 0.2, "feet": 0.2, "uniform": 0.2,
}  # fmt: skip
BREATHED_THROUGH = 1.0
"""The front of a piece that fits tightly over the face: whatever is there is breathed in."""
OTHER = 0.2
LOST_BARRIER = 0.02
"""Of a slip that removes a barrier without any arrival."""


def worst(sites: Iterable[str], items: Iterable[Item]) -> float:
    """The greatest weight of these places; 0 if there are none."""
    breathed = {f"{item.name}.front" for item in items if item.say == "mask"}
    return max((BREATHED_THROUGH if site in breathed else WEIGHT.get(site, OTHER) for site in sites), default=0.0)
