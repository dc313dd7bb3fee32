"""The surfaces that a protocol can name: of items by their kind, of the body, and of the room. Pure."""

from __future__ import annotations

from voicecoach.protocol.model import Item

BODY = ("hands", "wrists", "face", "eyes", "hair", "neck", "arms", "trunk", "legs", "feet", "uniform")
ROOM = ("floor", "seat", "clean-chair", "bin", "dispenser", "door", "mirror", "screen")
ROOM_STATES = ("clean", "dirty", "hands-free")
HELPERS = ("observer", "assistant")  # in `room`, a dirty helper is one who was with the patient
MANNERS = ("", "roll", "snap", "shake", "tuck")
TRAITS = ("tight-fit", "garment", "belt-papr", "reusable", "stays-on", "tear-away")
# What can be checked without touching anything.
PLACES = ("partner", "needs", "belongings", "set", "seal", "fit", "exposed-skin", "area", "way-out", "talk")

# By the item's spoken word. The first zone, the worst one, is what hands touch if no grip is named.
_BY_KIND = {
    "gloves": ("outside", "cuff", "inside"),
    "gown": ("front", "back", "cuff", "ties", "inside"),
    "coverall": ("front", "back", "cuff", "zip", "hem", "inside"),
    "apron": ("front", "ties", "inside"),
    "mask": ("front", "straps", "inside"),
    "shield": ("front", "strap", "inside"),
    "goggles": ("front", "strap", "inside"),
    "hood": ("front", "edge", "inside"),
    "boots": ("outside", "top", "inside"),
    "hose": ("outside", "end"),
    "belt": ("outside", "buckle", "inside"),
    "helmet": ("front", "edge", "inside"),
}
KINDS = tuple(_BY_KIND)
HOLDS = ("strap", "straps", "edge", "ties", "end", "buckle")
"""Zones by which a piece at the face may be held."""


def zones_of(item: Item) -> tuple[str, ...]:
    """The zones of an item: its own, or those of its kind."""
    return item.zones or _BY_KIND.get(item.say, ("outside", "inside"))


def zone_names(item: Item) -> tuple[str, ...]:
    """The zones of an item as 'item.zone'."""
    return tuple(f"{item.name}.{zone}" for zone in zones_of(item))
