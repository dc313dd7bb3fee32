"""Names and the order of keys decide nothing: a protocol under other names gets the same verdict and the same ranks."""

from __future__ import annotations

import random
from dataclasses import replace
from functools import cache

import pytest
import yaml
from checker_mutants import mutants

from voicecoach.checker import verdict
from voicecoach.checker.assumptions import assumptions
from voicecoach.checker.explore import Explored, explore
from voicecoach.checker.rank import rank
from voicecoach.protocol import include
from voicecoach.protocol.load import load
from voicecoach.protocol.model import Act, Branch, Item, Protocol, StagePlan, Step
from voicecoach.runtime import library

NAMES = [path.stem for path in library.names("protocols")]
QUICK = ("n95-gown",)
Names = dict[str, str]


@cache
def protocol(name: str) -> Protocol:
    return library.load_protocol(name)[0]


def other_names(protocol: Protocol, seed: str) -> tuple[Names, Names]:
    """New names of items and of steps, in another order of the alphabet than the old ones."""
    rng = random.Random(seed)  # noqa: S311
    steps = [step.name for part in (*protocol.stages, *protocol.branches) for step in part.steps]
    made = []
    for letter, names in (("p", [item.name for item in protocol.items]), ("s", steps)):
        fresh = [f"{letter}{n:03}" for n in range(len(names))]
        rng.shuffle(fresh)
        made.append(dict(zip(names, fresh, strict=True)))
    return made[0], made[1]


def renamed(protocol: Protocol, items: Names, steps: Names) -> Protocol:
    """The same protocol; what things are (`say`) and what people read (`label`, sentences) stays."""

    def zone(name: str) -> str:
        whole, dot, part = name.partition(".")
        return f"{items.get(whole, whole)}{dot}{part}"

    def zones(names: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(zone(name) for name in names)

    def item(one: Item) -> Item:
        return replace(
            one, name=items[one.name], covers=zones(one.covers), tight=zones(one.tight), overlap=zones(one.overlap)
        )

    def act(one: Act) -> Act:
        return replace(one, target=zone(one.target), passes=zones(one.passes))

    def step(one: Step) -> Step:
        return replace(
            one, name=steps[one.name], asks_for=steps.get(one.asks_for, ""), acts=tuple(map(act, one.acts)),
            when_on=zones(one.when_on), when_off=zones(one.when_off), when_any_on=zones(one.when_any_on),
        )  # fmt: skip

    def branch(one: Branch) -> Branch:
        return replace(one, steps=tuple(map(step, one.steps)), then=steps.get(one.then, one.then))

    return replace(
        protocol,
        items=tuple(map(item, protocol.items)),
        stages=tuple(StagePlan(plan.stage, tuple(map(step, plan.steps))) for plan in protocol.stages),
        branches=tuple(map(branch, protocol.branches)),
        breaches=tuple(replace(rule, then=steps.get(rule.then, rule.then)) for rule in protocol.breaches),
        torn=tuple((items[name], stage, way) for name, stage, way in protocol.torn),
    )


def told(explored: Explored, items: Names, steps: Names) -> set[tuple[str, str, str, str, int, int]]:
    """What was found, under the new names, with the lengths of the ways."""

    def zone(name: str) -> str:
        whole, dot, part = name.partition(".")
        return f"{items.get(whole, whole)}{dot}{part}"

    return {
        (c.found.rule, steps.get(c.found.step, c.found.step), zone(c.found.at), c.mode, c.used, len(c.path))
        for c in explored.counters
    }


@pytest.mark.parametrize("name", [*QUICK, *(pytest.param(n, marks=pytest.mark.long) for n in NAMES if n not in QUICK)])
def test_other_names_of_steps_and_pieces_change_no_verdict_and_no_rank(name: str) -> None:
    one = protocol(name)
    items, steps = other_names(one, name)
    other = renamed(one, items, steps)
    reports = [verdict.prove(p) for p in (one, other)]
    assert reports[0].good and reports[1].good
    assert [order.name for order in reports[0].checked] == [order.name for order in reports[1].checked]
    assert [(ask.kind, steps[ask.step]) for ask in reports[0].asked] == [(a.kind, a.step) for a in reports[1].asked]
    assert reports[0].explored.states == reports[1].explored.states
    ranks = [rank(p, draws=5) for p in (one, other)]
    order = [[(slip.event.kind, slip.event.step, slip.rank) for slip in ranking.slips] for ranking in ranks]
    assert sorted((kind, steps[step], place) for kind, step, place in order[0]) == sorted(order[1])
    weights = [[(one.basis, one.weight, len(one.falls)) for one in assumptions(p)] for p in (one, other)]
    assert sorted(weights[0]) == sorted(weights[1])


@pytest.mark.parametrize(
    "name", ["short-practice", *(pytest.param(n, marks=pytest.mark.long) for n in ("n95-gown", "papr-gown"))]
)
def test_other_names_change_nothing_that_is_found_in_wrong_protocols(name: str) -> None:
    one = protocol(name)
    for mutant in random.Random(name).sample(list(mutants(one)), 8):  # noqa: S311
        items, steps = other_names(mutant.protocol, mutant.where)
        found = explore(mutant.protocol, 1)
        again = explore(renamed(mutant.protocol, items, steps), 1)
        assert told(found, items, steps) == told(again, {}, {}), f"{mutant.kind}: {mutant.where}"


def turned(value: object) -> object:
    """The same YAML with the keys of every mapping backwards, but for the stages, which stand in the order read."""
    if isinstance(value, dict):
        stages = set(value) & {"dress", "undress"}
        return {key: turned(value[key]) for key in (value if stages else reversed(value))}
    return [turned(one) for one in value] if isinstance(value, list) else value


@pytest.mark.parametrize("name", [*QUICK, *(pytest.param(n, marks=pytest.mark.long) for n in NAMES if n not in QUICK)])
def test_the_order_of_keys_in_the_file_changes_no_verdict_and_no_rank(name: str) -> None:
    one = protocol(name)
    own, parts = include.split(library.load_protocol(name)[1])
    backwards = yaml.safe_dump(turned(yaml.load(own, yaml.BaseLoader)), sort_keys=False)  # noqa: S506
    other = load(include.whole(backwards, parts), f"{name}.yaml")
    assert [item.name for item in other.items] == [item.name for item in reversed(one.items)]
    assert [plan.stage for plan in other.stages] == [plan.stage for plan in one.stages]
    reports = [verdict.prove(p) for p in (one, other)]
    assert reports[0].good and reports[1].good
    assert reports[0].asked == reports[1].asked
    ranks = [[(slip.event, slip.rank, slip.outcome.sites) for slip in rank(p, draws=5).slips] for p in (one, other)]
    assert [(event, place) for event, place, _ in ranks[0]] == [(event, place) for event, place, _ in ranks[1]]
    assert [set(sites) for _, _, sites in ranks[0]] == [set(sites) for _, _, sites in ranks[1]]
