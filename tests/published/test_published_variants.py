"""Published variants that the check must let through, or that a protocol can declare; the source stands beside each."""

from __future__ import annotations

from dataclasses import replace

import pytest

from voicecoach.checker import orders
from voicecoach.checker.explore import explore
from voicecoach.checker.sentences import misspoken
from voicecoach.checker.shape import lacks
from voicecoach.protocol.lint import all_steps
from voicecoach.protocol.model import Act, Protocol, Step, Timing
from voicecoach.runtime.library import load_protocol


def library(name: str) -> Protocol:
    return load_protocol(name)[0]


def told(protocol: Protocol) -> list[str]:
    """Everything that the check says against a protocol with one thing going wrong."""
    found = [order.name for order in orders.broken(protocol)]
    found += [lack.says for lack in (*lacks(protocol), *misspoken(protocol, "en"))]
    return found + [f"{c.found.rule} in {c.found.step} at {c.found.at}" for c in explore(protocol, 1).counters]


def with_steps(protocol: Protocol, stage: str, steps: list[Step]) -> Protocol:
    plans = tuple(replace(plan, steps=tuple(steps)) if plan.stage == stage else plan for plan in protocol.stages)
    return replace(protocol, stages=plans)


def named(steps: list[Step], name: str) -> int:
    return next(n for n, step in enumerate(steps) if step.name == name)


def doffing(steps: list[Step], item: str) -> int:
    return next(n for n, step in enumerate(steps) if any((a.kind, a.target) == ("doff", item) for a in step.acts))


def donning(steps: list[Step], item: str) -> int:
    return next(n for n, step in enumerate(steps) if any((a.kind, a.target) == ("don", item) for a in step.acts))


def timed(protocol: Protocol, change: dict[str, Timing]) -> Protocol:
    """The protocol with other agents: by 'skin' and 'glove'."""

    def put(step: Step) -> Step:
        kinds = {act.kind for act in step.acts}
        what = "skin" if "hygiene" in kinds else "glove" if "disinfect" in kinds else ""
        return replace(step, timing=change[what]) if step.timing and what in change and "wipe" not in kinds else step

    plans = tuple(replace(plan, steps=tuple(put(step) for step in plan.steps)) for plan in protocol.stages)
    branches = tuple(replace(branch, steps=tuple(put(step) for step in branch.steps)) for branch in protocol.branches)
    return replace(protocol, stages=plans, branches=branches)


def test_gown_and_gloves_may_come_off_together() -> None:
    # CDC general sequence 2014, gown and gloves together [from memory]; Cochrane CD011621 favours one step [read]
    protocol = library("everyday-precautions")
    steps = list(protocol.steps("undress"))
    gloves, gown = doffing(steps, "gloves"), doffing(steps, "gown")
    joined = replace(
        steps[gloves],
        say="Roll the gown away from you, with the gloves in it.",
        acts=(Act("doff", "gown", "inside", (), "roll"), Act("doff", "gloves", "inside", (), "roll")),
        answers=("gown-off",),
    )
    made = [joined if n == gloves else step for n, step in enumerate(steps) if n != gown]
    assert told(with_steps(protocol, "undress", made)) == []


def test_boots_may_stay_on_if_they_are_disinfected() -> None:
    # WHO poster, coverall, step 13: boots come off hands-free or are kept on [from memory]
    protocol = library("who-coverall")
    items = tuple(replace(i, traits=("stays-on",)) if i.name == "boots" else i for i in protocol.items)
    steps = list(protocol.steps("undress"))
    away = doffing(steps, "boots")
    wiped = replace(
        steps[away],
        say="Wipe the rubber boots with a fresh cloth.",
        warn="",
        acts=(Act("wipe", "boots"),),
        answers=("dry",),
        timing=Timing("surface-wipe", 60, "wiping"),
        matters=False,
    )
    kept = with_steps(replace(protocol, items=items), "undress", [*steps[:away], wiped, *steps[away + 1 :]])
    assert not [said for said in told(kept) if said.startswith("shoes-untreated") or "at boots" in said]
    dirty = with_steps(replace(protocol, items=items), "undress", [*steps[:away], *steps[away + 1 :]])
    assert [said for said in told(dirty) if said.startswith("shoes-untreated")]


