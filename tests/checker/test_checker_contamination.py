from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from voicecoach.checker.contamination import ContactModel
from voicecoach.checker.rules import CLEAN, DIRTY, SUSPECT, TREATED
from voicecoach.checker.world import LEVEL, SOIL, Contact, World
from voicecoach.protocol.model import Act, Item, Protocol, Step, Timing
from voicecoach.runtime.library import load_protocol

HERE = Path(__file__).parents[2]
N95 = load_protocol("n95-gown")[0]
RUB = Timing("hand-rub", 20, "rubbing")
WIPE = Timing("surface-wipe", 60, "wiping")


def rub(target: str) -> Step:
    return Step(f"rub {target}", "", acts=(Act("disinfect", target),), timing=RUB)


def doff(target: str, grip: str = "", manner: str = "", passes: tuple[str, ...] = ()) -> Step:
    return Step(f"doff {target}", "", acts=(Act("doff", target, grip, passes, manner),))


def touch(target: str, role: str = "wearer") -> Step:
    return Step(f"touch {target}", "", role=role, acts=(Act("touch", target),))


HANDS = Step("rub hands", "", acts=(Act("hygiene", "hands"),), timing=RUB)


class Wearer:
    """A wearer to whom steps are done one by one; `broken` holds the rules broken by the last one."""

    def __init__(self, protocol: Protocol = N95, *, stage: str = "undress") -> None:
        self.model = ContactModel(protocol)
        self.world: World = self.model.start()
        self.log: list[Contact] = []
        self.broken: list[str] = []
        for step in (*protocol.steps("prepare"), *protocol.steps("dress")):
            self.do(step)
            assert self.broken == []
        if stage == "undress":
            self.world, _ = self.model.enter(self.world, self.log)

    def do(self, *steps: Step) -> Wearer:
        for step in steps:
            self.world, found = self.model.do(step, self.world, self.log)
            self.broken = [one.rule for one in found]
        return self

    def soiled(self, item: str) -> Wearer:
        step = Step("look", "", acts=(Act("inspect", item),))
        self.world = self.model.happen("soiled", step, self.world, self.log)
        return self

    def torn(self, item: str) -> Wearer:
        step = Step("look", "", acts=(Act("inspect", item),))
        self.world = self.model.happen("torn", step, self.world, self.log)
        return self

    def level(self, zone: str) -> int:
        return self.world.levels[self.model.at[zone]] & LEVEL

    def has_soil(self, zone: str) -> bool:
        return bool(self.world.levels[self.model.at[zone]] & SOIL)


# the nurse's disputes


def test_a_rub_over_a_bloody_glove_changes_nothing_and_a_wipe_first_does() -> None:
    wearer = Wearer().soiled("outer-gloves").do(rub("outer-gloves"))
    assert wearer.level("outer-gloves.outside") == DIRTY
    assert wearer.has_soil("outer-gloves.outside")
    wearer.do(doff("boot-covers", "outside", "roll"))
    assert "through-soil" in wearer.broken
    clean = Wearer().soiled("outer-gloves")
    clean.do(Step("wipe", "", acts=(Act("wipe", "outer-gloves"),), timing=WIPE), rub("outer-gloves"))
    assert clean.level("outer-gloves.outside") == TREATED
    clean.do(doff("boot-covers", "outside", "roll"))
    assert clean.broken == []


def bare_faced() -> Wearer:
    """Somebody whose shield, hood and respirator are off already."""
    wearer = Wearer()
    off = {wearer.model.number[name] for name in ("shield", "hood", "respirator")}
    wearer.world = wearer.world._replace(worn=tuple(item for item in wearer.world.worn if item not in off))
    return wearer


def test_a_treated_glove_may_hold_a_strap_and_may_not_go_to_the_brow() -> None:
    assert bare_faced().do(rub("outer-gloves"), touch("face")).broken == ["treated-at-face"]
    other = Wearer().do(rub("outer-gloves"), touch("respirator.straps"))
    assert other.broken == []


def test_a_dirty_glove_at_the_brow_is_worse_than_a_treated_one() -> None:
    assert bare_faced().do(touch("face")).broken == ["dirty-at-body"]


def test_a_hand_at_the_face_over_a_shield_meets_the_shield_and_is_dirty_afterwards() -> None:
    wearer = Wearer().do(rub("outer-gloves"), touch("face"))
    assert wearer.broken == []
    assert wearer.level("outer-gloves.outside") == DIRTY
    assert wearer.do(doff("boot-covers", "outside", "roll")).broken == ["hygiene-missing"]


