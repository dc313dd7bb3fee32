"""Wrong versions of a protocol, by class; whether the check tells them, and why the rest is harmless."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from voicecoach.checker import orders
from voicecoach.checker.explore import as_written, explore, modes
from voicecoach.checker.requirements import requirements
from voicecoach.checker.rules import SUSPECT
from voicecoach.checker.sentences import misspoken
from voicecoach.checker.shape import lacks
from voicecoach.checker.slips import SlipPaths
from voicecoach.checker.walk import Point, Walk
from voicecoach.checker.world import ENTERED, LEVEL
from voicecoach.grammar import Grammar, parse
from voicecoach.protocol import zones
from voicecoach.protocol.lint import all_steps, lint
from voicecoach.protocol.model import ANYONE, Act, Item, Protocol, StagePlan, Step, Timing
from voicecoach.protocol.navigation.position import NO_AIR

RUBS = {"disinfect", "hygiene", "wipe"}
CHANGES = {"don", "doff", "change", "disinfect", "hygiene", "wipe", "touch", "sit"}
HERE = Path(__file__).parents[2]


@dataclass(frozen=True)
class Mutant:
    """kind: its class; where: what was changed; protocol: the wrong version."""

    kind: str
    where: str
    protocol: Protocol


@cache
def english() -> Grammar:
    return parse((HERE / "grammars" / "en.yaml").read_text(encoding="utf-8"), "en.yaml")


def noticed(mutant: Mutant) -> str:
    """Which part of the check tells it; '' for none. The order is by cost, not by weight."""
    protocol = mutant.protocol
    if orders.broken(protocol):
        return "order"
    if lacks(protocol):
        return "lack"
    if misspoken(protocol, "en"):
        return "says else"
    if lint(protocol, english()):
        return "refused"
    for most, said in enumerate(("as written", "one deviation")):
        if explore(protocol, most).counters:
            return said
    weaker = {step.name for plan in protocol.stages for step in plan.steps if step.weaker}
    asked = requirements(protocol, SlipPaths(protocol)) if not protocol.practice else []
    return "ask" if any(not ask.met and ask.step not in weaker for ask in asked) else ""


def mutants(protocol: Protocol) -> Iterator[Mutant]:
    """All of them, class by class."""
    for make in CLASSES.values():
        yield from make(protocol)


# each class: what one change does to the protocol


def _orders(protocol: Protocol) -> Iterator[Mutant]:
    """Two neighbours that both change something are changed about."""
    for plan in protocol.stages:
        for place, (one, other) in enumerate(zip(plan.steps, plan.steps[1:], strict=False)):
            if _kinds(one) & CHANGES and _kinds(other) & CHANGES:
                steps = (*plan.steps[:place], other, one, *plan.steps[place + 2 :])
                yield Mutant("swapped", f"{one.name}, {other.name}", _with(protocol, plan, steps))


def _no_rub(protocol: Protocol) -> Iterator[Mutant]:
    for _, step in all_steps(protocol):
        if _kinds(step) & RUBS:
            yield Mutant("rub left out", step.name, _without(protocol, step.name))


def _short(protocol: Protocol) -> Iterator[Mutant]:
    for step in _timed(protocol):
        timing = replace(step.timing, seconds=1.0)
        yield Mutant("rub too short", step.name, changed(protocol, step, timing=timing))


def _agents(protocol: Protocol) -> Iterator[Mutant]:
    for step in _timed(protocol):
        timing = replace(step.timing, agent="tap-water")
        yield Mutant("unknown agent", step.name, changed(protocol, step, timing=timing))


def _rub_roles(protocol: Protocol) -> Iterator[Mutant]:
    """Another rubs instead of whoever has the hands."""
    for step in _timed(protocol):
        if _kinds(step) & {"disinfect", "hygiene"}:
            role = "observer" if step.role == "wearer" else "wearer"
            also = tuple(one for one in step.also if one != step.role)
            yield Mutant("rub by another", step.name, changed(protocol, step, role=role, also=also))


def _never(protocol: Protocol) -> Iterator[Mutant]:
    """A rub of the list under a condition that never holds where it stands."""
    worn: set[str] = set()
    for _, step in as_written(protocol, modes(protocol)[-1]):
        if _kinds(step) & RUBS:
            on = sorted(worn)
            off = [item.name for item in protocol.items if item.name not in worn]
            never = {"when_off": (on[0],)} if on else {"when_on": (off[0],)}
            yield Mutant("rub never read", step.name, changed(protocol, step, **never))
        for act in step.acts:
            worn |= {act.target} if act.kind == "don" else set()
            worn -= {act.target} if act.kind == "doff" else set()


def _no_look(protocol: Protocol) -> Iterator[Mutant]:
    for plan in protocol.stages:
        for step in plan.steps:
            if step.acts and _kinds(step) <= {"inspect", "verify"} and plan.stage in {"dress", "undress"}:
                yield Mutant("look left out", step.name, _without(protocol, step.name))


def _unseen(protocol: Protocol) -> Iterator[Mutant]:
    """One piece of several is no longer looked at."""
    for plan in protocol.stages:
        for step in plan.steps:
            seen = [act for act in step.acts if act.kind == "inspect"]
            for act in seen if len(seen) > 1 else []:
                acts = tuple(one for one in step.acts if one is not act)
                yield Mutant("one piece unseen", f"{step.name}: {act.target}", changed(protocol, step, acts=acts))


def _again(protocol: Protocol) -> Iterator[Mutant]:
    """What has come off is put on again, some steps later."""
    plan = next(plan for plan in protocol.stages if plan.stage == "undress")
    for place, step in enumerate(plan.steps):
        for act in step.acts:
            later = plan.steps[place + 1 :]
            if act.kind == "doff" and not any(
                a.kind == "don" and a.target == act.target for s in later for a in s.acts
            ):
                back = Step(f"again-{act.target}", f"Put on the {act.target} again.", acts=(Act("don", act.target),),
                            answers=("done",))  # fmt: skip
                steps = (*plan.steps[: place + 2], back, *plan.steps[place + 2 :])
                yield Mutant("put on again", act.target, _with(protocol, plan, steps))


def _old_pair(protocol: Protocol) -> Iterator[Mutant]:
    """A fresh pair is no longer a fresh one."""
    for _, step in all_steps(protocol):
        if any(act.fresh for act in step.acts):
            acts = tuple(replace(act, fresh=False) for act in step.acts)
            yield Mutant("old pair again", step.name, changed(protocol, step, acts=acts))


def _torn(protocol: Protocol) -> Iterator[Mutant]:
    """No way for a tear, or the torn glove is kept."""
    for plan in protocol.stages:
        for step in plan.steps:
            for answer, _ in step.branches if any(act.kind == "inspect" for act in step.acts) else ():
                ways = tuple(pair for pair in step.branches if pair[0] != answer)
                yield Mutant(
                    "no way for what is found", f"{step.name}: {answer}", changed(protocol, step, branches=ways)
                )
    gloves = {item.name for item in protocol.items if item.say == "gloves" and item.layer == 1}
    for branch in protocol.branches:
        for step in branch.steps:
            if any(act.kind == "doff" and act.target in gloves for act in step.acts) and "torn" in f"{branch.name}":
                yield Mutant("torn kept", step.name, _without(protocol, step.name))


def _breaches(protocol: Protocol) -> Iterator[Mutant]:
    """No rule for a kind; back to the patient; nothing done after a breach."""
    for place, rule in enumerate(protocol.breaches):

        def other(put: tuple[object, ...], place: int = place) -> Protocol:
            return replace(protocol, breaches=(*protocol.breaches[:place], *put, *protocol.breaches[place + 1 :]))  # type: ignore[arg-type]

        where = f"{rule.kind} in {', '.join(rule.stages)}"
        if rule.kind in {"breach", "splash", "needle", "no-air", "torn"}:
            yield Mutant("no rule for a breach", where, other(()))
        if "work" in rule.stages:
            for then in ("same", "next"):
                yield Mutant("back to the patient", f"{where}: {then}", other((replace(rule, then=then),)))
        if "undress" in rule.stages and rule.branch and rule.kind not in {"no-air", "unwell", "collapse"}:
            yield Mutant("nothing after a breach", where, other((replace(rule, branch=""),)))
    for key in ("rejoin", "touched", "wearer_down"):
        yield Mutant("no way after", key, replace(protocol, **{key: ""}))
    yield Mutant("no rule for a breach", "all", replace(protocol, breaches=()))


def _repairs(protocol: Protocol) -> Iterator[Mutant]:
    """The steps of what follows a touch, a pause or a mistake are gone."""
    names = {protocol.rejoin, protocol.touched} | {step.repair for step in protocol.steps("undress")}
    for branch in protocol.branches:
        if branch.name in names - {""}:
            calm = (Step(f"{branch.name}-calm", "Stay calm.", answers=("understood",)),)
            branches = tuple(replace(b, steps=calm) if b is branch else b for b in protocol.branches)
            yield Mutant("nothing after a touch", branch.name, replace(protocol, branches=branches))


def _helpers(protocol: Protocol) -> Iterator[Mutant]:
    """The wearer alone takes the hose away; a helper does not rub."""
    hoses = {item.name for item in protocol.items if item.say == "hose"}
    for step in protocol.steps("undress"):
        if step.role != "wearer" and any(act.target.partition(".")[0] in hoses for act in step.acts):
            yield Mutant("hose alone", step.name, changed(protocol, step, role="wearer"))
            yield Mutant("hose alone", f"{step.name}: left out", _without(protocol, step.name))
    for step in (step for plan in protocol.stages for step in plan.steps):
        if any(act.target.endswith(".gloves") for act in step.acts):
            acts = tuple(act for act in step.acts if not act.target.endswith(".gloves"))
            yield Mutant("helper not rubbed", step.name, changed(protocol, step, acts=acts))


def _grips(protocol: Protocol) -> Iterator[Mutant]:
    """A piece at the face held elsewhere; a dirty piece shaken or snapped."""
    for _, step in all_steps(protocol):
        for number, act in enumerate(step.acts):
            if act.kind != "doff":
                continue
            item = protocol.item(act.target)
            wrong = [replace(act, manner="shake")] if act.manner == "roll" and item.say in {"gown", "coverall"} else []
            if item.site in {"face", "head", "eyes"}:
                wrong += [replace(act, grip=zone) for zone in zones.zones_of(item) if zone not in zones.HOLDS]
            for made in wrong:
                acts = (*step.acts[:number], made, *step.acts[number + 1 :])
                where = f"{step.name} at {made.grip} {made.manner}"
                yield Mutant("held or moved wrongly", where, changed(protocol, step, acts=acts))


def _touches(protocol: Protocol) -> Iterator[Mutant]:
    """Between a rub and what it is for, the hands go to the floor."""
    for plan in protocol.stages:
        if plan.stage != "undress":
            continue
        for place, step in enumerate(plan.steps[1:], 1):
            if "doff" in _kinds(step) and step.role == "wearer" and _kinds(plan.steps[place - 1]) & RUBS:
                floor = Step("to-the-floor", "Pick up what fell.", acts=(Act("touch", "floor"),), answers=("done",))
                steps = (*plan.steps[:place], floor, *plan.steps[place:])
                yield Mutant("touch after the rub", step.name, _with(protocol, plan, steps))


def _claims(protocol: Protocol) -> Iterator[Mutant]:
    """The file claims more of a piece than it can keep, or less than is needed."""
    for place, item in enumerate(protocol.items):

        def other(made: Item, place: int = place) -> Protocol:
            return replace(protocol, items=(*protocol.items[:place], made, *protocol.items[place + 1 :]))

        first = zones.zones_of(item)[0]
        yield Mutant("claims", f"{item.name} spared", other(replace(item, spared=(*item.spared, first))))
        if item.say not in {"mask", "hood", "helmet", "shield"}:
            yield Mutant("claims", f"{item.name} covers the face", other(replace(item, tight=(*item.tight, "face"))))
        if item.tight and any(zone in zones.BODY for zone in item.tight):
            loose = replace(item, tight=(), covers=(*item.covers, *item.tight))
            yield Mutant("claims", f"{item.name} leaks", other(loose))
        for trait in set(item.traits) & {"garment", "belt-papr"}:
            traits = tuple(one for one in item.traits if one != trait)
            yield Mutant("claims", f"{item.name} is no {trait}", other(replace(item, traits=traits)))
    if "ebola-level" in protocol.scope:
        yield Mutant("claims", "bare on purpose", replace(protocol, exposed=("face", "eyes", "hair", "neck")))
        yield Mutant("claims", "scope forgotten", _forgotten(protocol))


def _forgotten(protocol: Protocol) -> Protocol:
    """No scope, no orders, and the first look after work gone: what the hard orders alone hold against."""
    plan = next(plan for plan in protocol.stages if plan.stage == "undress")
    return replace(_with(protocol, plan, plan.steps[1:]), scope=(), orders=())


def _sentences(protocol: Protocol) -> Iterator[Mutant]:
    """A sentence of another step, of another kind, or about another piece."""
    steps = [step for plan in protocol.stages for step in plan.steps if _kinds(step) & (CHANGES - {"touch", "sit"})]
    for place, step in enumerate(steps):
        other = next(
            (one for one in (*steps[place + 1 :], *steps[:place]) if _main(protocol, one) != _main(protocol, step)),
            None,
        )
        if other is not None:
            yield Mutant("says else", f"{step.name} as {other.name}", changed(protocol, step, say=other.say))
    for step in steps:
        if _kinds(step) & RUBS:
            sweat = changed(protocol, step, say="Wipe the sweat off your face now.")
            yield Mutant("says else", f"{step.name}: sweat", sweat)


CLASSES: dict[str, Callable[[Protocol], Iterator[Mutant]]] = {
    "order": _orders, "no rub": _no_rub, "short": _short, "agent": _agents, "rub roles": _rub_roles, "never": _never,
    "no look": _no_look, "unseen": _unseen, "again": _again, "old pair": _old_pair, "torn": _torn,
    "breaches": _breaches, "repairs": _repairs, "helpers": _helpers, "grips": _grips, "touches": _touches,
    "claims": _claims, "sentences": _sentences,
}  # fmt: skip


def harmless(mutant: Mutant, original: Protocol) -> str:
    """Why a change that is not told harms nobody, as a practitioner can check it; '' when no such reason is known."""
    name = mutant.where.partition(" at ")[0].partition(", ")[0].partition(":")[0]
    steps = {step.name: step for _, step in all_steps(original)}
    step = steps.get(name)
    stage = next((where for where, one in all_steps(original) if one is step), "")
    why = ""
    if step is not None and mutant.kind in {"rub left out", "rub by another", "rub never read"}:
        why = _rub_missed(original, step, stage, mutant)
    elif step is not None and mutant.kind == "swapped":
        other = steps[mutant.where.partition(", ")[2]]
        if stage in {"prepare", "dress", "close"}:
            why = "sources differ, or are silent, on the order of these two before work"
        elif not {"doff", "don"} & (_kinds(step) & _kinds(other)) and _rubbed_between(mutant.protocol):
            why = RUBBED_BETWEEN
    elif mutant.kind in {"no way after", "rub too short"} and original.practice:
        why = "for practice only: nothing dirty is worn"
    elif mutant.kind == "helper not rubbed":
        why = "the helper has touched nothing dirty yet, and rubs after every touch"
    elif mutant.kind == "held or moved wrongly" and stage.startswith("branch") and _before_work(original, stage[7:]):
        why = "only read while dressing: nothing dirty is on the piece yet"
    elif mutant.kind in {"held or moved wrongly", "old pair again"} and step and not _read(original, step):
        why = "no path with one thing going wrong comes to it: it is for other pieces, or for two things"
    elif mutant.kind == "torn kept" and _first_off(original) == "gloves":
        why = "gloves are the first thing that comes off: the torn pair is kept on for nothing"
    elif mutant.kind == "look left out" and step is not None and _looked_at_elsewhere(original, step):
        why = "what it looks at is looked at, or made sure of, in another step"
    elif mutant.kind == "look left out" and step is not None and _loose_seal(original, step):
        why = "the mask does not fit tightly: there is no seal to make sure of"
    return why


def _rub_missed(original: Protocol, step: Step, stage: str, mutant: Mutant) -> str:
    """Why a rub that is missing harms nobody; each reason is looked up in a walk of the original."""
    kind = mutant.kind
    if stage == "undress":
        left_out = kind != "rub by another" and _rubbed_between(mutant.protocol)
        return _rubbed_anyway(original, step) or (RUBBED_BETWEEN if left_out else "")
    # after a false alarm nothing was touched
    reached = [(walk, point) for walk in _walks(original) for point in walk.moves if _reads(point, step)]
    points = [(walk, point) for walk, point in reached if point.stop.memory.struck is None]
    unrubbed = {where for walk, point in points for where in _before_next_rub(walk, point, step)}
    why = ""
    if kind == "rub by another" and step.role == ANYONE:
        why = "anybody may answer that step, and the wearer, who answers now, rubs the wearer's own hands"
    elif not points:
        why = "it is for other pieces, or for two things going wrong: no path with one of them comes to it"
    elif stage.startswith("branch") and original.branch(stage[7:]).emergency:
        why = "somebody who cannot stand through the list goes first: the check says in a note that rubs are waived"
    elif not unrubbed:
        why = "the hands are rubbed again before anything but a hood without air is taken off or put on"
    elif unrubbed <= {"prepare", "dress"}:
        why = "before work: nothing dirty has been touched"
    elif all(_hand_clean(walk, point) for walk, point in points):
        why = "nobody went in, or the hands were rubbed before it and have touched nothing dirty since"
    return why


@cache
def _walks(protocol: Protocol) -> tuple[Walk, ...]:
    walks = tuple(Walk(protocol, mode, 1) for mode in modes(protocol))
    for walk in walks:
        walk.run()
    return walks


def _reads(point: Point, step: Step) -> bool:
    return point.spot.kind == "step" and point.spot.step is not None and point.spot.step.name == step.name


def _before_next_rub(walk: Walk, point: Point, step: Step) -> set[str]:
    """The stages in which something comes off or goes on, or the session ends, before hands are rubbed again."""
    found: set[str] = set()
    seen: set[Point] = set()
    waiting = _onward(walk, point, found)
    while waiting:
        there = waiting.pop()
        if there in seen:
            continue
        seen.add(there)
        read = there.spot.step if there.spot.kind == "step" else None
        if read is not None and read.name != step.name:
            if _kinds(read) & {"disinfect", "hygiene"}:
                continue
            if any(one.cause == NO_AIR for one in there.spot.place.detours):
                continue  # a hood without air waits for no rub (rule 30)
            if _kinds(read) & {"doff", "don", "touch"}:
                found.add(there.spot.place.stage)
                continue
        waiting += _onward(walk, there, found)
    return found


def _onward(walk: Walk, point: Point, found: set[str]) -> list[Point]:
    """What can come next; 'end' is added to `found` if the session may end there."""
    after = [transition.after for transition in walk.leave(point)]
    found |= {"end"} if None in after else set()
    return [there for there in after if there is not None]


def _hand_clean(walk: Walk, point: Point) -> bool:
    world = point.world
    if not world.flags & ENTERED:
        return True
    return world.levels[walk.model.hand("wearer", world.worn)] & LEVEL < SUSPECT


def _looked_at_elsewhere(original: Protocol, step: Step) -> bool:
    """Whether other steps of the list inspect, or make sure of, everything that this one does."""
    others = {a.target for plan in original.stages for one in plan.steps if one is not step for a in one.acts}
    return {act.target for act in step.acts if act.kind in {"inspect", "verify"}} <= others


def _loose_seal(original: Protocol, step: Step) -> bool:
    fits = any("tight-fit" in item.traits for item in original.items)
    return {act.target for act in step.acts} == {"seal"} and not fits


def _before_work(protocol: Protocol, branch: str) -> bool:
    """Whether only steps of dressing call that branch, or another such branch does."""
    named = {protocol.rejoin, protocol.touched, protocol.wearer_down, *(way for _, _, way in protocol.torn)}
    named |= {rule.branch for rule in protocol.breaches}
    later = [step for where, step in all_steps(protocol) if where not in {"prepare", "dress"}]
    called = named | {way for step in later for way in (step.repair, *(to for _, to in step.branches))}
    callers = [one.name for one in protocol.branches if branch in (one.then, one.again)]
    return branch not in called and all(_before_work(protocol, name) for name in callers)


def _read(protocol: Protocol, step: Step) -> bool:
    """Whether any way with one thing going wrong comes to that step."""
    return any(_reads(point, step) for walk in _walks(protocol) for point in walk.moves)


def _first_off(protocol: Protocol) -> str:
    return next(
        protocol.item(act.target).say for step in protocol.steps("undress") for act in step.acts if act.kind == "doff"
    )


def _rubbed_anyway(original: Protocol, step: Step) -> str:
    """The neighbouring rub that does the same, if only looks and seats lie between."""
    if step.acts and all(act.target.endswith(".gloves") for act in step.acts):
        return "the helper has touched nothing dirty yet, and rubs after every touch"
    steps = [one for _, one in as_written(original, modes(original)[-1])]
    place = steps.index(step) if step in steps else -1
    for way in (1, -1):
        there = place + way
        while 0 <= there < len(steps) and _kinds(steps[there]) <= {"inspect", "verify", "sit", "touch"}:
            there += way
        if place >= 0 and 0 <= there < len(steps) and _kinds(steps[there]) & {"disinfect", "hygiene"}:
            return f"the same hands are rubbed in {steps[there].name}, with nothing coming off between"
    return ""


RUBBED_BETWEEN = "as changed, too, the hands are rubbed before each thing that comes off, and nothing dirty arrives"


def _rubbed_between(changed: Protocol) -> bool:
    """Whether, on the list as written, a rub of the wearer's hands comes before each thing that comes off."""
    for mode in modes(changed):
        rubbed = False
        for stage, step in as_written(changed, mode):
            if stage != "undress":
                continue
            if "doff" in _kinds(step) and not rubbed:
                return False
            own = any(act.rubs and not act.target.endswith(".gloves") for act in step.acts)
            rubbed = own or (rubbed and "doff" not in _kinds(step))
    return True


