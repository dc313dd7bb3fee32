"""The whole check of a protocol, as text and as JSON. Pure."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

from voicecoach.checker import orders
from voicecoach.checker.contamination import ContactModel
from voicecoach.checker.counterexample import describe, surface
from voicecoach.checker.explore import USUAL, Explored, explore, modes
from voicecoach.checker.requirements import Requirement, requirements
from voicecoach.checker.rules import BY_NAME, LEVELS, NOT_COVERED, RULES
from voicecoach.checker.sentences import misspoken
from voicecoach.checker.shape import Lack, lacks
from voicecoach.checker.slips import SlipPaths
from voicecoach.checker.walk import Walk
from voicecoach.checker.world import LEVEL, SOIL, World
from voicecoach.errors import InputError
from voicecoach.protocol.agents import TABLE as AGENTS
from voicecoach.protocol.lint import all_steps
from voicecoach.protocol.model import Protocol

_WALKED_TOO = frozenset({"wrong-agent", "no-time"})
"""Rules that the walk reports too, and with a story, for a step that it comes to."""
STAND_INS = frozenset(agent.name for agent in AGENTS if agent.stand_in)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the check found.

    broken: published orders that apply and are broken. asked: what the steps need, as computed. lacks: what is missing
    from the protocol, and sentences that say something other than the act. notes: judgements for a person to read. cut:
    a search was cut short, so nothing is proved. most: how many things could go wrong on a path.
    """

    protocol: Protocol
    explored: Explored
    broken: tuple[orders.Order, ...]
    checked: tuple[orders.Order, ...]
    asked: tuple[Requirement, ...]
    notes: tuple[str, ...]
    lacks: tuple[Lack, ...] = ()
    cut: bool = False
    most: int = 1

    @property
    def short(self) -> tuple[Requirement, ...]:
        """Needs that a step neither meets nor explains; a practice protocol may leave them unmet."""
        weaker = {step.name for plan in self.protocol.stages for step in plan.steps if step.weaker}
        return tuple(ask for ask in self.asked if not ask.met and ask.step not in weaker and not self.protocol.practice)

    @property
    def good(self) -> bool:
        """Whether nothing was found and nothing was cut short."""
        found = self.explored.counters or self.broken or self.short or self.lacks
        return not found and not self.cut


def prove(protocol: Protocol, most: int = 1, language: str = "en") -> Verdict:
    """Check a protocol on every path with at most `most` deviations, and against the published orders.

    Args:
        most: with 1 a large protocol takes a third of a second, with 2 it takes many seconds.
        language: of its sentences, which are compared with the acts if the language has a lexicon.

    Raises:
        InputError: when the protocol declares an order that is not in the table.
    """
    known = {order.name for order in orders.TABLE}
    for name in protocol.orders:
        if name not in known:
            expected = "one of " + ", ".join(order.name for order in orders.TABLE)
            raise InputError(f"{name!r} is not a published order", where=f"{protocol.file}: orders", expected=expected)
    checked = tuple(order for order in orders.TABLE if orders.applies(order, protocol))
    slip_paths = SlipPaths(protocol)
    asked, explored = tuple(requirements(protocol, slip_paths)), explore(protocol, most)
    walked = {counter.found.step for counter in explored.counters}
    missing = [lack for lack in lacks(protocol) if not (lack.rule in _WALKED_TOO and lack.step in walked)]
    return Verdict(
        protocol=protocol,
        explored=explored,
        broken=orders.broken(protocol),
        checked=checked,
        asked=asked,
        notes=_notes(protocol, asked),
        lacks=(*missing, *misspoken(protocol, language)),
        cut=explored.bounded or slip_paths.cut,
        most=most,
    )


def _notes(protocol: Protocol, asked: tuple[Requirement, ...]) -> tuple[str, ...]:
    notes = [
        f"{item.label}: {', '.join(item.spared)} counted as clean after work although nothing covers it"
        for item in protocol.items
        if item.spared
    ]
    if protocol.exposed:
        notes.append("left bare on purpose: " + ", ".join(protocol.exposed))
    notes += [
        f"after branch {branch.name!r}, once work has begun, it is not an error that a rub is missing between two "
        f"pieces, soil is not wiped away first, or a torn glove stays on: "
        f"{branch.emergency}"
        for branch in protocol.branches
        if branch.emergency
    ]
    stand_ins = sorted({step.timing.agent for _, step in all_steps(protocol) if step.timing} & STAND_INS)
    notes += [f"the least time of {name} is a stand-in; the product's label decides" for name in stand_ins]
    if protocol.practice:
        notes.append("its times are for practice only")
    notes += [f"branch {name!r} is called from nowhere" for name in _uncalled(protocol)]
    reasons = {step.name: step.weaker for plan in protocol.stages for step in plan.steps}
    if protocol.practice:
        notes.append("for practice only: what its steps would need in use is not checked")
    else:
        notes += [
            f"{ask.step} has no {ask.kind} although {ask.why}: {reasons[ask.step]}"
            for ask in asked
            if not ask.met and reasons[ask.step]
        ]
    return tuple(notes)


