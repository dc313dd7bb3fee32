"""Disinfectants: what each is for, and its least contact time. Pure data; a site may require more, never less."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Agent:
    """A kind of disinfectant. on: what it is for: 'glove', 'skin', 'item' (other items, shoes, furniture). least_s: the
    shortest time in any source (s). basis: as in model.BASES. stand_in: no source gives a time, so that this one stands
    in for the label of the site's product.
    """

    name: str
    on: frozenset[str]
    least_s: float
    source: str
    basis: str
    stand_in: bool = False


TABLE = (
    Agent("hand-rub", frozenset({"glove", "skin"}), 20, "WHO hand rub 20 to 30 s; Hong Kong CHP at least 20 s", "read"),
    Agent("soap-and-water", frozenset({"skin"}), 20, "CDC for the public at least 20 s; WHO 40 to 60 s", "second-hand"),
    Agent(
        "surface-wipe", frozenset({"glove", "item"}), 60, "the product's label", "common practice, no source",
        stand_in=True,
    ),
    Agent("spray", frozenset({"glove", "item"}), 120, "a US local checklist of 2014, wait 2 minutes", "read"),
    Agent(
        "chlorine-0.5", frozenset({"glove", "item"}), 40, "MSF for gloves and equipment, no time given", "second-hand",
        stand_in=True,
    ),
    Agent(
        "chlorine-0.05", frozenset({"skin", "glove"}), 40, "MSF for bare hands; as WHO's hand wash", "second-hand",
        stand_in=True,
    ),
)  # fmt: skip
AGENTS = {agent.name: agent for agent in TABLE}