def test_a_rub_does_not_outlive_a_touch_of_the_floor() -> None:
    wearer = Wearer().do(rub("outer-gloves"), touch("floor"), doff("boot-covers", "outside", "roll"))
    assert "hygiene-missing" in wearer.broken


def test_an_agent_that_nobody_knows_and_a_time_that_is_too_short_disinfect_nothing() -> None:
    for timing, rule in (
        (Timing("tap-water", 60, "rubbing"), "wrong-agent"),
        (Timing("hand-rub", 1, "rubbing"), "no-time"),
    ):
        wearer = Wearer().do(Step("r", "", acts=(Act("disinfect", "outer-gloves"),), timing=timing))
        assert wearer.broken == [rule]
        assert wearer.level("outer-gloves.outside") == DIRTY
    # CDC for the public [second-hand]: 20 s of soap and water; WHO has 40 to 60 s
    wash = Step("w", "", acts=(Act("hygiene", "hands"),), timing=Timing("soap-and-water", 20, "rubbing"))
    assert Wearer(stage="dress").model.do(wash, ContactModel(N95).start())[1] == ()


def test_a_piece_out_of_the_bin_is_not_a_fresh_one() -> None:
    wearer = Wearer().do(rub("outer-gloves"), doff("boot-covers", "outside", "roll"), rub("outer-gloves"))
    again = Step("again", "", acts=(Act("don", "boot-covers", "top"),))
    assert "worn-again" in wearer.do(again).broken
    other = Wearer().do(rub("outer-gloves"), doff("boot-covers", "outside", "roll"), rub("outer-gloves"))
    assert other.do(Step("new", "", acts=(Act("don", "boot-covers", "top", fresh=True),))).broken == []


def test_a_torn_inner_glove_that_stays_on_is_told_at_the_next_removal() -> None:
    # X30: CDC 2014 [second-hand], PAPR and gown doffing 09 [read]
    peeled = (rub("outer-gloves"), doff("outer-gloves", "outside", "roll"))
    wearer = Wearer().do(*peeled).torn("inner-gloves").do(rub("inner-gloves"), doff("shield", "strap"))
    assert "torn-kept" in wearer.broken
    outer = Wearer().torn("outer-gloves").do(rub("outer-gloves"), doff("boot-covers", "outside", "roll"))
    assert "torn-kept" not in outer.broken


def test_nobody_rubs_the_wearers_hands_by_rubbing_their_own() -> None:
    step = Step("r", "", role="observer", acts=(Act("disinfect", "outer-gloves"),), timing=RUB)
    wearer = Wearer().do(step)
    assert wearer.broken == ["wrong-role"]
    assert wearer.level("outer-gloves.outside") == DIRTY
    spray = replace(step, timing=Timing("spray", 120, "wiping"))  # MSF and a local checklist [read]: a helper sprays
    assert Wearer().do(spray).broken == []


def test_of_two_things_that_meet_the_one_put_on_later_comes_off_first() -> None:
    # hood over respirator straps as the file says; put on the other way round, the respirator lies over the hood
    names = [item.name for item in N95.items]
    wearer = Wearer()
    worn = [names.index(name) for name in ("inner-gloves", "gown", "hood", "respirator", "outer-gloves")]
    wearer.world = wearer.world._replace(worn=tuple(worn))
    assert "under-cover" in wearer.do(rub("outer-gloves"), doff("hood", "edge")).broken
    # boots over the suit's ends: the suit cannot come off first
    worn = [names.index(name) for name in ("inner-gloves", "gown", "boot-covers")]
    wearer.world = wearer.world._replace(worn=tuple(worn))
    assert "cuff-order" in wearer.do(rub("inner-gloves"), doff("gown", "inside", "roll")).broken


def test_skin_left_bare_on_purpose_is_no_longer_clean_after_work() -> None:
    everyday = Wearer(load_protocol("everyday-precautions")[0])
    assert everyday.level("neck") == SUSPECT
    covered = Wearer(replace(N95, exposed=("neck",)))
    assert covered.level("neck") == CLEAN  # by the hood


def test_the_respirator_under_a_shield_is_not_taken_off_before_it() -> None:
    wearer = Wearer().do(rub("outer-gloves"), doff("respirator", "straps"))
    assert "under-cover" in wearer.broken


def test_the_respirator_stays_on_while_the_dirty_gown_is_worn() -> None:
    wearer = Wearer().do(rub("outer-gloves"), doff("respirator", "straps"))
    assert "respirator-too-early" in wearer.broken


