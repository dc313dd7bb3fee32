"""Published variants that the check must let through, or that a protocol can declare; the source stands beside each."""

from __future__ import annotations

from dataclasses import replace

import pytest

from voicecoach.checker import orders
from voicecoach.checker.explore import explore
from voicecoach.checker.sentences import misspoken
from voicecoach.checker.shape import lacks
from voicecoach.protocol.lint import all_steps
from voicecoach.protocol.model import Act, Branch, Item, Protocol, Step, Timing
from voicecoach.runtime.library import load_protocol


def library(name: str) -> Protocol:
    return load_protocol(name)[0]


def findings(protocol: Protocol) -> list[str]:
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
    assert findings(with_steps(protocol, "undress", made)) == []


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
    adapted = with_steps(replace(protocol, items=items), "undress", [*steps[:away], wiped, *steps[away + 1 :]])
    assert not [said for said in findings(adapted) if said.startswith("shoes-untreated") or "at boots" in said]
    dirty = with_steps(replace(protocol, items=items), "undress", [*steps[:away], *steps[away + 1 :]])
    assert [said for said in findings(dirty) if said.startswith("shoes-untreated")]


def test_boots_come_off_hands_free_in_the_who_orders() -> None:
    # WHO poster, coverall, step 13 [from memory]; the protocols of the library do it so
    for name in ("who-coverall", "who-gown"):
        steps = list(library(name).steps("undress"))
        assert "hands-free" in steps[doffing(steps, "boots")].say
        assert findings(library(name)) == []


def test_a_tear_away_apron_may_come_off_before_the_removal_area() -> None:
    # Gurses 2019, ICHE 40(2) [read]: the wearer takes a tear-away apron off alone before entering the area
    protocol = library("who-gown")
    steps = list(protocol.steps("undress"))
    apron = doffing(steps, "apron")
    rub = replace(steps[apron - 1], name="rub-before-area")
    early = [rub, steps[apron]]
    rest = [step for n, step in enumerate(steps) if n != apron]
    moved = with_steps(protocol, "undress", [*early, *rest])
    assert findings(moved) == ["X2", "nobody inspects the apron after work before apron-away takes it off"]
    items = tuple(replace(item, traits=("tear-away",)) if item.name == "apron" else item for item in protocol.items)
    assert findings(replace(moved, items=items)) == []
    goggles = doffing(steps, "goggles")
    wrong = with_steps(protocol, "undress", [rub, steps[goggles], *[s for n, s in enumerate(steps) if n != goggles]])
    assert "X1" in findings(wrong)


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
    assert findings(variant) == []
    assert "D7" in findings(with_steps(protocol, "dress", made))  # a protocol that declares it is held to it


@pytest.mark.parametrize("name", ["n95-gown", "who-coverall", "everyday-precautions"])
def test_soap_and_water_does_for_bare_hands(name: str) -> None:
    # WHO hand wash, 40 to 60 s [second-hand]
    assert findings(timed(library(name), {"skin": Timing("soap-and-water", 40, "rubbing")})) == []


@pytest.mark.parametrize("name", ["who-coverall", "who-gown"])
def test_chlorine_as_msf_has_it_does_for_gloves_and_the_weak_one_for_hands(name: str) -> None:
    # MSF as printed in 2014 [second-hand]: 0.5 % for gloves, 0.05 % for bare hands, never the strong one on skin
    strong, weak = Timing("chlorine-0.5", 40, "rubbing"), Timing("chlorine-0.05", 40, "rubbing")
    assert findings(timed(library(name), {"glove": strong, "skin": weak})) == []
    assert [said for said in findings(timed(library(name), {"skin": strong})) if said.startswith("dirty-on-skin-agent")]


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
    assert "X5" not in findings(variant)
    assert not [said for said in findings(variant) if said.startswith(("hygiene-missing", "dirty-at"))]


CHLORINE = {"glove": Timing("chlorine-0.5", 40, "rubbing"), "skin": Timing("chlorine-0.05", 40, "rubbing")}


def msf() -> Protocol:
    """MSF's order [second-hand, as the Los Angeles Times printed it on 16 October 2014]: outer gloves, apron, goggles,
    hood, suit opened and then off, mask, inner gloves, boots, with a wash after each. Here the boots come off before
    the inner gloves, since they come off hands-free and the paper has no wash between the two.
    """
    protocol = library("who-coverall")
    steps = {step.name: step for step in protocol.steps("undress")}
    outer = next(step for step in library("who-gown").steps("undress") if step.name == "outer-gloves-away")

    def wash(after: str) -> Step:
        return replace(steps["rub-inner-1"], name=f"wash-after-{after}")

    suit = steps["coverall-away"]
    opened = replace(
        suit, name="coverall-opened", say="Undo the zip of the coverall.", acts=suit.acts[:1], answers=("done",),
        matters=False, observer=False, warn="",
    )  # fmt: skip
    rolled = replace(suit, say="Roll the coverall down to the feet.", acts=suit.acts[1:2])
    off: list[Step] = []
    for name, step in (
        ("gloves", outer), ("apron", steps["apron-away"]), ("goggles", steps["goggles-away"]),
        ("hood", steps["hood-away"]), ("zip", opened), ("suit", rolled), ("mask", steps["mask-away"]),
    ):  # fmt: skip
        off += [step, wash(name)]
    off.insert(1, steps["look-at-inner-gloves"])
    rest = [steps[name] for name in ("ask-mask", "boots-away")]
    last = [wash("boots"), *(steps[name] for name in ("last-gloves-away", "rub-hands", "look-at-clothes"))]
    made = with_steps(protocol, "undress", [steps["look-all-over"], steps["rub-outer-1"], *off, *rest, *last])
    dress = list(protocol.steps("dress"))
    goggles, hood = donning(dress, "goggles"), donning(dress, "hood")
    dress[goggles], dress[hood] = dress[hood], dress[goggles]
    items = {
        "hood": replace(protocol.item("hood"), tight=("hair", "neck", "mask.straps")),
        "goggles": replace(protocol.item("goggles"), covers=("hood.front",)),
    }
    over = tuple(items.get(item.name, item) for item in protocol.items)
    return timed(replace(with_steps(made, "dress", dress), items=over), CHLORINE)


