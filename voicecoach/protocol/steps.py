"""Turns steps and acts of a protocol file into values, with every check that concerns a single step. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field

from voicecoach.protocol import zones
from voicecoach.protocol.agents import AGENTS
from voicecoach.protocol.model import ACTS, ANYONE, DEBTS, ROLES, Act, Item, Step, Timing
from voicecoach.yamltext import Node

MAX_PROMPT_WORDS = 12
MAX_MATTERS = 8
MAX_STEPS = 400
TRIED = {"breach", "stop"}
"""The words that always count; before anything is worn, a step may ask the wearer to try each once (rule 38)."""
FLAGS = ("alone", "optional", "ends", "between")
STEP_FIELDS = (
    "step", "say", "warn", "help", "role", "acts", "answer", "observer", "also", "matters", "time", "quiet", "asks-for",
    "on", "repair", "when-on", "when-off", "when-any-on", "pays", "weaker", "alone", "optional", "ends", "between",
    "say-alone", "warn-alone",
)  # fmt: skip


def words(node: Node | None) -> tuple[str, ...]:
    """The words of a list or of one scalar; none for a missing field."""
    return node.words() if node is not None else ()


def choices(node: Node | None, allowed: tuple[str, ...]) -> tuple[str, ...]:
    """As `words`, each one of `allowed`."""
    if node is None:
        return ()
    members = (node,) if node.text is not None else node.list()
    return tuple(member.choice(allowed) for member in members)


def prompt(node: Node | None, most: int = MAX_PROMPT_WORDS) -> str:
    """A text to be spoken, of at most `most` words; '' for a missing field."""
    if node is None:
        return ""
    text = node.scalar()
    if len(text.split()) > most:
        raise node.wrong(f"is {len(text.split())} words long", f"at most {most}, since it is spoken in one breath")
    return " ".join(text.split())


def joined(node: Node | None) -> str:
    """A text on one line; '' for a missing field."""
    return " ".join(node.scalar().split()) if node is not None else ""


@dataclass
class StepReader:
    """What is known while the steps are read: the items, and the node and acts of every step so far."""

    items: dict[str, Item]
    nodes: dict[str, Node] = field(default_factory=dict)
    acts: dict[str, tuple[Act, ...]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.item_zones = {name for item in self.items.values() for name in zones.zone_names(item)}
        self.places = {*zones.ROOM, *(f"{helper}.gloves" for helper in zones.HELPERS)}

    def steps(self, node: Node, stage: str) -> tuple[Step, ...]:
        """The steps of a stage or branch, in order."""
        steps = tuple(self._step(member, stage) for member in node.list())
        if len(self.nodes) > MAX_STEPS:
            raise node.wrong(f"make {len(self.nodes):,} steps in all", f"at most {MAX_STEPS}")
        quiet = {step.name: step for step in steps if step.quiet_s > 0}
        seen: set[str] = set()
        for step in steps:
            if step.asks_for and step.asks_for not in seen:
                asking = self.nodes[step.name].need("asks-for")
                raise asking.wrong(f"{step.asks_for!r} is not an earlier quiet step", "the name of one")
            if step.quiet_s > 0:
                seen.add(step.name)
        unasked = set(quiet) - {step.asks_for for step in steps}
        if unasked:
            name = next(step.name for step in steps if step.name in unasked)
            wanted = f"a later step with 'asks-for: {name}'"
            raise self.nodes[name].wrong("is quiet, and no later step asks about it", wanted)
        matters = [step for step in steps if step.matters]
        if len(matters) > MAX_MATTERS:
            over = self.nodes[matters[MAX_MATTERS].name]
            raise over.wrong(f"is step {MAX_MATTERS + 1} that matters in {stage!r}", f"at most {MAX_MATTERS} per stage")
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
        answers = words(node.get("answer"))
        if quiet_s and answers:
            raise node.need("answer").wrong("is given in a quiet step", "no answer, since a later step asks")
        if not quiet_s and not answers and stage != "work":
            raise node.wrong(f"step {name!r} has no answer", "a field 'answer', or 'quiet' seconds")
        if (ends := node.get("ends")) is not None and stage != "close":
            raise ends.wrong(f"is used in {stage!r}", "only in the last step of 'close'")
        if stage != "prepare" and (tried := set(answers) & TRIED):
            raise node.need("answer").wrong(
                f"is {min(tried)!r}, which is always listened for", "a try of it in 'prepare'"
            )
        roles = {key: node.get(key) for key in ("role", "repair", "asks-for", "weaker", "matters", "observer")}
        flags = {key: (value := node.get(key)) is not None and value.flag() for key in FLAGS}
        on = node.get("on")
        pays = node.get("pays")
        matters, observer, role = roles["matters"], roles["observer"], roles["role"]
        self.acts[name] = self._acts(node.get("acts"))
        return Step(
            name=name,
            say=prompt(node.need("say")),
            role=role.choice((*ROLES, ANYONE)) if role else "wearer",
            warn=prompt(node.get("warn")),
            help=joined(node.get("help")),
            acts=self.acts[name],
            answers=answers,
            observer=observer.flag() if observer else False,
            matters=matters.flag() if matters else False,
            timing=self._timing(node.get("time")),
            quiet_s=quiet_s,
            asks_for=joined(roles["asks-for"]),
            branches=tuple((key, value.scalar()) for key, value in on.items()) if on else (),
            repair=joined(roles["repair"]),
            when_on=self._item_names(node.get("when-on")),
            when_off=self._item_names(node.get("when-off")),
            when_any_on=self._item_names(node.get("when-any-on")),
            pays=pays.choice(DEBTS) if pays else "",
            also=choices(node.get("also"), ROLES),
            line=node.line,
            file=node.file,
            weaker=joined(roles["weaker"]),
            alone=flags["alone"],
            optional=flags["optional"],
            ends=flags["ends"],
            between=flags["between"],
            say_alone=prompt(node.get("say-alone")),
            warn_alone=prompt(node.get("warn-alone")),
        )

    def _item_names(self, node: Node | None) -> tuple[str, ...]:
        return choices(node, tuple(self.items))

    def _timing(self, node: Node | None) -> Timing | None:
        if node is None:
            return None
        node.only("agent", "seconds", "start")
        start = node.get("start")
        if start is None:
            raise node.wrong("has no start command", "a field 'start', such as 'start: rubbing'")
        return Timing(node.need("agent").choice(AGENTS), node.need("seconds").number(1, 3600), start.scalar())

    def _acts(self, node: Node | None) -> tuple[Act, ...]:
        if node is None:
            return ()
        return tuple(self._act(member) for member in node.list())

    def _act(self, node: Node) -> Act:
        node.only(*ACTS, "grip", "passes", "manner", "fresh")
        kinds = [(name, value) for name, value in node.items() if name in ACTS]
        if len(kinds) != 1:
            raise node.wrong(f"names {len(kinds)} acts", "one act, such as 'doff: gown'")
        kind, value = kinds[0]
        target = value.choice(self._targets(kind))
        grip, passes, manner, fresh = (node.get(key) for key in ("grip", "passes", "manner", "fresh"))
        if grip is not None:
            if target not in self.items:
                raise grip.wrong(f"is given for {target!r}, which is not an item", "no grip")
            grip.choice(zones.zones_of(self.items[target]))
        return Act(
            kind=kind,
            target=target,
            grip=joined(grip),
            passes=choices(passes, (*zones.BODY, *sorted(self.item_zones))),
            manner=manner.choice(zones.MANNERS[1:]) if manner else "",
            fresh=fresh.flag() if fresh else False,
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