def test_the_sleeve_end_under_the_outer_cuff_is_clean_until_that_cuff_is_pulled_away_dirty() -> None:
    wearer = Wearer()
    assert wearer.level("gown.cuff") == CLEAN
    assert wearer.level("gown.front") == DIRTY
    wearer.do(doff("outer-gloves", "outside", "roll"))
    assert wearer.level("gown.cuff") == DIRTY
    assert wearer.level("inner-gloves.cuff") == DIRTY


def test_a_gown_does_not_come_off_under_gloves_whose_cuffs_hold_its_sleeves() -> None:
    assert "cuff-order" in Wearer().do(rub("outer-gloves"), doff("gown", "inside", "roll")).broken
    joined = Step("both", "", acts=(Act("doff", "gown", "inside", (), "roll"), Act("doff", "outer-gloves", "inside")))
    assert "cuff-order" not in Wearer().do(rub("outer-gloves"), joined).broken


def test_a_dispenser_pressed_with_dirty_gloves_dirties_the_bare_hand_that_presses_it_next() -> None:
    room = (("dispenser", "clean"), ("bin", "hands-free"))
    wearer = Wearer(replace(N95, room=room)).do(rub("outer-gloves"))
    assert wearer.level("dispenser") == DIRTY
    wearer.do(doff("outer-gloves", "outside", "roll"), rub("inner-gloves"), doff("inner-gloves", "outside"), HANDS)
    assert "dirty-at-hand" in wearer.broken
    free = Wearer().do(rub("outer-gloves"))
    assert free.level("dispenser") == CLEAN


def test_a_tear_found_late_is_dated_back_to_the_last_clear_of_that_glove() -> None:
    peeled = [rub("outer-gloves"), doff("outer-gloves", "outside", "roll")]
    look = Step("look", "", acts=(Act("inspect", "inner-gloves"),))
    late = Wearer().do(*peeled, look, touch("shield.front")).torn("inner-gloves")
    assert late.level("hands") >= SUSPECT
    found_at_once = Wearer().do(*peeled, touch("mirror"), look).torn("inner-gloves")
    assert found_at_once.level("mirror") == CLEAN


def test_soil_found_late_makes_dirty_what_was_touched_since_the_last_clear() -> None:
    look = Step("look", "", acts=(Act("inspect", "outer-gloves"),))
    since = Wearer().do(rub("outer-gloves"), look, touch("mirror")).soiled("outer-gloves")
    assert since.level("mirror") == DIRTY
    before = Wearer().do(rub("outer-gloves"), touch("mirror"), look).soiled("outer-gloves")
    assert before.level("mirror") == CLEAN


def test_when_the_last_rub_is_skipped_the_hands_are_not_clean_at_the_end() -> None:
    model = ContactModel(N95)
    for left_out, wanted in (("", []), ("rub-hands-2", ["hands-not-clean"])):
        world = model.start()
        for plan in N95.stages:
            for step in plan.steps:
                if step.name != left_out:
                    world, _ = model.do(step, world)
            if plan.stage == "work":
                world, _ = model.enter(world)
        assert [one.rule for one in model.leave(world)[1]] == wanted


# more of the table


def test_a_seat_used_for_boot_covers_is_dirty_for_clean_clothes() -> None:
    sit = Step("sit", "", acts=(Act("sit", "seat"),))
    wearer = Wearer().do(sit)
    assert wearer.broken == []
    after = Wearer()
    for step in N95.steps("undress"):
        after.do(step)
    assert after.broken == []
    after.do(sit)
    assert after.broken == ["dirty-seat"]


def test_a_helper_disinfects_after_every_touch() -> None:
    wearer = Wearer().do(touch("gown.ties", "assistant"))
    assert wearer.broken == []
    wearer.do(touch("gown.ties", "assistant"))
    assert wearer.broken == ["helper-not-rubbed"]
    wearer.do(Step("r", "", role="assistant", acts=(Act("disinfect", "assistant.gloves"),), timing=RUB))
    wearer.do(touch("gown.ties", "assistant"))
    assert wearer.broken == []


def test_a_surface_agent_on_bare_skin_is_refused() -> None:
    step = Step("wipe hands", "", acts=(Act("hygiene", "hands"),), timing=WIPE)
    assert "dirty-on-skin-agent" in Wearer(stage="dress").do(step).broken


def test_hand_rub_on_a_gown_is_the_wrong_agent() -> None:
    assert Wearer().do(Step("x", "", acts=(Act("disinfect", "gown"),), timing=RUB)).broken == ["wrong-agent"]


