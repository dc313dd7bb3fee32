"""Orders as published, written down here apart from the checker's own table, against the library's protocols.

The relations and their tags follow the sources named beside each; "from memory" means that it was not read again.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from voicecoach.checker import orders
from voicecoach.protocol.model import Act, Protocol, StagePlan
from voicecoach.runtime.library import load_protocol

HERE = Path(__file__).parents[2]
LIBRARY = [load_protocol(str(file))[0] for file in sorted((HERE / "protocols").glob("*.yaml"))]
HIGH = [protocol for protocol in LIBRARY if "ebola-level" in protocol.scope]
N95 = next(protocol for protocol in LIBRARY if protocol.name == "n95-gown")

Acts = list[tuple[str, str]]


def acts(protocol: Protocol, *stages: str) -> Acts:
    """(kind, target) of every act of these stages, gloves distinguished by layer, other things by what they are."""
    kinds = {item.name: item.say for item in protocol.items}
    kinds |= {item.name: ("outer" if item.layer > 1 else "inner") for item in protocol.items if item.say == "gloves"}
    return [
        (act.kind, kinds.get(act.target.partition(".")[0], act.target))
        for stage in stages
        for step in protocol.steps(stage)
        for act in step.acts
    ]


def at(found: Acts, kind: str, *targets: str) -> list[int]:
    return [n for n, (one, target) in enumerate(found) if one == kind and target in targets]


def before(found: Acts, first: tuple[str, ...], then: tuple[str, ...]) -> bool:
    one, other = at(found, *first), at(found, *then)
    return not one or not other or one[0] < other[0]


Check = Callable[[Acts], bool]
GARMENT = ("gown", "coverall")
EYES = ("shield", "goggles")
DON: dict[str, tuple[str, Check]] = {
    "D1": (
        "CDC 2014 [from memory], CDC training modules [read], WHO poster [read]: second person before the first step",
        lambda a: a[:1] == [("verify", "partner")],
    ),
    "D2": (
        "CDC PAPR and gown module [read], CDC 2014 [from memory]: personal things away before hand hygiene",
        lambda a: bool(at(a, "verify", "belongings")) and before(a, ("verify", "belongings"), ("hygiene", "hands")),
    ),
    "D3": (
        "CDC PAPR and coverall module [read]: set inspected before the first item",
        lambda a: at(a, "verify", "set")[0] < min(n for n, (kind, _) in enumerate(a) if kind == "don"),
    ),
    "D4": (
        "CDC 2014 [from memory], local checklist [read]: hand hygiene before inner gloves",
        lambda a: at(a, "hygiene", "hands")[0] < at(a, "don", "inner")[0],
    ),
    "D8": (
        "CDC N95 and gown module [read]: respirator before eye protection",
        lambda a: before(a, ("don", "mask"), ("don", *EYES)),
    ),
    "D9": (
        "CDC N95 and coverall module [read]: respirator before hood",
        lambda a: before(a, ("don", "mask"), ("don", "hood")),
    ),
    "D10": (
        "CDC N95 and coverall module [read]: seal check right after the N95",
        lambda a: all(a[n + 1] == ("verify", "seal") for n in at(a, "don", "mask")),
    ),
    "D12": (
        "CDC 2014 [from memory]: inner gloves before outer gloves",
        lambda a: before(a, ("don", "inner"), ("don", "outer")),
    ),
    "D16": (
        "CDC modules [read]: a look for skin and hair after the last item",
        lambda a: max(n for n, (kind, _) in enumerate(a) if kind == "don") < at(a, "verify", "exposed-skin")[-1],
    ),
}
DOFF: dict[str, tuple[str, Check]] = {
    "X1": (
        "CDC N95 and gown module [read]: all-clear before the removal area is entered",
        lambda a: at(a, "verify", "area")[0] < min(n for n, (kind, _) in enumerate(a) if kind == "doff"),
    ),
    "X3": (
        "CDC 2014 [second-hand], WHO poster [read]: gloved hands disinfected before the first removal",
        lambda a: (
            min(n for n, (kind, _) in enumerate(a) if kind == "disinfect")
            < min(n for n, (kind, _) in enumerate(a) if kind == "doff")
        ),
    ),
    "X4": (
        "CDC N95 and coverall module [read], WHO poster [read]: apron before garment",
        lambda a: before(a, ("doff", "apron"), ("doff", *GARMENT)),
    ),
    "X7": (
        "CDC modules [read], WHO poster [read]: outer gloves off before eye protection",
        lambda a: before(a, ("doff", "outer"), ("doff", *EYES)),
    ),
    "X8": (
        "CDC modules [read], WHO poster [read]: outer gloves off before the respirator",
        lambda a: before(a, ("doff", "outer"), ("doff", "mask")),
    ),
    "X11": (
        "CDC modules [read], WHO poster [read]: eye protection before the respirator",
        lambda a: before(a, ("doff", *EYES), ("doff", "mask")),
    ),
    "X15": (
        "CDC N95 and gown module [read], WHO poster [read]: garment before the respirator",
        lambda a: before(a, ("doff", *GARMENT), ("doff", "mask")),
    ),
    "X22": (
        "CDC modules [read], WHO poster [read]: inner gloves come off for good after eyes and respirator",
        lambda a: max(at(a, "doff", *EYES, "mask"), default=-1) < at(a, "doff", "inner")[-1],
    ),
    "X25": (
        "CDC 2014 [from memory], WHO poster [from memory]: bare-hand hygiene after the last gloves",
        lambda a: at(a, "doff", "inner")[-1] < at(a, "hygiene", "hands")[-1],
    ),
}


@pytest.mark.parametrize("name", DON)
@pytest.mark.parametrize("protocol", HIGH, ids=lambda protocol: protocol.name)
def test_a_published_order_of_putting_on_is_kept(protocol: Protocol, name: str) -> None:
    source, check = DON[name]
    assert check(acts(protocol, "prepare", "dress")), source


@pytest.mark.parametrize("name", DOFF)
@pytest.mark.parametrize("protocol", HIGH, ids=lambda protocol: protocol.name)
def test_a_published_order_of_taking_off_is_kept(protocol: Protocol, name: str) -> None:
    source, check = DOFF[name]
    assert check(acts(protocol, "undress", "close")), source


@pytest.mark.parametrize("protocol", HIGH, ids=lambda protocol: protocol.name)
def test_hygiene_stands_between_every_two_removals_but_for_joined_ones(protocol: Protocol) -> None:
    # X6: CDC 2014 [second-hand for steps 1-9], CDC modules [read], WHO poster [read]
    rubbed, removed_in = False, ""
    for step in protocol.steps("undress"):
        for act in step.acts:
            if act.kind == "doff":
                assert rubbed or removed_in == step.name, step.name
                rubbed, removed_in = False, step.name
            elif act.kind in {"disinfect", "hygiene"}:
                rubbed = True


def shuffled(protocol: Protocol, seed: int) -> Protocol:
    rng = random.Random(seed)  # noqa: S311
    plans = []
    for plan in protocol.stages:
        steps = list(plan.steps)
        rng.shuffle(steps)
        plans.append(StagePlan(plan.stage, tuple(steps)))
    return replace(protocol, stages=tuple(plans))


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("protocol", HIGH, ids=lambda protocol: protocol.name)
def test_a_shuffled_protocol_breaks_published_orders_and_the_checker_says_so(protocol: Protocol, seed: int) -> None:
    mixed = shuffled(protocol, seed)
    assert orders.broken(mixed)


def reversed_pair(order: orders.Order) -> Protocol | None:
    """N95 with gown, the two things of the order changed about; None when the order is not one of two removals."""
    first, then = order.first, order.then
    if not (first.startswith("doff ") and then.startswith("doff ")):
        return None
    steps = list(N95.steps("undress"))

    def find(wanted: str) -> int | None:
        what = wanted[5:]
        for n, step in enumerate(steps):
            for act in step.acts:
                if act.kind == "doff" and what in orders.names_of(N95.item(act.target), N95):
                    return n
        return None

    one, other = find(first), find(then)
    if one is None or other is None:
        return None
    steps[one], steps[other] = steps[other], steps[one]
    plans = tuple(StagePlan(p.stage, tuple(steps)) if p.stage == "undress" else p for p in N95.stages)
    return replace(N95, stages=plans)


PAIRS = [order for order in orders.TABLE if order.check == "joinable" and reversed_pair(order) is not None]


@pytest.mark.parametrize("order", PAIRS, ids=lambda order: order.name)
def test_the_checkers_order_of_two_removals_tells_them_from_the_same_two_changed_about(order: orders.Order) -> None:
    wrong = reversed_pair(order)
    assert wrong is not None
    assert orders.satisfied(order, N95) != orders.satisfied(order, wrong)


def test_the_checkers_table_knows_every_order_that_all_sources_agree_on() -> None:
    hard = {order.name for order in orders.TABLE if order.use == "hard"}
    assert {*DON, *DOFF, "X6", "X16", "D15", "D5b"} <= hard


def test_the_cuff_of_the_inner_glove_lies_under_the_sleeve_and_the_outer_one_over_it() -> None:
    # D5b, D12: CDC N95 and gown module [read]; CDC 2014, WHO poster [from memory]
    gown_first = [step for step in N95.steps("dress") if step.name != "inner-gloves-on"]
    late = next(step for step in N95.steps("dress") if step.name == "inner-gloves-on")
    place = next(n for n, step in enumerate(gown_first) if Act("don", "gown", "inside") in step.acts)
    gown_first.insert(place + 1, late)
    plans = tuple(StagePlan(p.stage, tuple(gown_first)) if p.stage == "dress" else p for p in N95.stages)
    names = {order.name for order in orders.broken(replace(N95, stages=plans))}
    assert "D5b" in names
