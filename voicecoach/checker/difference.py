"""For authors of protocols: a skeleton to begin from, and the differences between two protocols. Pure."""

from __future__ import annotations

import dataclasses
import json
import re
from collections.abc import Iterator
from difflib import SequenceMatcher

from voicecoach.checker import orders
from voicecoach.checker.verdict import Verdict
from voicecoach.errors import InputError
from voicecoach.protocol.model import STAGES, Item, Protocol, Step

_NAME = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_HIDDEN = {"line", "name"}
_KEPT = {True: "kept", False: "not kept"}


def skeleton(template: str, name: str, title: str = "") -> str:
    """The text of a new protocol file that loads and passes the check, from the package's template.

    Raises:
        InputError: the name is not lower-case words joined by '-'.
    """
    if not _NAME.fullmatch(name):
        raise InputError(f"{name!r} cannot name a protocol", expected="lower-case words joined by '-'")
    said = json.dumps(" ".join(title.split()) or name.replace("-", " "), ensure_ascii=False)
    return template.replace("protocol: NAME", f"protocol: {name}", 1).replace("title: TITLE", f"title: {said}", 1)


def difference(one: Verdict, other: Verdict) -> list[str]:
    """How two checked protocols differ in items, steps, order and outcome; empty if they do not."""
    a, b = one.protocol, other.protocol
    lines = list(_items(a, b))
    for stage in STAGES:
        lines += _steps(stage, a.steps(stage), b.steps(stage))
    mine, theirs = {branch.name: branch for branch in a.branches}, {branch.name: branch for branch in b.branches}
    for name in sorted({*mine, *theirs}):
        if name not in theirs:
            lines.append(f"- branch {name}")
        elif name not in mine:
            lines.append(f"+ branch {name}")
        else:
            lines += _steps(f"branch {name}", mine[name].steps, theirs[name].steps)
            if mine[name].then != theirs[name].then:
                lines.append(f"~ branch {name}: then {mine[name].then!r} becomes {theirs[name].then!r}")
    lines += _breaches(a, b)
    lines += _outcome(one, other)
    return lines


def difference_text(one: Verdict, other: Verdict) -> str:
    """The differences as text, with the two names on top."""
    lines = difference(one, other)
    head = f"{one.protocol.name} {one.protocol.version} -> {other.protocol.name} {other.protocol.version}"
    return "\n".join([head, *(lines or ["no difference in items, steps, order or outcome"])])


def _items(a: Protocol, b: Protocol) -> Iterator[str]:
    mine, theirs = {item.name: item for item in a.items}, {item.name: item for item in b.items}
    for name in sorted({*mine, *theirs}):
        if name not in theirs:
            yield f"- item {name}"
        elif name not in mine:
            yield f"+ item {name}"
        else:
            for change in _fields(mine[name], theirs[name]):
                yield f"~ item {name}: {change}"


def _steps(where: str, mine: tuple[Step, ...], theirs: tuple[Step, ...]) -> Iterator[str]:
    """Steps removed, added, moved and changed, in the order of the second list."""
    old, new = [step.name for step in mine], [step.name for step in theirs]
    kept = {
        old[block.a + n]
        for block in SequenceMatcher(a=old, b=new, autojunk=False).get_matching_blocks()
        for n in range(block.size)
    }
    by_name = {step.name: step for step in mine}
    for name in old:
        if name not in new:
            yield f"- {where}: {name}"
    for place, step in enumerate(theirs):
        if step.name not in by_name:
            yield f"+ {where}: {step.name}" + (f" (after {new[place - 1]})" if place else " (first)")
            continue
        if step.name not in kept:
            yield f"> {where}: {step.name} moved" + (f" (now after {new[place - 1]})" if place else " (now first)")
        for change in _fields(by_name[step.name], step):
            yield f"~ {where}: {step.name}: {change}"


def _fields(one: Item | Step, other: Item | Step) -> Iterator[str]:
    for field in dataclasses.fields(one):
        before, after = getattr(one, field.name), getattr(other, field.name)
        if field.name not in _HIDDEN and before != after:
            yield f"{field.name} {_said(before)} becomes {_said(after)}"


def _said(value: object) -> str:
    if dataclasses.is_dataclass(value):
        shown = (f"{f.name}={getattr(value, f.name)!r}" for f in dataclasses.fields(value) if getattr(value, f.name))
        return f"({', '.join(shown)})"
    if isinstance(value, tuple):
        return "[" + ", ".join(_said(member) for member in value) + "]"
    return repr(value) if value != "" else "nothing"


def _breaches(a: Protocol, b: Protocol) -> Iterator[str]:
    mine, theirs = (
        {
            (rule.kind, stage): (rule.first, rule.branch, rule.then, rule.ask)
            for rule in p.breaches
            for stage in rule.stages
        }
        for p in (a, b)
    )
    for key in sorted({*mine, *theirs}):
        if mine.get(key) != theirs.get(key):
            yield f"~ breach {key[0]} in {key[1]}: {_said(mine.get(key, ''))} becomes {_said(theirs.get(key, ''))}"


def _outcome(one: Verdict, other: Verdict) -> Iterator[str]:
    for order in orders.TABLE:
        kept = [orders.satisfied(order, report.protocol) for report in (one, other)]
        if kept[0] != kept[1]:
            yield f"= order {order.name} ({order.says}): {_KEPT[kept[0]]}, then {_KEPT[kept[1]]}"
    found = [{(c.found.rule, c.found.step, c.found.at) for c in report.explored.counters} for report in (one, other)]
    for sign, keys in (("-", found[0] - found[1]), ("+", found[1] - found[0])):
        for rule, step, at in sorted(keys):
            yield f"{sign} found: {rule} in {step} at {at}"
    if one.good != other.good:
        yield f"= the check: {'good' if one.good else 'not good'}, then {'good' if other.good else 'not good'}"