def _main(protocol: Protocol, step: Step) -> str:
    """What a step does first, and to what kind of thing: sentences of the same may stand for each other."""
    says = {item.name: item.say for item in protocol.items}
    act = next(act for act in step.acts if act.kind in CHANGES - {"touch", "sit"})
    kind = "rub" if act.kind in {"disinfect", "hygiene"} else act.kind
    return f"{kind} {says.get(act.target, act.target)}" if kind != "wipe" else "wipe"


def _timed(protocol: Protocol) -> Iterator[Step]:
    for _, step in all_steps(protocol):
        if step.timing is not None and isinstance(step.timing, Timing) and step.acts:
            yield step


def _kinds(step: Step) -> set[str]:
    return {act.kind for act in step.acts}


def _with(protocol: Protocol, plan: StagePlan, steps: tuple[Step, ...]) -> Protocol:
    plans = tuple(replace(one, steps=steps) if one is plan else one for one in protocol.stages)
    return replace(protocol, stages=plans)


def changed(protocol: Protocol, step: Step, **changes: object) -> Protocol:
    """The protocol with one step changed, wherever it stands."""

    def put(steps: tuple[Step, ...]) -> tuple[Step, ...]:
        return tuple(replace(one, **changes) if one.name == step.name else one for one in steps)  # type: ignore[arg-type]

    plans = tuple(replace(plan, steps=put(plan.steps)) for plan in protocol.stages)
    branches = tuple(replace(branch, steps=put(branch.steps)) for branch in protocol.branches)
    return replace(protocol, stages=plans, branches=branches)


def _without(protocol: Protocol, name: str) -> Protocol:
    plans = tuple(replace(p, steps=tuple(s for s in p.steps if s.name != name)) for p in protocol.stages)
    branches = tuple(replace(b, steps=tuple(s for s in b.steps if s.name != name)) for b in protocol.branches)
    return replace(protocol, stages=plans, branches=branches)
