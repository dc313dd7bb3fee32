"""Checks that a protocol and a grammar fit together. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from voicecoach.errors import InputError, did_you_mean
from voicecoach.grammar import Grammar, normalise
from voicecoach.protocol.model import STAGES, Protocol, Step
from voicecoach.protocol.required_branches import missing_branches


def all_steps(protocol: Protocol) -> Iterator[tuple[str, Step]]:
    """Every step, with its stage or branch."""
    for plan in protocol.stages:
        for step in plan.steps:
            yield plan.stage, step
    for branch in protocol.branches:
        for step in branch.steps:
            yield f"branch {branch.name}", step


def unasked(step: Step) -> tuple[tuple[str, str], ...]:
    """What the coach says unasked at a step, each text with its field."""
    texts = {"say": step.say, "warn": step.warn, "say-alone": step.say_alone, "warn-alone": step.warn_alone}
    return tuple((field, text) for field, text in texts.items() if text)


def spoken(protocol: Protocol) -> Iterator[tuple[str, str]]:
    """Every text of the protocol that the coach says unasked, with 'file:line: field'."""
    for _, step in all_steps(protocol):
        where = f"{step.file}:{step.line}: {step.name}"
        yield from ((f"{where}.{field}", text) for field, text in unasked(step))
    for rule in protocol.breaches:
        yield f"{rule.file}:{rule.line}: breaches.first", rule.first
        if rule.first_alone:
            yield f"{rule.file}:{rule.line}: breaches.first-alone", rule.first_alone


def lint(protocol: Protocol, grammar: Grammar) -> list[InputError]:
    """Everything that keeps this protocol from being spoken with this grammar.

    Checked: every answer and start word is a command; no prompt contains an answer that it waits for (rule 2, as text;
    the check by sound is `runtime/prompt_check.py`), or a danger word or 'stop', which are always live; no incident is
    left without a branch (`required_branches.py`).
    """
    found: list[InputError] = []
    always = [
        phrase for command in grammar.commands if command.risk in {"danger", "stop"} for phrase in command.phrases
    ]
    for where, text in spoken(protocol):
        words = f" {normalise(text)} "
        found += [
            InputError(f"contains {phrase!r}, which is always listened for", where=where, expected="other words")
            for phrase in always
            if f" {phrase} " in words
        ]
    for _, step in all_steps(protocol):
        found += _unknown(grammar, step)
        found += _spoken_answers(grammar, step)
    for item in protocol.items:
        if grammar.command(f"{item.say}-on") is None or grammar.command(f"{item.say}-off") is None:
            what = f"is {item.say!r}, for which grammar {grammar.name!r} has no answers"
            found.append(InputError(what, where=f"{protocol.file}:{item.line}: items.{item.name}.say"))
    found += missing_branches(protocol)
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


def _unknown(grammar: Grammar, step: Step) -> Iterator[InputError]:
    for field, name in _awaited(step):
        if grammar.command(name) is None:
            yield InputError(
                f"{name!r} is not a command of grammar {grammar.name!r}",
                where=f"{step.file}:{step.line}: {step.name}.{field}",
                expected="the name of a command, such as 'done' or 'gown-off'",
                mend=did_you_mean(name, (command.name for command in grammar.commands)),
            )


def _spoken_answers(grammar: Grammar, step: Step) -> Iterator[InputError]:
    for key, text in unasked(step):
        words = f" {normalise(text)} "
        for _, name in _awaited(step):
            command = grammar.command(name)
            for phrase in command.phrases if command else ():
                if f" {phrase} " in words:
                    yield InputError(
                        f"contains the answer {phrase!r}",
                        where=f"{step.file}:{step.line}: {step.name}.{key}",
                        expected="a prompt without the words it waits for",
                    )
