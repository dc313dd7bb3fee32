"""Each published order on which all sources agree, broken in each protocol that it applies to: the check reports it.

How an order is broken is written down here apart from the checker's own table; sources stand in
test_published_orders.py and in the table itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from voicecoach.checker import orders
from voicecoach.protocol.model import Protocol, StagePlan, Step
from voicecoach.runtime.library import load_protocol

HERE = Path(__file__).parents[2]
HIGH = [
    p
    for file in sorted((HERE / "protocols").glob("*.yaml"))
    if "ebola-level" in (p := load_protocol(str(file))[0]).scope
]
DON, DOFF = ("prepare", "dress"), ("undress", "close")
Flat = list[tuple[str, Step]]
Wanted = tuple[str, ...]
Change = Callable[[Protocol], "Protocol | None"]


def does(protocol: Protocol, step: Step, wanted: Wanted) -> bool:
    """Whether the step has an act of that kind on one of these things; gloves are 'inner' or 'outer'."""
    kind, *things = wanted
    says = {item.name: item.say for item in protocol.items}
    says |= {item.name: "outer" if item.layer > 1 else "inner" for item in protocol.items if item.say == "gloves"}
    done = {says.get(whole := act.target.partition(".")[0], whole) for act in step.acts if act.kind == kind}
    return bool(done & set(things) if things else done)


def at(protocol: Protocol, flat: Flat, wanted: Wanted) -> list[int]:
    return [n for n, (_, step) in enumerate(flat) if does(protocol, step, wanted)]


def rebuilt(protocol: Protocol, stages: tuple[str, ...], change: Callable[[Flat], Flat | None]) -> Protocol | None:
    """The protocol with the steps of these stages put another way; None when there is nothing to put another way."""
    flat = change([(plan.stage, step) for plan in protocol.stages if plan.stage in stages for step in plan.steps])
    if flat is None:
        return None
    plans = (
        StagePlan(plan.stage, tuple(step for stage, step in flat if stage == plan.stage))
        if plan.stage in stages
        else plan
        for plan in protocol.stages
    )
    return replace(protocol, stages=tuple(plans))


def late(stages: tuple[str, ...], first: Wanted, then: Wanted) -> Change:
    """All steps of `first` that stand before the first one of `then` come right after it."""

    def change(protocol: Protocol) -> Protocol | None:
        def put(flat: Flat) -> Flat | None:
            ends = at(protocol, flat, then)
            firsts = [n for n in at(protocol, flat, first) if ends and n < ends[0]]
            if not ends or not firsts:
                return None
            moved = [(flat[ends[0]][0], flat[n][1]) for n in firsts]
            rest = [one for n, one in enumerate(flat[: ends[0] + 1]) if n not in firsts]
            return [*rest, *moved, *flat[ends[0] + 1 :]]

        return rebuilt(protocol, stages, put)

    return change


def early(stages: tuple[str, ...], last: Wanted, then: Wanted) -> Change:
    """All steps of `then` that stand after the last one of `last` come right before it."""

    def change(protocol: Protocol) -> Protocol | None:
        def put(flat: Flat) -> Flat | None:
            lasts = at(protocol, flat, last)
            thens = [n for n in at(protocol, flat, then) if lasts and n > lasts[-1]]
            if not lasts or not thens:
                return None
            moved = [(flat[lasts[-1]][0], flat[n][1]) for n in thens]
            rest = [one for n, one in enumerate(flat) if n not in thens]
            place = lasts[-1]
            return [*rest[:place], *moved, *rest[place:]]

        return rebuilt(protocol, stages, put)

    return change


def gone(stages: tuple[str, ...], what: Wanted, between: Wanted) -> Change:
    """The steps of `what` between the first two of `between` are left out."""

    def change(protocol: Protocol) -> Protocol | None:
        def put(flat: Flat) -> Flat | None:
            ends = at(protocol, flat, between)
            out = {n for kind in what for n in at(protocol, flat, (kind,)) if len(ends) > 1 and ends[0] < n < ends[1]}
            return [one for n, one in enumerate(flat) if n not in out] if out else None

        return rebuilt(protocol, stages, put)

    return change


def by_wearer(protocol: Protocol) -> Protocol | None:
    def put(flat: Flat) -> Flat | None:
        if not at(protocol, flat, ("doff", "hose")):
            return None
        return [
            (stage, replace(step, role="wearer") if any("hose" in act.target for act in step.acts) else step)
            for stage, step in flat
        ]

    return rebuilt(protocol, DOFF, put)


def before_the_airway(protocol: Protocol) -> Protocol | None:
    """The outer gloves come off after the mask, or after the hood where that is what is breathed through."""
    masked = any(item.say == "mask" for item in protocol.items)
    return late(DOFF, ("doff", "outer"), ("doff", "mask" if masked else "hood"))(protocol)


GARMENT, EYES, MASK = ("gown", "coverall"), ("shield", "goggles"), ("mask",)
BROKEN: dict[str, Change] = {
    "D1": late(DON, ("verify", "partner"), ("hygiene", "hands")),
    "D2": late(DON, ("verify", "belongings"), ("hygiene", "hands")),
    "D3": late(DON, ("verify", "set"), ("don",)),
    "D4": late(DON, ("hygiene", "hands"), ("don", "inner")),
    "D5b": late(DON, ("don", "inner"), ("don", *GARMENT)),
    "D8": late(DON, ("don", *MASK), ("don", *EYES)),
    "D9": late(DON, ("don", *MASK), ("don", "hood")),
    "D10": late(DON, ("verify", "seal"), ("don", "hood", *EYES)),
    "D12": late(DON, ("don", "inner"), ("don", "outer")),
    "D12b": late(DON, ("don", *GARMENT), ("don", "outer")),
    "D15": late(DON, ("don", *GARMENT), ("don", "belt")),
    "D16": early(DON, ("don",), ("verify", "exposed-skin")),
    "X1": late(DOFF, ("verify", "area"), ("doff", "boots", "outer", "hood", "goggles", "shield")),
    "X3": late(DOFF, ("disinfect",), ("doff",)),
    "X4": late(DOFF, ("doff", "apron"), ("doff", *GARMENT)),
    "X6": gone(DOFF, ("disinfect", "hygiene"), ("doff",)),
    "X7": late(DOFF, ("doff", "outer"), ("doff", *EYES)),
    "X8": before_the_airway,
    "X11": late(DOFF, ("doff", *EYES), ("doff", *MASK)),
    "X15": late(DOFF, ("doff", *GARMENT), ("doff", *MASK)),
    "X16": late(DOFF, ("doff", "belt"), ("doff", *GARMENT)),
    "X17b": by_wearer,
    "X22": early(DOFF, ("doff", *EYES, "mask", "hood"), ("doff", "inner")),
    "X25": early(DOFF, ("doff", "inner"), ("hygiene", "hands")),
}
HARD = [order for order in orders.TABLE if order.use == "hard"]
CASES = [(p, order) for p in HIGH for order in HARD if orders.applies(order, p)]


def test_every_order_that_all_sources_agree_on_is_broken_somewhere_here() -> None:
    assert {order.name for order in HARD} == set(BROKEN)


@pytest.mark.parametrize(("protocol", "order"), CASES, ids=lambda one: one.name)
def test_an_order_that_is_broken_in_a_protocol_is_reported(protocol: Protocol, order: orders.Order) -> None:
    assert orders.satisfied(order, protocol)
    wrong = BROKEN[order.name](protocol)
    if wrong is None:
        pieces = {item.say for item in protocol.items}
        named = {*order.first.split()[1:], *order.then.split()[1:]}
        assert named - {*pieces, "*"}, "all that the order speaks of is there, and yet nothing could be broken"
        return
    assert order.name in {one.name for one in orders.broken(wrong)}