def goggles_first(branch: Branch) -> Branch:
    """The branch with goggles that lie over the hood off before it, as such a protocol writes its own."""
    steps = list(branch.steps)
    off = {a.target: n for n, step in enumerate(steps) for a in step.acts if a.kind == "doff" and len(step.acts) == 1}
    if off.get("hood", 99) < off.get("goggles", -1):
        steps.insert(off["hood"], steps.pop(off["goggles"]))
    elif "hood" in off and "goggles" not in off:
        goggles = next(s for s in library("who-coverall").branch("fresh-goggles").steps if s.name.endswith("goggles"))
        steps.insert(off["hood"], replace(goggles, name=f"{branch.name}-goggles-first"))
    return replace(branch, steps=tuple(steps))


def test_the_order_of_msf_passes_once_the_protocol_declares_what_is_its_own() -> None:
    """X5 (apron before outer gloves) is not declared: MSF contradicts it. Goggles over the hood have branches of their
    own; with the shared ones, where the hood comes first, the check says so.
    """
    shared = msf()
    assert findings(shared)[0] == "X5"
    assert {said.partition(" ")[0] for said in findings(shared)[1:]} == {"under-cover"}
    declared = tuple(name for name in shared.orders if name not in {"X5", "D13", "D14"})
    own = replace(shared, orders=declared, branches=tuple(goggles_first(branch) for branch in shared.branches))
    assert findings(own) == []


def with_helmet() -> Protocol:
    """n95-gown with a powered helmet instead of respirator, hood and shield, off after the gown and the shoes."""
    protocol, gone = library("n95-gown"), {"respirator", "hood", "shield"}
    helmet = Item("helmet", "head", 2, "helmet", "helmet", tight=("hair", "face", "eyes", "neck"), traits=("reusable",))

    def adapted(steps: tuple[Step, ...]) -> tuple[Step, ...]:
        return tuple(
            replace(
                step,
                when_any_on=tuple(
                    "helmet" if one == "hood" else one for one in step.when_any_on if one not in gone - {"hood"}
                ),
            )
            for step in steps
            if not gone & {act.target for act in step.acts} | gone & set(step.when_on)
            and not any(act.target == "seal" for act in step.acts)
            and step.name != "ask-respirator"
        )

    on = Step("helmet-on", "Set the helmet on, and let your partner fasten it.", acts=(Act("don", "helmet", "edge"),),
              answers=("done",))  # fmt: skip
    away = Step("helmet-away", "Lift the helmet forwards by its lower edge.", acts=(Act("doff", "helmet", "edge"),),
                answers=("done",), observer=True, repair="rub-again")  # fmt: skip
    branches = []
    for branch in protocol.branches:
        steps = list(adapted(branch.steps))
        if branch.name == "short-removal":
            steps.insert(
                doffing(steps, "gown") + 2, replace(away, name="short-helmet", role="anyone", observer=False, repair="")
            )
        branches.append(replace(branch, steps=tuple(steps)))
    torn = tuple(way for way in protocol.torn if way[0] not in gone)
    made = replace(
        protocol, items=(*(item for item in protocol.items if item.name not in gone), helmet), torn=torn,
        branches=tuple(branches), orders=tuple(o for o in protocol.orders if o not in {"X9", "X13", "X14", "X21"}),
    )  # fmt: skip
    dress = list(adapted(protocol.steps("dress")))
    dress.insert(donning(dress, "gown") + 1, on)
    undress = list(adapted(protocol.steps("undress")))
    rub = next(n for n, step in enumerate(undress) if step.name == "rub-inner-6")
    undress[rub + 1 : rub + 1] = [away, replace(undress[rub], name="rub-after-helmet")]
    return with_steps(with_steps(made, "dress", dress), "undress", undress)


def test_a_powered_helmet_comes_off_after_the_gown_and_the_shoes() -> None:
    # CDC 2014 [from memory]: a blower inside the helmet waits until after the garment and the shoes
    assert findings(with_helmet()) == []
    steps = list(with_helmet().steps("undress"))
    early = steps.pop(doffing(steps, "helmet"))
    outer = doffing(steps, "outer-gloves")
    wrong = with_steps(with_helmet(), "undress", [*steps[:outer], early, *steps[outer:]])
    assert findings(wrong) != []
