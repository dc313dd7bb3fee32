"""What a protocol and a grammar must agree on before they are used together. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from voicecoach.errors import InputError
from voicecoach.grammar import Grammar, normalise
from voicecoach.protocol.model import DANGERS, STAGES, Protocol, Step


def all_steps(protocol: Protocol) -> Iterator[tuple[str, Step]]:
    """Every step with the stage or branch it stands in."""
    for plan in protocol.stages:
        for step in plan.steps:
            yield plan.stage, step
    for branch in protocol.branches:
        for step in branch.steps:
            yield f"branch {branch.name}", step


def spoken(protocol: Protocol) -> Iterator[tuple[str, str]]:
    """Every text of the protocol that the coach says of itself, with 'file:line: field'."""
    for _, step in all_steps(protocol):
        where = f"{protocol.file}:{step.line}: {step.name}"
        yield f"{where}.say", step.say
        if step.warn:
            yield f"{where}.warn", step.warn
    for rule in protocol.breaches:
        yield f"{protocol.file}:{rule.line}: breaches.first", rule.first


def lint(protocol: Protocol, grammar: Grammar) -> list[InputError]:
    """All that keeps this protocol from being spoken with this grammar; empty if nothing does.

    Looked at: every answer, start word and way is a command; no prompt has the words of an answer it waits for in it
    (rule 2, as text: the ear's own test is the renderer's), nor a danger word or 'stop', which are always heard; every
    breach kind has a rule in every stage.
    """
    found: list[InputError] = []
    always = [
        phrase for command in grammar.commands if command.risk in {"danger", "stop"} for phrase in command.phrases
    ]
    for where, text in spoken(protocol):
        words = f" {normalise(text)} "
        found += [
            InputError(f"has {phrase!r} in it, which is always listened for", where=where, expected="other words")
            for phrase in always
            if f" {phrase} " in words
        ]
    for _, step in all_steps(protocol):
        found += _unknown(protocol, grammar, step)
        found += _spoken_answers(protocol, grammar, step)
    for item in protocol.items:
        if grammar.command(f"{item.say}-on") is None or grammar.command(f"{item.say}-off") is None:
            what = f"item {item.name!r} is spoken {item.say!r}, which grammar {grammar.name!r} has no answers for"
            found.append(InputError(what, where=f"{protocol.file}:{item.line}: items.{item.name}.say"))
    ruled = {(rule.kind, stage) for rule in protocol.breaches for stage in rule.stages}
    for plan in protocol.stages:
        for kind in DANGERS[:5]:
            if (kind, plan.stage) not in ruled:
                what = f"has no rule for {kind!r} in {plan.stage!r}"
                found.append(InputError(what, where=f"{protocol.file}: breaches", expected="a rule a kind and stage"))
    missing = [stage for stage in STAGES if not any(plan.stage == stage for plan in protocol.stages)]
    if missing:
        what = f"has no stage {missing[0]!r}"
        found.append(InputError(what, where=f"{protocol.file}: stages", expected=", ".join(STAGES)))
    return found


def _awaited(step: Step) -> list[tuple[str, str]]:
    """Commands that the step waits for, each with its field."""
    awaited = [("answer", name) for name in step.answers]
    awaited += [("on", name) for name, _ in step.branches]
    if step.timing:
        awaited.append(("time.start", step.timing.start))
    return awaited


def _unknown(protocol: Protocol, grammar: Grammar, step: Step) -> Iterator[InputError]:
    for field, name in _awaited(step):
        if grammar.command(name) is None:
            yield InputError(
                f"{name!r} is no command of grammar {grammar.name!r}",
                where=f"{protocol.file}:{step.line}: {step.name}.{field}",
                expected="a command id of the grammar",
            )


def _spoken_answers(protocol: Protocol, grammar: Grammar, step: Step) -> Iterator[InputError]:
    for key, text in (("say", step.say), ("warn", step.warn)):
        words = f" {normalise(text)} "
        for _, name in _awaited(step):
            command = grammar.command(name)
            for phrase in command.phrases if command else ():
                if f" {phrase} " in words:
                    yield InputError(
                        f"has the answer {phrase!r} in it",
                        where=f"{protocol.file}:{step.line}: {step.name}.{key}",
                        expected="a prompt without the words it waits for",
                    )
