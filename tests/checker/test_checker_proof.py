"""What a proof rests on, the smallest repair of what it finds, and who would notice a slip."""

from __future__ import annotations

import random
from dataclasses import replace
from functools import cache

import pytest

from voicecoach.checker.assumptions import assumptions, lines
from voicecoach.checker.detection import COLUMNS, modes_of, table
from voicecoach.checker.explore import explore
from voicecoach.checker.rank import rank
from voicecoach.checker.repair import repair, text
from voicecoach.checker.slips import SlipPaths
from voicecoach.protocol.lint import all_steps
from voicecoach.protocol.model import Protocol, StagePlan
from voicecoach.runtime import library

NAMES = [path.stem for path in library.names("protocols")]
CARED_FOR = [name for name in NAMES if name not in {"short-practice", "everyday-precautions"}]


@cache
def protocol(name: str) -> Protocol:
    return library.load_protocol(name)[0]


def without(name: str, step: str) -> Protocol:
    """The protocol without one step of removal."""
    whole = protocol(name)
    return replace(
        whole,
        stages=tuple(
            StagePlan(plan.stage, tuple(one for one in plan.steps if (plan.stage, one.name) != ("undress", step)))
            for plan in whole.stages
        ),
    )


def rubs(name: str) -> list[str]:
    return [
        step.name
        for step in protocol(name).steps("undress")
        if step.timing and any(act.kind in {"disinfect", "hygiene"} for act in step.acts)
    ]


@pytest.mark.parametrize("name", NAMES)
def test_each_belief_that_is_listed_is_needed_and_the_worst_comes_first(name: str) -> None:
    found = assumptions(protocol(name))
    assert found
    assert all(one.falls for one in found)
    assert [one.weight for one in found] == sorted((one.weight for one in found), reverse=True)
    assert {one.basis for one in found} == {"protocol", "site", "people"}
    usual = {counter.found for counter in explore(protocol(name), most=0).counters}
    assert all(counter.found not in usual for one in found for counter in one.falls)


@pytest.mark.parametrize("name", ["n95-gown", "who-coverall"])
def test_a_cover_is_listed_exactly_when_loosening_it_breaks_something(name: str) -> None:
    whole = protocol(name)
    usual = {counter.found for counter in explore(whole, most=0).counters}
    listed = {one.says for one in assumptions(whole)}
    for item in whole.items:
        for zone in item.tight:
            loose = replace(
                item, tight=tuple(other for other in item.tight if other != zone), covers=(*item.covers, zone)
            )
            other = replace(whole, items=tuple(loose if one.name == item.name else one for one in whole.items))
            breaks = {counter.found for counter in explore(other, most=0).counters} - usual
            head = f"the {item.label} close"
            said = any(
                says.startswith(head) and f"over the {zone.replace('.', ' ').split()[0].replace('-', ' ')}" in says
                for says in listed
            )
            assert said or not breaks, (item.name, zone)


def test_the_beliefs_read_as_sentences_that_somebody_can_sign() -> None:
    told = list(lines(assumptions(protocol("n95-gown")), 3))
    assert told[0].startswith("1. the face shield closes tightly over the eyes (shield-on) (protocol); otherwise ")
    assert told[-1].startswith("and ")
    assert not any("gloves closes" in line for line in lines(assumptions(protocol("n95-gown"))))


@pytest.mark.parametrize(
    ("name", "most"),
    [("papr-gown", 3), *(pytest.param(name, 4, marks=pytest.mark.long) for name in CARED_FOR if name != "papr-gown")],
)
def test_for_a_rub_that_is_gone_the_repair_found_is_one_rub_at_its_place_and_passes_the_check(
    name: str, most: int
) -> None:
    tried = 0
    for step in random.Random(name).sample(rubs(name), len(rubs(name))):  # noqa: S311 the same order each time
        if tried == most:
            break
        broken = without(name, step)
        counters = explore(broken, most=0).counters
        if not counters:
            continue  # another rub stands beside it
        tried += 1
        found = repair(broken, counters[0])
        assert found is not None, step
        assert found.left == 0, (step, found.says)
        acts = next(one.acts for _, one in all_steps(protocol(name)) if one.name == step)
        if len(acts) > 1:
            continue  # two people's gloves in one step, which the protocol may have nowhere else: closed some other way
        assert found.says.startswith("insert a rub"), (step, found.says)
        added = [line for line in found.diff.splitlines() if line.startswith("+") and not line.startswith("+++")]
        assert len(added) == 1
        assert "checked: it closes this route, and no other route stays open" in text(found)
    assert tried >= 3


def test_where_nothing_helps_no_repair_is_offered() -> None:
    whole = protocol("n95-gown")
    # a respirator that never comes off: no rub, grip or change of places mends that
    doff = ("doff", "respirator")
    never = replace(
        whole,
        stages=tuple(
            StagePlan(
                plan.stage,
                tuple(
                    replace(step, acts=tuple(act for act in step.acts if (act.kind, act.target) != doff))
                    for step in plan.steps
                ),
            )
            for plan in whole.stages
        ),
    )  # fmt: skip
    counter = next(one for one in explore(never, most=0).counters if one.found.rule == "never-off")
    assert repair(never, counter, most=0) is None


@pytest.mark.parametrize("name", ["n95-gown", "papr-coverall"])
def test_for_each_slip_the_table_says_who_would_notice_and_when(name: str) -> None:
    whole = protocol(name)
    paths = SlipPaths(whole)
    ranking = rank(whole, draws=5, paths=paths)
    modes = modes_of(whole, ranking, paths)
    head, *cells = table(modes)
    assert head == COLUMNS
    rows = [dict(zip(COLUMNS, row, strict=True)) for row in cells]
    assert len(rows) == len(ranking.slips)
    for row, slip in zip(rows, ranking.slips, strict=True):
        assert 0 <= float(row["severity"]) <= 1
        assert float(row["likelihood low"]) <= float(row["likelihood"]) <= float(row["likelihood high"])
        if row["noticed by"] == "nobody":
            continue
        place = paths.place[row["noticed at"]]
        step = paths.steps[place][1]
        assert place - slip.event.place == int(row["steps later"])
        assert row["noticed by"] == "observer" or step.role == row["noticed by"]
        if slip.outcome.arrives and slip.outcome.arrival in paths.place:
            assert place <= paths.place[slip.outcome.arrival]
