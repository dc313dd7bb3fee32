"""A protocol file to values. Every error names file, line and field, what is wrong and what was expected. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from voicecoach import yamltext
from voicecoach.protocol import zones
from voicecoach.protocol.model import (
    BASES,
    STAGES,
    Branch,
    BreachRule,
    Item,
    Protocol,
    Source,
    StagePlan,
)
from voicecoach.protocol.steps import StepReader, choices, joined, prompt, words
from voicecoach.yamltext import Node

MAX_FIRST_WORDS = 6
MAX_ITEMS = 40
BREACH_KINDS = ("breach", "splash", "needle", "no-air", "torn")
ASKS = ("where", "skin")
THENS = ("same", "next", "undress", "confirm")
FIELDS = (
    "protocol", "title", "version", "practice", "sources", "items", "room", "exposed", "scope", "orders", "stages",
    "branches", "breaches", "rejoin", "touched", "wearer-down",
)  # fmt: skip


def load(text: str, file: str) -> Protocol:
    """Read one protocol.

    Args:
        text: the YAML text. file: the name to use in messages.

    Raises:
        InputError: one line with file, line and field, for the first thing that is wrong.
    """
    root = yamltext.read(text, file).only(*FIELDS)
    room = _room(root.get("room"))
    reader = StepReader(_items(root.need("items")))
    _check_layers(root.need("items"), reader)
    stages = _stages(root.need("stages"), reader)
    branches = _branches(root.get("branches"), reader)
    main = {step.name: reader.nodes[step.name] for plan in stages for step in plan.steps}
    _check_ways(reader, main, branches, root.get("branches"))
    _check_worn(reader, root.need("items"))
    names = {branch.name for branch in branches}
    named = {key: _branch_name(root.get(key), names) for key in ("rejoin", "touched", "wearer-down")}
    practice = root.get("practice")
    return Protocol(
        name=root.need("protocol").scalar(),
        title=root.need("title").scalar(),
        version=root.need("version").scalar(),
        sources=tuple(_source(node) for node in root.need("sources").list()),
        items=tuple(reader.items.values()),
        stages=stages,
        branches=branches,
        breaches=_breaches(root.get("breaches"), names, main),
        rejoin=named["rejoin"],
        touched=named["touched"],
        wearer_down=named["wearer-down"],
        scope=words(root.get("scope")),
        file=file,
        room=room,
        exposed=choices(root.get("exposed"), zones.BODY),
        orders=words(root.get("orders")),
        practice=practice.flag() if practice else False,
    )


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
        raise node.wrong("has no items", "at least one item that is worn")
    return found


def _check_layers(node: Node, reader: StepReader) -> None:
    """Refuse an item that lies over a surface that does not exist."""
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


def _branches(node: Node | None, reader: StepReader) -> tuple[Branch, ...]:
    """All branches; where they lead is checked when all are known."""
    found = []
    for name, value in node.items() if node is not None else ():
        value.only("steps", "then", "ask", "exposed")
        then, ask, exposed = value.get("then"), value.get("ask"), value.get("exposed")
        steps = reader.steps(value.need("steps"), f"branch {name}")
        if not steps:
            raise value.wrong("has no steps", "at least one step")
        found.append(
            Branch(
                name=name,
                steps=steps,
                then=then.scalar() if then else "same",
                ask=ask.choice(ASKS) if ask else "",
                exposed=exposed.scalar() if exposed else "",
                line=value.line,
            )
        )
    return tuple(found)


def _check_ways(reader: StepReader, main: Mapping[str, Node], branches: tuple[Branch, ...], node: Node | None) -> None:
    """Refuse ways that lead nowhere, and branches that call each other in a ring."""
    names = {branch.name for branch in branches}
    calls: dict[str, list[tuple[str, Node]]] = {}
    homes = {step.name: branch.name for branch in branches for step in branch.steps}
    for name, step in reader.nodes.items():
        on, repair = step.get("on"), step.get("repair")
        ways = [value for _, value in on.items()] if on else []
        ways += [repair] if repair else []
        for way in ways:
            _branch_name(way, names)
            calls.setdefault(homes.get(name, ""), []).append((way.scalar(), way))
    for branch in branches:
        assert node is not None
        place = node.need(branch.name)
        then, exposed = place.get("then"), place.get("exposed")
        _then(then, main)
        if exposed:
            calls.setdefault(branch.name, []).append((_branch_name(exposed, names), exposed))
    for branch in branches:
        _no_ring(branch.name, calls)


def _check_worn(reader: StepReader, node: Node) -> None:
    """Refuse an item that nothing puts on, so that every act on it is an act on what is not worn."""
    worn = {act.target for acts in reader.acts.values() for act in acts if act.kind in {"don", "change"}}
    for name in reader.items:
        if name in worn:
            continue
        for step, acts in reader.acts.items():
            if any(act.target.partition(".")[0] == name for act in acts):
                raise reader.nodes[step].wrong(f"acts on {name!r}, which no step puts on", f"a step with 'don: {name}'")
        raise node.need(name).wrong("is put on by no step", f"a step with 'don: {name}'")


def _no_ring(start: str, calls: Mapping[str, list[tuple[str, Node]]]) -> None:
    waiting, seen = list(calls.get(start, ())), set()
    while waiting:
        name, node = waiting.pop()
        if name == start:
            raise node.wrong(f"branch {start!r} comes back to itself", "branches that end")
        if name not in seen:
            seen.add(name)
            waiting.extend(calls.get(name, ()))


def _branch_name(node: Node | None, names: set[str]) -> str:
    return node.choice(names) if node is not None else ""


def _then(node: Node | None, main: Mapping[str, Node]) -> str:
    return node.choice({*THENS, *main}) if node is not None else "same"


def _breaches(node: Node | None, names: set[str], main: Mapping[str, Node]) -> tuple[BreachRule, ...]:
    rules: list[BreachRule] = []
    taken: dict[tuple[str, str], int] = {}
    for value in node.list() if node is not None else ():
        value.only("kind", "stages", "first", "branch", "then", "ask")
        kind = value.need("kind").choice(BREACH_KINDS)
        stages = choices(value.need("stages"), STAGES)
        for stage in stages:
            if (kind, stage) in taken:
                what = f"{kind!r} in {stage!r} has a rule already, on line {taken[kind, stage]}"
                raise value.wrong(what, "one rule a kind and stage")
            taken[kind, stage] = value.line
        ask = value.get("ask")
        rules.append(
            BreachRule(
                kind=kind,
                stages=stages,
                first=prompt(value.need("first"), MAX_FIRST_WORDS),
                branch=_branch_name(value.get("branch"), names),
                then=_then(value.get("then"), main),
                ask=ask.choice(("where",)) if ask else "",
                line=value.line,
            )
        )
        if "undress" in stages and rules[-1].then == "undress":
            raise value.need("then").wrong("a breach in removal never begins it again", "same, next or a later step")
    return tuple(rules)