def test_boots_come_off_hands_free_in_the_who_orders() -> None:
    # WHO poster, coverall, step 13 [from memory]; the protocols of the library do it so
    for name in ("who-coverall", "who-gown"):
        steps = list(library(name).steps("undress"))
        assert "hands-free" in steps[doffing(steps, "boots")].say
        assert told(library(name)) == []


def test_a_tear_away_apron_may_come_off_before_the_removal_area() -> None:
    # Gurses 2019, ICHE 40(2) [read]: the wearer takes a tear-away apron off alone before entering the area
    protocol = library("who-gown")
    steps = list(protocol.steps("undress"))
    apron = doffing(steps, "apron")
    rub = replace(steps[apron - 1], name="rub-before-area")
    early = [rub, steps[apron]]
    rest = [step for n, step in enumerate(steps) if n != apron]
    moved = with_steps(protocol, "undress", [*early, *rest])
    assert "X1" not in told(moved)
    goggles = doffing(steps, "goggles")
    wrong = with_steps(protocol, "undress", [rub, steps[goggles], *[s for n, s in enumerate(steps) if n != goggles]])
    assert "X1" in told(wrong)


@pytest.mark.parametrize("name", ["n95-gown", "who-gown"])
def test_the_mask_may_go_on_before_the_gown(name: str) -> None:
    # Hong Kong CHP [read]: mask, shield, cap, gown, gloves; a US local checklist [read]: N95 before the suit
    protocol = library(name)
    steps = list(protocol.steps("dress"))
    mask = "respirator" if name == "n95-gown" else "mask"
    at, gown = donning(steps, mask), donning(steps, "gown")
    block = steps[at : at + 2] if any(act.target == "seal" for act in steps[at + 1].acts) else steps[at : at + 1]
    rest = [step for step in steps if step not in block]
    made = [*rest[:gown], *block, *rest[gown:]]
    variant = with_steps(replace(protocol, orders=tuple(o for o in protocol.orders if o != "D7")), "dress", made)
    assert told(variant) == []
    assert "D7" in told(with_steps(protocol, "dress", made))  # a protocol that declares it is held to it


@pytest.mark.parametrize("name", ["n95-gown", "who-coverall", "everyday-precautions"])
def test_soap_and_water_does_for_bare_hands(name: str) -> None:
    # WHO hand wash, 40 to 60 s [second-hand]
    assert told(timed(library(name), {"skin": Timing("soap-and-water", 40, "rubbing")})) == []


@pytest.mark.parametrize("name", ["who-coverall", "who-gown"])
def test_chlorine_as_msf_has_it_does_for_gloves_and_the_weak_one_for_hands(name: str) -> None:
    # MSF as printed in 2014 [second-hand]: 0.5 % for gloves, 0.05 % for bare hands, never the strong one on skin
    strong, weak = Timing("chlorine-0.5", 40, "rubbing"), Timing("chlorine-0.05", 40, "rubbing")
    assert told(timed(library(name), {"glove": strong, "skin": weak})) == []
    assert [said for said in told(timed(library(name), {"skin": strong})) if said.startswith("dirty-on-skin-agent")]


def test_the_outer_gloves_may_come_off_before_the_apron() -> None:
    # MSF and the Washington Post graphic, 2014 [second-hand]: outer gloves, wash, apron; X5 is disputed
    protocol = library("who-gown")
    steps = list(protocol.steps("undress"))
    apron, gloves = doffing(steps, "apron"), doffing(steps, "outer-gloves")
    outer = next(step for _, step in all_steps(protocol) if Act("disinfect", "outer-gloves") in step.acts)
    made = list(steps)
    made[apron], made[gloves] = steps[gloves], steps[apron]
    between = {n: s for n, s in enumerate(made) if apron < n < gloves and Act("disinfect", "outer-gloves") in s.acts}
    for n, step in between.items():
        inner = tuple(replace(act, target="inner-gloves") for act in step.acts)
        made[n] = replace(step, acts=inner, say=step.say.replace("outer", "inner"))
    variant = with_steps(
        replace(protocol, orders=tuple(o for o in protocol.orders if o not in {"X5", "X30"})), "undress", made
    )
    assert outer is not None
    assert "X5" not in told(variant)
    assert not [said for said in told(variant) if said.startswith(("hygiene-missing", "dirty-at"))]