def _uncalled(protocol: Protocol) -> list[str]:
    steps = [step for _, step in all_steps(protocol)]
    called = {
        protocol.rejoin,
        protocol.touched,
        protocol.wearer_down,
        protocol.wash,
        protocol.eyes_at_once,
        protocol.undo,
    }
    called |= {way for _, _, way in protocol.torn} | {rule.then for rule in protocol.breaches}
    called |= {way for branch in protocol.branches for way in (branch.then, branch.again)}
    called |= {branch for step in steps for _, branch in step.branches} | {step.repair for step in steps}
    called |= {branch.exposed for branch in protocol.branches} | {rule.branch for rule in protocol.breaches}
    return [branch.name for branch in protocol.branches if branch.name not in called]


def text(report: Verdict, most: int = 3) -> str:
    """The report for people: at most `most` stories, then the counts, then the last line."""
    protocol, explored = report.protocol, report.explored
    lines = [f"{protocol.name} {protocol.version}: {protocol.title}"]
    if report.cut:
        lines.append("CUT SHORT: not every path was walked; what is not listed below is not proved safe")
    lines.append(f"published orders checked: {len(report.checked)}, broken: {len(report.broken)}")
    lines += [f"  {order.name} ({order.use}): {order.says} [{order.sources}]" for order in report.broken]
    lines += [f"asks for less than computed: {ask.step} needs {ask.kind}: {ask.why}" for ask in report.short]
    lines += [f"{_rule(lack.rule)}: {_place(protocol, lack)}{lack.says} [{lack.rule}]" for lack in report.lacks]
    lines += [f"note: {note}" for note in report.notes]
    for counter in explored.counters[:most]:
        lines += ["", describe(protocol, counter)]
    if len(explored.counters) > most:
        lines += ["", f"and {len(explored.counters) - most} more (--json lists them all)"]
    counts = f"rules v{RULES}; paths {explored.paths:,}, states {explored.states:,}"
    if report.cut:
        lines += ["", f"stopped at its bound; {counts}"]
    elif not report.good:
        held = f"{len(explored.counters)} found, {len(report.broken)} orders broken, {len(report.short)} asks too weak"
        held += f", {len(report.lacks)} lacking"
        lines += ["", f"{held} under {counts}"]
    else:
        lines.append(f"no contact route found under {counts}; not covered: {', '.join(NOT_COVERED)}")
    return "\n".join(lines)


def _rule(name: str) -> str:
    return BY_NAME[name].severity


def _place(protocol: Protocol, lack: Lack) -> str:
    step = next((step for _, step in all_steps(protocol) if lack.step and step.name == lack.step), None)
    file = (step.file if step else "") or protocol.file
    return f"{file}:{lack.line}: " if lack.line else ""


def as_json(report: Verdict) -> dict[str, Any]:
    """The report as plain values for json.dumps."""
    explored = report.explored
    return {
        "protocol": report.protocol.name,
        "version": report.protocol.version,
        "rules": RULES,
        "good": report.good,
        "modes": list(explored.modes),
        "paths": explored.paths,
        "states": explored.states,
        "cut_short": report.cut,
        "lacks": [dataclasses.asdict(lack) for lack in report.lacks],
        "orders_checked": [order.name for order in report.checked],
        "orders_broken": [
            {"order": order.name, "says": order.says, "sources": order.sources} for order in report.broken
        ],
        "asks": [dataclasses.asdict(ask) for ask in report.asked],
        "notes": list(report.notes),
        "not_covered": list(NOT_COVERED),
        "found": [
            {
                "rule": counter.found.rule,
                "severity": counter.severity,
                "step": counter.found.step,
                "at": counter.found.at,
                "carrier": counter.found.carrier,
                "mode": counter.mode,
                "deviations": counter.used,
                "way": [list(pair) for pair in counter.path if pair[1]],
            }
            for counter in explored.counters
        ],
    }


def explain(protocol: Protocol, name: str) -> str | None:
    """What the model holds before and after a step, on the shortest path that reads it; None if there is none."""
    where, step = next(((where, step) for where, step in all_steps(protocol) if step.name == name), ("", None))
    if step is None:
        return None
    walk = Walk(protocol, modes(protocol)[-1], 2 if where.startswith("branch ") else 0)
    point = walk.come_to(step)
    if point is not None:
        world = point.world
        after, found = walk.model.do(step, world)
        path = [f"{event!r} at {at}" if at else event for at, event in walk.path_to(point) if event not in USUAL]
        after_what = f", after {', then '.join(path)}" if path else ""
        return "\n".join(
            [f"{name} ({where}{after_what}): {step.say}", "before:", *_beliefs(protocol, walk.model, world), "after:"]
            + _beliefs(protocol, walk.model, after)
            + [f"breaks {one.rule} at {one.at}, carried by {one.carrier}" for one in found]
        )
    if where == "work":
        return f"{name} (work): {step.say}"
    return f"{name} ({where}): no path on which at most two things go wrong comes to it"


def _beliefs(protocol: Protocol, model: ContactModel, world: World) -> list[str]:
    worn = ", ".join(protocol.items[item].label for item in world.worn) or "nothing"
    lines = [f"  worn: {worn}; hands touch with {surface(protocol, model.names[model.hand('wearer', world.worn)])}"]
    for level in range(len(LEVELS) - 1, 0, -1):
        named = [
            surface(protocol, model.names[zone]) + (" (soil)" if value & SOIL else "")
            for zone, value in enumerate(world.levels)
            if value & LEVEL == level and (zone not in model.owner or model.owner[zone] in world.worn)
        ]
        if named:
            lines.append(f"  {LEVELS[level]}: " + ", ".join(named))
    return lines
