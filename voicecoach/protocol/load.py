"""A protocol file to values. Every error names file, line and field, what is wrong and what was expected. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from voicecoach import yamltext
from voicecoach.protocol import zones
from voicecoach.protocol.model import (
    ACTS,
    BASES,
    ROLES,
    STAGES,
    Act,
    Branch,
    BreachRule,
    Item,
    Protocol,
    Source,
    Stage,
    StagePlan,
    Step,
    Timing,
)
from voicecoach.yamltext import Node

MAX_PROMPT_WORDS = 12
MAX_FIRST_WORDS = 6
MAX_MATTERS = 8
MAX_STEPS = 400
MAX_ITEMS = 40
BREACH_KINDS = ("breach", "splash", "needle", "no-air", "torn")
ASKS = ("where", "skin")
THENS = ("same", "next", "undress", "confirm")
FIELDS = (
    "protocol", "title", "version", "practice", "sources", "items", "room", "exposed", "scope", "orders", "stages",
    "branches", "breaches", "rejoin", "touched", "wearer-down",
)  # fmt: skip
STEP_FIELDS = (
    "step", "say", "warn", "help", "role", "acts", "answer", "observer", "also", "matters", "time", "quiet", "asks-for",
    "on", "repair", "when-on", "when-off", "weaker",
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
    reader = _Reader(_items(root.need("items")), dict(room))
    reader.check_layers(root.need("items"))
    stages = reader.stages(root.need("stages"))
    branches = reader.branches(root.get("branches"))
    main = {step.name: node for plan in stages for step, node in ((s, reader.nodes[s.name]) for s in plan.steps)}
    reader.check_ways({branch.name for branch in branches}, main, branches, root.get("branches"))
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
        scope=_words(root.get("scope")),
        file=file,
        room=room,
        exposed=_choices(root.get("exposed"), zones.BODY),
        orders=_words(root.get("orders")),
        practice=practice.flag() if practice else False,
    )


def _words(node: Node | None) -> tuple[str, ...]:
    return node.words() if node is not None else ()


def _choices(node: Node | None, allowed: tuple[str, ...]) -> tuple[str, ...]:
    if node is None:
        return ()
    members = (node,) if node.text is not None else node.list()
    return tuple(member.choice(allowed) for member in members)


def _prompt(node: Node | None, most: int = MAX_PROMPT_WORDS) -> str:
    if node is None:
        return ""
    text = node.scalar()
    if len(text.split()) > most:
        raise node.wrong(f"is {len(text.split())} words long", f"at most {most}: it is spoken in one breath")
    return " ".join(text.split())


def _text(node: Node | None) -> str:
    return " ".join(node.scalar().split()) if node is not None else ""


def _source(node: Node) -> Source:
    node.only("title", "year", "used-for", "basis", "where")
    return Source(
        title=_text(node.need("title")),
        year=_text(node.need("year")),
        used_for=_text(node.need("used-for")),
        basis=node.need("basis").choice(BASES),
        where=_text(node.get("where")),
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
            label=_text(value.get("label")) or name.replace("-", " "),
            say=value.need("say").choice(zones.KINDS),
            covers=_words(value.get("covers")),
            line=value.line,
            zones=_words(value.get("zones")),
            tight=_words(value.get("tight")),
            overlap=_words(value.get("overlap")),
            traits=_choices(value.get("traits"), zones.TRAITS),
            spared=_words(value.get("spared")),
        )
        if (spared := value.get("spared")) is not None:
            _choices(spared, zones.zones_of(found[name]))
    if not found:
        raise node.wrong("has no items", "at least one item that is worn")
    return found


@dataclass
class _Reader:
    """What is known while the steps are read: items, room, and where each step name was used."""

    items: dict[str, Item]
    room: dict[str, str]
    nodes: dict[str, Node] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.item_zones = {name for item in self.items.values() for name in zones.zone_names(item)}
        self.places = {*zones.ROOM, *(f"{helper}.gloves" for helper in zones.HELPERS)}

    def check_layers(self, node: Node) -> None:
        """Refuse an item that lies over a surface that does not exist."""
        for name, value in node.items():
            for key in ("covers", "tight", "overlap"):
                listed = value.get(key)
                if listed is None:
                    continue
                members = (listed,) if listed.text is not None else listed.list()
                for member in members:
                    zone = member.choice({*zones.BODY, *self.item_zones})
                    if zone.split(".")[0] == name:
                        raise member.wrong(f"{name!r} cannot lie over itself", "a zone of another item or of the body")

    def stages(self, node: Node) -> tuple[StagePlan, ...]:
        """All stages, in the order of a session."""
        node.only(*STAGES)
        given = [name for name, _ in node.items()]
        if given != [name for name in STAGES if name in given]:
            raise node.wrong("are out of order", ", ".join(STAGES))
        plans = []
        for name in STAGES:
            value = node.get(name)
            if value is not None:
                plans.append(StagePlan(name, self._steps(value, name)))
        if not any(plan.steps for plan in plans):
            raise node.wrong("have no steps", "at least one step")
        return tuple(plans)

    def _steps(self, node: Node, stage: Stage | str) -> tuple[Step, ...]:
        steps = tuple(self._step(member, stage) for member in node.list())
        if len(self.nodes) > MAX_STEPS:
            raise node.wrong(f"make {len(self.nodes):,} steps in all", f"at most {MAX_STEPS}")
        quiet = {step.name: step for step in steps if step.quiet_s > 0}
        seen: set[str] = set()
        for step in steps:
            if step.asks_for and step.asks_for not in seen:
                asking = self.nodes[step.name].need("asks-for")
                raise asking.wrong(f"{step.asks_for!r} is no earlier quiet step", "the name of an earlier quiet step")
            if step.quiet_s > 0:
                seen.add(step.name)
        unasked = set(quiet) - {step.asks_for for step in steps}
        if unasked:
            name = next(step.name for step in steps if step.name in unasked)
            wanted = f"a later step with 'asks-for: {name}'"
            raise self.nodes[name].wrong("is quiet and no later step asks for it", wanted)
        matters = [step for step in steps if step.matters]
        if len(matters) > MAX_MATTERS:
            over = self.nodes[matters[MAX_MATTERS].name]
            raise over.wrong(
                f"is answer {MAX_MATTERS + 1} that must be named in {stage!r}", f"at most {MAX_MATTERS} a stage"
            )
        return steps

    def _step(self, node: Node, stage: str) -> Step:
        node.only(*STEP_FIELDS)
        name_node = node.need("step")
        name = name_node.scalar()
        if name in self.nodes:
            raise name_node.wrong(f"{name!r} is named twice, first on line {self.nodes[name].line}", "each step once")
        self.nodes[name] = node
        quiet = node.get("quiet")
        quiet_s = quiet.number(1, 300) if quiet else 0.0
        answers = _words(node.get("answer"))
        if quiet_s and answers:
            raise node.need("answer").wrong("is asked for in a quiet step", "no answer; a later step asks")
        if not quiet_s and not answers and stage != "work":
            raise node.wrong(f"step {name!r} has no answer", "a field 'answer', or 'quiet' seconds")
        roles = {key: node.get(key) for key in ("role", "repair", "asks-for", "weaker", "matters", "observer")}
        on = node.get("on")
        matters, observer, role = roles["matters"], roles["observer"], roles["role"]
        return Step(
            name=name,
            say=_prompt(node.need("say")),
            role=role.choice(ROLES) if role else "wearer",
            warn=_prompt(node.get("warn")),
            help=_text(node.get("help")),
            acts=self._acts(node.get("acts")),
            answers=answers,
            observer=observer.flag() if observer else False,
            matters=matters.flag() if matters else False,
            timing=self._timing(node.get("time")),
            quiet_s=quiet_s,
            asks_for=_text(roles["asks-for"]),
            branches=tuple((key, value.scalar()) for key, value in on.items()) if on else (),
            repair=_text(roles["repair"]),
            when_on=self._item_names(node.get("when-on")),
            when_off=self._item_names(node.get("when-off")),
            also=_choices(node.get("also"), ROLES),
            line=node.line,
            weaker=_text(roles["weaker"]),
        )

    def _item_names(self, node: Node | None) -> tuple[str, ...]:
        return _choices(node, tuple(self.items))

    def _timing(self, node: Node | None) -> Timing | None:
        if node is None:
            return None
        node.only("agent", "seconds", "start")
        start = node.get("start")
        if start is None:
            raise node.wrong("has no start command", "a field 'start', such as 'start: rubbing'")
        return Timing(node.need("agent").scalar(), node.need("seconds").number(1, 3600), start.scalar())

    def _acts(self, node: Node | None) -> tuple[Act, ...]:
        if node is None:
            return ()
        return tuple(self._act(member) for member in node.list())

    def _act(self, node: Node) -> Act:
        node.only(*ACTS, "grip", "passes", "manner")
        kinds = [(name, value) for name, value in node.items() if name in ACTS]
        if len(kinds) != 1:
            raise node.wrong(f"names {len(kinds)} acts", "one act, such as 'doff: gown'")
        kind, value = kinds[0]
        target = value.choice(self._targets(kind))
        grip, passes, manner = node.get("grip"), node.get("passes"), node.get("manner")
        if grip is not None:
            if target not in self.items:
                raise grip.wrong(f"{target!r} is not an item that can be gripped", "no grip")
            grip.choice(zones.zones_of(self.items[target]))
        return Act(
            kind=kind,
            target=target,
            grip=_text(grip),
            passes=_choices(passes, (*zones.BODY, *sorted(self.item_zones))),
            manner=manner.choice(zones.MANNERS) if manner else "",
        )

    def _targets(self, kind: str) -> set[str]:
        items, body = set(self.items), set(zones.BODY)
        return {
            "don": items,
            "doff": items,
            "change": items,
            "inspect": items | body | self.item_zones,
            "disinfect": items | self.places,
            "wipe": items | self.item_zones | {"feet"} | self.places,
            "hygiene": {"hands", *body},
            "touch": items | self.item_zones | body | self.places,
            "sit": {"seat", "clean-chair"},
            "verify": items | body | {*zones.PLACES},
        }[kind]

    def branches(self, node: Node | None) -> tuple[Branch, ...]:
        """All branches; where they lead is checked when all are known."""
        found = []
        for name, value in node.items() if node is not None else ():
            value.only("steps", "then", "ask", "exposed")
            then, ask, exposed = value.get("then"), value.get("ask"), value.get("exposed")
            steps = self._steps(value.need("steps"), f"branch {name}")
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

    def check_ways(
        self, names: set[str], main: Mapping[str, Node], branches: tuple[Branch, ...], node: Node | None
    ) -> None:
        """Refuse ways that lead nowhere, and branches that call each other in a ring."""
        calls: dict[str, list[tuple[str, Node]]] = {}
        homes = {step.name: branch.name for branch in branches for step in branch.steps}
        for name, step in self.nodes.items():
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
        stages = _choices(value.need("stages"), STAGES)
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
                first=_prompt(value.need("first"), MAX_FIRST_WORDS),
                branch=_branch_name(value.get("branch"), names),
                then=_then(value.get("then"), main),
                ask=ask.choice(("where",)) if ask else "",
                line=value.line,
            )
        )
        if "undress" in stages and rules[-1].then == "undress":
            raise value.need("then").wrong("a breach in removal never begins it again", "same, next or a later step")
    return tuple(rules)
