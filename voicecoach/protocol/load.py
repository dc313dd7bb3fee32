"""Turns protocol files into values. Every error names file, line and field, what is wrong and what was expected. Pure.

The text may end with shared texts (`include`). Their branches, breach rules and torn pieces count as the protocol's
own, unless it has one of the same name, or for the same kind and stage.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import lru_cache

from voicecoach import yamltext
from voicecoach.protocol import include, zones
from voicecoach.protocol.model import (
    BASES,
    DANGERS,
    SCOPES,
    STAGES,
    Branch,
    BreachRule,
    Item,
    Protocol,
    Source,
    StagePlan,
    Step,
)
from voicecoach.protocol.steps import StepReader, choices, joined, prompt, words
from voicecoach.yamltext import Node

MAX_FIRST_WORDS = 6
MAX_ITEMS = 40
QUESTIONS = ("piece", "gloves", "where", "skin")
COVERED = "covered"
"""Stands for a stage: the branch for a piece torn in removal while another pair of the same is worn over it."""
THENS = ("same", "next", "missing", "undress", "close", "confirm")
NAMED = ("rejoin", "touched", "wearer-down", "wash", "eyes-at-once", "undo")
FIELDS = (
    "protocol", "title", "version", "practice", "include", "sources", "items", "room", "exposed", "scope", "orders",
    "stages", "branches", "breaches", "torn", *NAMED,
)  # fmt: skip
SHARED_FIELDS = ("shared", "pieces", "sources", "branches", "breaches", "torn", *NAMED)


@lru_cache(maxsize=32)
def load(text: str, file: str) -> Protocol:
    """Read one protocol; the same text again is not read again.

    Args:
        text: the YAML text. file: its name in messages.

    Raises:
        InputError: one line with file, line and field, for the first error.
    """
    own, parts = include.split(text)
    root = yamltext.read(own, file).only(*FIELDS)
    room = _room(root.get("room"))
    reader = StepReader(_items(root.need("items")))
    _check_layers(root.need("items"), reader)
    stages = _stages(root.need("stages"), reader)
    shared = _shared(root.get("include"), parts)
    branches = _branches(root, shared, reader)
    main = {step.name: reader.nodes[step.name] for plan in stages for step in plan.steps}
    names, own_branches = {branch.name for branch in branches}, root.get("branches")
    _check_references(reader, main, branches, (root, *shared))
    _check_worn(reader, root.need("items"))
    named = {key: _branch_name(_first(key, root, shared), names) for key in NAMED}
    breaches, torn = _breaches(root, shared, names, main), _torn(root, shared, reader, names)
    steps = [step for plan in stages for step in plan.steps]
    calls = {*named.values(), *(b for _, _, b in torn), *(w for rule in breaches for w in (rule.branch, rule.then))}
    own_names = {name for name, _ in own_branches.items()} if own_branches else set()
    branches = _called(branches, calls, steps, own_names)
    practice = root.get("practice")
    sources = [*root.need("sources").list(), *(s for one in shared if (v := one.get("sources")) for s in v.list())]
    return Protocol(
        name=root.need("protocol").scalar(),
        title=root.need("title").scalar(),
        version=root.need("version").scalar(),
        sources=tuple(_source(node) for node in sources),
        items=tuple(reader.items.values()),
        stages=stages,
        branches=branches,
        breaches=breaches,
        rejoin=named["rejoin"],
        touched=named["touched"],
        wearer_down=named["wearer-down"],
        wash=named["wash"],
        eyes_at_once=named["eyes-at-once"],
        undo=named["undo"],
        torn=torn,
        scope=choices(root.get("scope"), SCOPES),
        file=file,
        room=room,
        exposed=choices(root.get("exposed"), zones.BODY),
        orders=words(root.get("orders")),
        practice=practice.flag() if practice else False,
    )


def _shared(node: Node | None, parts: Mapping[str, str]) -> tuple[Node, ...]:
    """The shared texts that the protocol asks for, read."""
    found = []
    for name in words(node):
        assert node is not None
        if name not in parts:
            raise node.wrong(f"there is no shared file {name!r}", "a file in the folder 'shared' beside the protocol")
        found.append(yamltext.read(parts[name], f"shared/{name}.yaml").only(*SHARED_FIELDS))
    return tuple(found)


def _first(key: str, root: Node, shared: tuple[Node, ...]) -> Node | None:
    return next((value for one in (root, *shared) if (value := one.get(key)) is not None), None)


def _source(node: Node) -> Source:
    node.only("title", "year", "used-for", "basis", "where")
    return Source(
        title=joined(node.need("title")),
        year=joined(node.need("year")),
        used_for=joined(node.need("used-for")),
        basis=node.need("basis").choice(BASES),
        where=joined(node.get("where")),
    )


def _room(node: Node | None) -> tuple[tuple[str, str], ...]:
    if node is None:
        return ()
    node.only(*zones.ROOM, *zones.HELPERS)
    return tuple((name, value.choice(zones.ROOM_STATES)) for name, value in node.items())


def _items(node: Node) -> dict[str, Item]:
    if len(node.items()) > MAX_ITEMS:
        raise node.wrong(f"has {len(node.items())} items", f"at most {MAX_ITEMS}")
    found: dict[str, Item] = {}
    for name, value in node.items():
        value.only("site", "layer", "label", "say", "covers", "zones", "tight", "overlap", "traits", "spared")
        if name in zones.BODY or name in zones.ROOM or name in zones.HELPERS:
            raise value.wrong(f"{name!r} is the name of a body zone, a role or a place", "a name of its own")
        found[name] = Item(
            name=name,
            site=value.need("site").choice({*zones.BODY, "head", "body", "front"}),
            layer=int(value.need("layer").number(1, 9)),
            label=joined(value.get("label")) or name.replace("-", " "),
            say=value.need("say").choice(zones.KINDS),
            covers=words(value.get("covers")),
            line=value.line,
            zones=words(value.get("zones")),
            tight=words(value.get("tight")),
            overlap=words(value.get("overlap")),
            traits=choices(value.get("traits"), zones.TRAITS),
            spared=words(value.get("spared")),
        )
        if (spared := value.get("spared")) is not None:
            choices(spared, zones.zones_of(found[name]))
    if not found:
        raise node.wrong("has no items", "at least one item")
    return found


def _check_layers(node: Node, reader: StepReader) -> None:
    """Reject an item that lies over a surface that does not exist."""
    for name, value in node.items():
        for key in ("covers", "tight", "overlap"):
            listed = value.get(key)
            if listed is None:
                continue
            members = (listed,) if listed.text is not None else listed.list()
            for member in members:
                zone = member.choice({*zones.BODY, *reader.item_zones})
                if zone.split(".")[0] == name:
                    raise member.wrong(f"{name!r} cannot lie over itself", "a zone of another item or of the body")


def _stages(node: Node, reader: StepReader) -> tuple[StagePlan, ...]:
    """All stages, in the order of a session."""
    node.only(*STAGES)
    given = [name for name, _ in node.items()]
    if given != [name for name in STAGES if name in given]:
        raise node.wrong("are out of order", ", ".join(STAGES))
    plans = []
    for name in STAGES:
        value = node.get(name)
        if value is not None:
            plans.append(StagePlan(name, reader.steps(value, name)))
    if not any(plan.steps for plan in plans):
        raise node.wrong("have no steps", "at least one step")
    return tuple(plans)


def _branches(root: Node, shared: tuple[Node, ...], reader: StepReader) -> tuple[Branch, ...]:
    """All branches, the protocol's own before shared ones; where they lead is checked when all are known."""
    found: dict[str, Branch] = {}
    for whose in (root, *shared):
        node = whose.get("branches")
        pieces = None if whose is root else words(whose.get("pieces"))
        for name, value in node.items() if node is not None else ():
            if name not in found:
                found[name] = _branch(name, value, reader, pieces)
    return tuple(found.values())


