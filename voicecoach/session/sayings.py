"""All sentences of a protocol in order, with whom they address and the answers, for a unit to approve. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import groupby

from voicecoach.protocol.model import Branch, Step
from voicecoach.protocol.wording import doubtful
from voicecoach.session.prompts import own_sentences
from voicecoach.session.rehearsal import RehearsedLine, answers, rehearse, sentences, spoken_form
from voicecoach.session.setup import Setup

STAGES = {
    "prepare": "Before dressing", "dress": "Dressing", "work": "At work", "undress": "Removal", "close": "Afterwards",
}  # fmt: skip
_NUMBER = re.compile(r"\d+")
THEN = {"same": "then the same step again", "next": "then the next step", "undress": "then the removal begins"}


def text(setup: Setup) -> str:
    """The list: a pair in which nothing goes wrong, the branches for when something does, and the counts."""
    protocol = setup.protocol
    pair, alone = rehearse(setup, "pair"), rehearse(setup, "solo")
    parts = [
        f"{protocol.title}",
        f"{protocol.name}, version {protocol.version}. Everything that is said, in order; answers are indented.",
        *_played(setup, pair),
        "",
        "ALONE, INSTEAD OR AS WELL",
        *_only_alone(pair, alone),
        "",
        "WHEN SOMETHING GOES WRONG",
        *_branches(setup),
        "",
        "FIRST WORDS, AT ONCE",
        *_first_words(setup),
        "",
        "HELP, ON REQUEST",
        *(f"  {step.name}: {step.help}" for plan in protocol.stages for step in plan.steps if step.help),
        "",
        "THE COACH'S OWN SENTENCES",
        *(f"  {sentence}" for sentence in _numbers_together(sorted(set(own_sentences(setup))))),
        "",
        "COUNTS, NOTHING WRONG",
        *counts(setup),
        "",
        "WORDING TO MEND",
        *([f"  {error.line()}" for error in doubtful(protocol)] or ["  none found"]),
        "",
        "Approved by ____________________  Date ____________  Initials ______",
    ]
    return "\n".join(parts)


def _numbers_together(sentences: list[str]) -> Iterator[str]:
    """The sentences, with those that differ only in their first number as one: "You are at 1 to 43 of 43."."""
    alike: dict[str, list[str]] = {}
    for sentence in sentences:
        alike.setdefault(_NUMBER.sub("{}", sentence, count=1), []).append(sentence)
    for form, members in alike.items():
        numbers = sorted(int(found[0]) for one in members if (found := _NUMBER.search(one)))
        yield members[0] if len(members) == 1 else form.replace("{}", f"{numbers[0]} to {numbers[-1]}", 1)


def counts(setup: Setup) -> list[str]:
    """One line for each mode: answers and sentences, in full and with everything optional left out."""
    found = []
    for title, mode in (("in a pair", "pair"), ("alone", "solo")):
        whole, short = (rehearse(setup, mode, leave_out=short) for short in (False, True))  # type: ignore[arg-type]
        line = f"  {title}: {answers(whole)} answers, {sentences(whole)} sentences"
        if answers(short) != answers(whole):
            line += f"; with all left out that may be: {answers(short)} answers, {sentences(short)} sentences"
        found.append(line)
    return found


def _played(setup: Setup, lines: tuple[RehearsedLine, ...]) -> Iterator[str]:
    for stage, members in groupby(lines, key=lambda line: line.stage):
        yield ""
        yield STAGES[stage].upper()
        for line in members:
            yield f"  {line.text}" if line.who == "coach" else _answer(setup, line)


def _answer(setup: Setup, line: RehearsedLine) -> str:
    more = [
        f'"{spoken_form(setup, command)}"' + (f" leads to {branch}" if branch else "")
        for command, branch in line.others
    ]
    weight = " *" if line.matters else ""
    also = f"   (or {', '.join(more)})" if more else ""
    return f'      {line.who}: "{line.text}"{weight}{also}'


def _only_alone(pair: tuple[RehearsedLine, ...], alone: tuple[RehearsedLine, ...]) -> Iterator[str]:
    known = {line.text for line in pair if line.who == "coach"}
    for line in alone:
        if line.who == "coach" and line.text not in known:
            yield f"  {line.text}"


def _branches(setup: Setup) -> Iterator[str]:
    for branch in setup.protocol.branches:
        yield f"  {branch.name} ({_then(branch)})"
        for step in branch.steps:
            yield from _step(setup, step)


def _step(setup: Setup, step: Step) -> Iterator[str]:
    conditions = [f"{item} on" for item in step.when_on] + [f"{item} off" for item in step.when_off]
    only = f"   (only with {' and '.join(conditions)})" if conditions else ""
    yield f"    {' '.join(part for part in (step.warn, step.say) if part)}{only}"
    said = [f'"{spoken_form(setup, step.timing.start)}"'] if step.timing else []
    said += [f'"{spoken_form(setup, command)}"' for command in step.answers]
    yield f"      {step.role}: {', '.join(said)}"


def _then(branch: Branch) -> str:
    words = {
        "piece": "asks which piece, ",
        "gloves": "takes the gloves for torn, ",
        "where": "asks where, ",
        "skin": "asks about the skin, ",
    }
    asked = "".join(words[question] for question in branch.ask)
    return asked + THEN.get(branch.then, f"then on at {branch.then}")


def _first_words(setup: Setup) -> Iterator[str]:
    for rule in setup.protocol.breaches:
        stages = ", ".join(STAGES.get(stage, stage).lower() for stage in rule.stages)
        then = rule.branch or THEN.get(rule.then, rule.then)
        yield f'  "{spoken_form(setup, rule.kind)}" ({stages}): {rule.first}   ({then})'
