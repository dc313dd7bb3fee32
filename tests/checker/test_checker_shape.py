"""What a protocol must have and say wherever it stands, and ways on which something goes before some of the rules."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
from checker_mutants import changed

from voicecoach.checker import verdict
from voicecoach.checker.explore import explore, modes
from voicecoach.checker.rules import WAIVED
from voicecoach.checker.sentences import misspoken
from voicecoach.checker.shape import lacks
from voicecoach.checker.walk import Walk
from voicecoach.checker.world import ENTERED
from voicecoach.protocol.lint import all_steps
from voicecoach.protocol.model import Act, Protocol, StagePlan, Step
from voicecoach.runtime.library import load_protocol, names


@cache
def library(name: str) -> Protocol:
    return load_protocol(name)[0]


def step(protocol: Protocol, name: str) -> Step:
    return next(one for _, one in all_steps(protocol) if one.name == name)


@pytest.mark.parametrize("name", ["short-practice", "everyday-precautions"])
def test_nobody_who_has_been_at_work_is_led_back_to_dressing(name: str) -> None:
    # unwell at work, some pieces off already, then a pause: the old pieces must not be asked for again
    protocol = library(name)
    walk = Walk(protocol, "solo", 1 if name != "short-practice" else 2)
    walk.run()
    back = [p for p in walk.moves if p.world.flags & ENTERED and p.spot.place.stage in {"prepare", "dress"}]
    assert back == []


def test_where_somebody_unwell_is_helped_out_only_four_rules_are_waived() -> None:
    protocol = library("n95-gown")
    assert explore(protocol, 1).counters == ()
    shaken = changed(
        protocol,
        step(protocol, "short-gown"),
        acts=tuple(replace(act, manner="shake") for act in step(protocol, "short-gown").acts),
    )
    assert "dirty-at-body" in {counter.found.rule for counter in explore(shaken, 1).counters}
    held = changed(
        protocol,
        step(protocol, "short-shield"),
        acts=tuple(replace(act, grip="front") for act in step(protocol, "short-shield").acts),
    )
    # WHO poster, coverall, steps 5, 9 and 11 [read]
    assert "front-held" in {counter.found.rule for counter in explore(held, 1).counters}
    assert WAIVED.isdisjoint({"front-held", "dirty-at-body", "hands-not-clean"})
    assert any("short-removal" in note for note in verdict.prove(protocol, 0).notes)


def test_an_agent_or_a_time_that_does_nothing_is_told_also_where_no_way_goes() -> None:
    protocol = library("n95-gown")
    rub = step(protocol, "short-hands-1")
    assert rub.timing is not None
    for timing, rule in (
        (replace(rub.timing, agent="tap-water"), "wrong-agent"),
        (replace(rub.timing, agent="surface-wipe"), "wrong-agent"),  # X26: bare skin gets a rub or a wash
        (replace(rub.timing, seconds=5.0), "no-time"),  # WHO hand rub 20 to 30 s [second-hand]
    ):
        found = lacks(changed(protocol, rub, timing=timing))
        assert [(lack.rule, lack.step) for lack in found] == [(rule, "short-hands-1")]


def test_a_step_that_is_told_with_a_story_is_not_told_twice() -> None:
    protocol = library("n95-gown")
    rub = step(protocol, "rub-hands-2")
    assert rub.timing is not None
    report = verdict.prove(changed(protocol, rub, timing=replace(rub.timing, agent="tap-water")), 0)
    assert any(counter.found.step == "rub-hands-2" for counter in report.explored.counters)
    assert report.lacks == ()


def test_an_old_pair_after_a_touch_is_told() -> None:
    protocol = library("n95-gown")
    fresh = step(protocol, "touched-fresh")
    old = changed(protocol, fresh, acts=tuple(replace(act, fresh=False) for act in fresh.acts))
    assert [(lack.rule, lack.step) for lack in lacks(old)] == [("worn-again", "touched-fresh")]


def test_a_sentence_that_speaks_to_somebody_else_is_told() -> None:
    protocol = library("papr-gown")
    rub = step(protocol, "rub-inner-1")
    said = changed(protocol, rub, say="Assistant, spread gel over the inner gloves.")
    assert [lack.step for lack in misspoken(said, "en")] == ["rub-inner-1"]
    assert misspoken(protocol, "en") == ()


@pytest.mark.parametrize(
    "warn",
    ["Bow your head, and hold only the front.", "Only by the shield's front.", "Close your eyes. The front only."],
)
def test_a_warning_that_has_another_place_held_than_its_act_does_is_found(warn: str) -> None:
    protocol = library("n95-gown")
    shield = step(protocol, "shield-away")
    (lack,) = misspoken(changed(protocol, shield, warn=warn), "en")
    assert (lack.rule, lack.step) == ("says-else", "shield-away")
    assert lack.says.endswith("but its act holds strap")


@pytest.mark.parametrize(
    "warn", ["Hold only the rear straps.", "Keep off the front.", "Not the front, the strap only.", "Only now, bow."]
)
def test_a_warning_that_says_its_own_grip_or_what_to_leave_alone_is_let_through(warn: str) -> None:
    protocol = library("n95-gown")
    assert misspoken(changed(protocol, step(protocol, "shield-away"), warn=warn), "en") == ()


@pytest.mark.parametrize("name", ["who-gown", "n95-gown"])
def test_for_a_hand_the_floor_is_dirty_after_work_whatever_it_is_for_shoes(name: str) -> None:
    protocol = library(name)
    floor = Step("to-the-floor", "Pick up what fell.", acts=(Act("touch", "floor"),), answers=("done",))
    plans = []
    for plan in protocol.stages:
        steps = list(plan.steps)
        if plan.stage == "undress":
            off = next(n for n, one in enumerate(steps) if any(act.kind == "doff" for act in one.acts))
            steps.insert(off, floor)
        plans.append(StagePlan(plan.stage, tuple(steps)))
    found = explore(replace(protocol, stages=tuple(plans)), 0).counters
    assert "hygiene-missing" in {counter.found.rule for counter in found}


HOSED = [p for p in (load_protocol(file.stem)[0] for file in names("protocols")) if "hose" in {i.say for i in p.items}]


@pytest.mark.parametrize("protocol", HOSED, ids=lambda one: one.name)
def test_a_hose_taken_off_by_the_wearer_alone_is_told(protocol: Protocol) -> None:
    # CDC PAPR and coverall module, doffing 09: the assistant takes the hose off the hood [read]
    assert modes(protocol) == ("assistant",)
    away = step(protocol, "hose-away")
    assert "X17b" in {order.name for order in verdict.prove(changed(protocol, away, role="wearer"), 0).broken}
    assert "X17b" not in {order.name for order in verdict.prove(protocol, 0).broken}