def _branch(name: str, node: Node, reader: StepReader, pieces: tuple[str, ...] | None) -> Branch:
    node.only("steps", "then", "ask", "exposed", "again", "emergency")
    then, exposed, again = node.get("then"), node.get("exposed"), node.get("again")
    questions = choices(node.get("ask"), QUESTIONS)
    steps = node.need("steps")
    if not steps.list() and not questions:
        raise node.wrong("has no steps", "at least one step, or a question")
    if pieces is not None:
        left = (fitted for step in steps.list() if (fitted := include.fitted(step, reader.items, pieces)) is not None)
        steps = replace(steps, members=tuple(left))
    return Branch(
        name=name,
        steps=reader.steps(steps, f"branch {name}"),
        then=then.scalar() if then else "same",
        ask=questions,
        exposed=exposed.scalar() if exposed else "",
        line=node.line,
        again=again.scalar() if again else "",
        file=node.file,
        emergency=joined(node.get("emergency")),
    )


def _check_references(
    reader: StepReader, main: Mapping[str, Node], branches: tuple[Branch, ...], whose: tuple[Node, ...]
) -> None:
    """Reject references to missing branches, and branches that call each other in a ring."""
    names = {branch.name for branch in branches}
    calls: dict[str, list[tuple[str, Node]]] = {}
    homes = {step.name: branch.name for branch in branches for step in branch.steps}
    for name, step in reader.nodes.items():
        on, repair = step.get("on"), step.get("repair")
        references = [value for _, value in on.items()] if on else []
        references += [repair] if repair else []
        for reference in references:
            _branch_name(reference, names)
            calls.setdefault(homes.get(name, ""), []).append((reference.scalar(), reference))
    nodes = [node for one in whose if (node := one.get("branches")) is not None]
    for branch in branches:
        place = next(found for node in nodes if (found := node.get(branch.name)) is not None)
        then, exposed, again = place.get("then"), place.get("exposed"), place.get("again")
        _then(then, {*main, *names})
        if then is not None and branch.then in names:
            calls.setdefault(branch.name, []).append((branch.then, then))
        if exposed:
            calls.setdefault(branch.name, []).append((_branch_name(exposed, names), exposed))
        if again:
            calls.setdefault(branch.name, []).append((_branch_name(again, names), again))
    for branch in branches:
        _no_ring(branch.name, calls)


