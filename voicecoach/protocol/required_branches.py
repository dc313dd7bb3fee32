"""Finds missing branches: every incident that a protocol's pieces make possible needs one. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from voicecoach.errors import InputError
from voicecoach.protocol.model import DANGERS, DEBTS, Protocol, Step

SHARED = "'include' with a shared file that has it, or one of your own"


def missing_branches(protocol: Protocol) -> list[InputError]:
    """Every branch or rule that is missing."""
    lacks = (_rules, _torn, _debts, _down, _seal, _air)
    return [
        InputError(what, where=f"{protocol.file}: {field}", expected=SHARED)
        for look in lacks
        for field, what in look(protocol)
    ]


def _rules(protocol: Protocol) -> Iterator[tuple[str, str]]:
    """Each kind of incident, in each stage."""
    ruled = {(rule.kind, stage) for rule in protocol.breaches for stage in rule.stages}
    for plan in protocol.stages:
        for kind in DANGERS:
            if (kind, plan.stage) not in ruled:
                yield "breaches", f"has no rule for {kind!r} in {plan.stage!r}"


def _torn(protocol: Protocol) -> Iterator[tuple[str, str]]:
    """Every piece can be torn or faulty, while it goes on and while it comes off."""
    for item in protocol.items:
        for stage in ("dress", "undress"):
            if not protocol.torn_branch(item.name, stage):
                yield "torn", f"has no branch for a tear of {item.label} in {stage!r} ('torn: {item.name}: {stage}')"


def _debts(protocol: Protocol) -> Iterator[tuple[str, str]]:
    """Anybody can be exposed, and then needs a wash and a report."""
    steps = protocol.branch(protocol.wash).steps if protocol.wash else ()
    for debt in DEBTS:
        if not any(step.pays == debt for step in steps):
            yield (
                "wash",
                f"has no step for the {debt} owed after an exposure ('pays: {debt}', branch 'wash')",
            )


def _down(protocol: Protocol) -> Iterator[tuple[str, str]]:
    """Anybody can faint, which needs words for helpers and a way out of the suit instead of back to the step."""
    if not protocol.wearer_down:
        yield "wearer-down", "has no branch for a wearer who is down"
        return
    for kind in ("unwell", "collapse"):
        for rule in protocol.breaches:
            worn = {"dress", "work", "undress"} & set(rule.stages)
            if rule.kind == kind and worn and rule.then in {"same", "next"}:
                yield (
                    "breaches",
                    f"leads back to the step instead of out of the suit ({kind!r} in {min(worn)!r})",
                )


def _seal(protocol: Protocol) -> Iterator[tuple[str, str]]:
    """A tight-fitting respirator can leak, and leak again."""
    if not any("tight-fit" in item.traits for item in protocol.items):
        return
    for step in protocol.steps("dress"):
        if any((act.kind, act.target) == ("verify", "seal") for act in step.acts):
            failures = [branch for answer, branch in step.branches if answer in {"loose", "no", "yes"}]
            if not any(protocol.branch(name).again for name in failures):
                yield "stages.dress", f"{step.name!r} has no branch for a seal that fails twice ('again')"
            return
    yield "stages.dress", "has no check of the seal of a tight-fitting respirator ('verify: seal')"


def _air(protocol: Protocol) -> Iterator[tuple[str, str]]:
    """Without air flow a powered hood comes off first; in routine, air flows while it is on."""
    names = {item.name for item in protocol.items}
    if not {"hood", "hose"} <= names:
        return
    for stage in ("dress", "undress"):
        rules = [rule for rule in protocol.breaches if rule.kind == "no-air" and stage in rule.stages]
        first = [protocol.branch(rule.branch).steps[:1] for rule in rules if rule.branch]
        if not any(_doffs(step, "hood") for steps in first for step in steps):
            yield "breaches", f"has no branch for 'no-air' in {stage!r} whose first step takes off the hood"
    dressing = [act.target for step in protocol.steps("dress") for act in step.acts if act.kind == "don"]
    if "hood" in dressing and dressing.index("hood") < dressing.index("hose"):
        yield "stages.dress", "puts on the hood before air flows (the hose comes first)"
    removal = protocol.steps("undress")
    for number, step in enumerate(removal):
        if any(act.target.partition(".")[0] == "hose" for act in step.acts) and not any(
            _doffs(one, "hood") for one in removal[number : number + 2]
        ):
            yield "stages.undress", f"leaves the hood on without air: no 'doff: hood' in the step after {step.name!r}"


def _doffs(step: Step, item: str) -> bool:
    return any((act.kind, act.target) == ("doff", item) for act in step.acts)