def test_shaking_a_dirty_gown_dirties_the_neighbours_without_contact() -> None:
    wearer = Wearer().do(rub("outer-gloves"), doff("outer-gloves", "outside", "roll"), rub("inner-gloves"))
    wearer.do(doff("shield", "strap"), rub("inner-gloves"), doff("hood", "edge"), rub("inner-gloves"))
    wearer.do(doff("gown", "inside", "shake"))
    assert wearer.level("hair") == DIRTY
    assert "dirty-at-body" in wearer.broken


def test_what_is_exposed_follows_from_the_order_of_putting_on() -> None:
    steps = [step for step in N95.steps("dress") if step.name != "respirator-on"]
    late = next(step for step in N95.steps("dress") if step.name == "respirator-on")
    place = next(n for n, step in enumerate(steps) if step.name == "hood-on")
    steps.insert(place + 1, late)
    model = ContactModel(N95)
    world = model.start()
    for step in (*N95.steps("prepare"), *steps):
        world, _ = model.do(step, world)
    world, _ = model.enter(world)
    assert world.levels[model.at["respirator.straps"]] & LEVEL == DIRTY
    assert Wearer().level("respirator.straps") == CLEAN


@pytest.mark.parametrize("missing", ["hood", "shield", "outer-gloves", "gown", "respirator", "boot-covers"])
def test_a_piece_left_out_leaves_skin_hair_or_clothes_bare_at_entry_or_the_inner_gloves_dirty(missing: str) -> None:
    model = ContactModel(N95)
    world = model.start()
    for step in (*N95.steps("prepare"), *N95.steps("dress")):
        if not any(act.kind == "don" and act.target == missing for act in step.acts):
            world, _ = model.do(step, world)
    world, found = model.enter(world)
    dirty_inside = world.levels[model.at["inner-gloves.outside"]] & LEVEL == DIRTY
    assert bool(found) or (missing == "outer-gloves" and dirty_inside)


# properties

ITEMS = [item.name for item in N95.items]
STEPS = st.lists(
    st.one_of(
        st.sampled_from(ITEMS).map(doff),
        st.sampled_from(["gown.front", "shield.front", "mirror", "bin", "floor", "door"]).map(touch),
        st.sampled_from(["outer-gloves", "inner-gloves"]).map(rub),
        st.just(HANDS),
    ),
    max_size=12,
)


@settings(deadline=None)
@given(STEPS, st.integers(0, 12), st.sampled_from(["outer-gloves", "inner-gloves"]))
def test_a_full_disinfection_that_is_allowed_never_makes_any_surface_worse(
    steps: list[Step], where: int, gloves: str
) -> None:
    plain, more = Wearer(), Wearer()
    for n, step in enumerate(steps):
        if n == where and N95.items.index(N95.item(gloves)) in more.world.worn:
            more.do(rub(gloves))
        plain.do(step)
        more.do(step)
    assert all(b & LEVEL <= a & LEVEL for a, b in zip(plain.world.levels, more.world.levels, strict=True))


@settings(deadline=None)
@given(STEPS)
def test_nothing_becomes_dirty_without_contact_overlap_or_flick(steps: list[Step]) -> None:
    wearer = Wearer()
    start = len(wearer.log)
    levels = wearer.world.levels
    wearer.do(*steps)
    named = {line.surface: line for line in wearer.log[start:]}
    ways = {"contact", "overlap", "flick", "glove removal", "brushing past", "disinfect", "wipe", "hygiene"}
    assert {line.how for line in wearer.log[start:]} <= ways
    for zone, (was, now) in enumerate(zip(levels, wearer.world.levels, strict=True)):
        if now & LEVEL > was & LEVEL:
            assert wearer.model.names[zone] in named


@settings(deadline=None)
@given(STEPS)
def test_what_touches_spreads_both_ways_so_neither_is_worse_than_both_were(steps: list[Step]) -> None:
    wearer = Wearer()
    for step in steps:
        worst = max(level & LEVEL for level in wearer.world.levels)
        wearer.do(step)
        assert max(level & LEVEL for level in wearer.world.levels) <= max(worst, SUSPECT)


def test_an_item_of_no_known_kind_still_has_an_outside_and_an_inside() -> None:
    item = Item("sock", "feet", 1, "sock", "sock")
    model = ContactModel(replace(N95, items=(item,)))
    assert {"sock.outside", "sock.inside"} <= set(model.names)