def _called(branches: tuple[Branch, ...], calls: set[str], steps: Iterable[Step], own: set[str]) -> tuple[Branch, ...]:
    """The branches that are used. Unused shared ones are for other protocols; the protocol's own all stay."""
    named = {branch.name: branch for branch in branches}
    waiting = [*own, *calls, *_calls_of(steps)]
    used: set[str] = set()
    while waiting:
        branch = named.get(waiting.pop())
        if branch is not None and branch.name not in used:
            used.add(branch.name)
            waiting += [branch.then, branch.exposed, branch.again, *_calls_of(branch.steps)]
    return tuple(branch for branch in branches if branch.name in used)


def _calls_of(steps: Iterable[Step]) -> list[str]:
    return [name for step in steps for name in (step.repair, *(branch for _, branch in step.branches))]


def _check_worn(reader: StepReader, node: Node) -> None:
    """Reject an item that no step puts on, since every act on it would be an act on something not worn."""
    worn = {act.target for acts in reader.acts.values() for act in acts if act.kind in {"don", "change"}}
    for name in reader.items:
        if name in worn:
            continue
        for step, acts in reader.acts.items():
            if any(act.target.partition(".")[0] == name for act in acts):
                raise reader.nodes[step].wrong(f"acts on {name!r}, which no step puts on", f"a step with 'don: {name}'")
        raise node.need(name).wrong("is never put on", f"a step with 'don: {name}'")


def _no_ring(start: str, calls: Mapping[str, list[tuple[str, Node]]]) -> None:
    waiting, seen = list(calls.get(start, ())), set()
    while waiting:
        name, node = waiting.pop()
        if name == start:
            raise node.wrong(f"branch {start!r} leads back to itself", "branches that end")
        if name not in seen:
            seen.add(name)
            waiting.extend(calls.get(name, ()))


def _branch_name(node: Node | None, names: set[str]) -> str:
    return node.choice(names) if node is not None else ""


def _then(node: Node | None, names: Iterable[str]) -> str:
    return node.choice({*THENS, *names}) if node is not None else "same"


def _torn(
    root: Node, shared: tuple[Node, ...], reader: StepReader, names: set[str]
) -> tuple[tuple[str, str, str], ...]:
    """The branches for torn pieces, the protocol's own before shared ones."""
    found: dict[tuple[str, str], str] = {}
    for whose in (root, *shared):
        node = whose.get("torn")
        pieces = {*reader.items, *(words(whose.get("pieces")) if whose is not root else ())}
        for item, by_stage in node.items() if node is not None else ():
            if item not in pieces:
                raise by_stage.wrong(f"{item!r} is not an item", "one of " + ", ".join(sorted(pieces)))
            for stage, branch in by_stage.only(*STAGES, COVERED).items():
                if item in reader.items and (item, stage) not in found:
                    found[item, stage] = _branch_name(branch, names)
    return tuple((item, stage, branch) for (item, stage), branch in found.items())


def _breaches(
    root: Node, shared: tuple[Node, ...], names: set[str], main: Mapping[str, Node]
) -> tuple[BreachRule, ...]:
    """The protocol's own rules, then shared ones for kinds and stages for which it has none."""
    rules: list[BreachRule] = []
    taken: dict[tuple[str, str], int] = {}
    for whose in (root, *shared):
        node = whose.get("breaches")
        earlier = set(taken)
        for value in node.list() if node is not None else ():
            rule = _breach(value, names, main)
            for stage in rule.stages:
                if (rule.kind, stage) in taken.keys() - earlier:
                    what = f"{rule.kind!r} in {stage!r} already has a rule, on line {taken[rule.kind, stage]}"
                    raise value.wrong(what, "one rule per kind and stage")
            left = tuple(stage for stage in rule.stages if (rule.kind, stage) not in earlier)
            taken |= {(rule.kind, stage): value.line for stage in left}
            if left:
                rules.append(replace(rule, stages=left))
    return tuple(rules)


def _breach(node: Node, names: set[str], main: Mapping[str, Node]) -> BreachRule:
    node.only("kind", "stages", "first", "first-alone", "branch", "then", "ask")
    rule = BreachRule(
        kind=node.need("kind").choice(DANGERS),
        stages=choices(node.need("stages"), STAGES),
        first=prompt(node.need("first"), MAX_FIRST_WORDS),
        branch=_branch_name(node.get("branch"), names),
        then=_then(node.get("then"), {*main, *names}),
        ask=choices(node.get("ask"), QUESTIONS),
        line=node.line,
        first_alone=prompt(node.get("first-alone"), MAX_FIRST_WORDS),
        file=node.file,
    )
    if "undress" in rule.stages and rule.then == "undress":
        raise node.need("then").wrong("begins the removal again after a breach in it", "same, next or a later step")
    return rule
