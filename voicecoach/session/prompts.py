"""Every sentence that a session can say, and what is live while it is said. Pure: what is rendered ahead and checked."""

from __future__ import annotations

from voicecoach.protocol.model import STAGES, Step
from voicecoach.session.deeds_aside import WEAR_MOST_MIN, WEAR_STEP_MIN
from voicecoach.session.deeds_step import read_back
from voicecoach.session.live import OVER_PROMPT, expected
from voicecoach.session.way import Rules
from voicecoach.session.words import DANGERS


def own_sentences(rules: Rules) -> list[str]:
    """The coach's own sentences, with all that can stand in their gaps."""
    grammar, protocol = rules.grammar, rules.protocol
    found: list[str] = []
    for key, sentence in grammar.says:
        if key in {"item-on", "item-off", "ask-item"}:
            found += [sentence.format(label=item.label) for item in protocol.items]
        elif key == "step-of":
            total = sum(len(protocol.steps(stage)) for stage in STAGES if stage != "work")
            found += [sentence.format(number=number, total=total) for number in range(total + 1)]
        elif key == "worn-for":
            minutes = range(WEAR_STEP_MIN, WEAR_MOST_MIN + 1, WEAR_STEP_MIN)
            found += [sentence.format(minutes=number) for number in minutes]
        elif key != "read-back":
            found.append(sentence)
    return [sentence[:1].upper() + sentence[1:] for sentence in found]


def all_steps(rules: Rules) -> list[Step]:
    """The steps of all stages and branches."""
    protocol = rules.protocol
    ways = [plan.steps for plan in protocol.stages] + [branch.steps for branch in protocol.branches]
    return [step for steps in ways for step in steps]


def every_prompt(rules: Rules) -> tuple[str, ...]:
    """All sentences that can be said, each once, the protocol's first."""
    steps = all_steps(rules)
    said = [text for step in steps for text in (step.warn, step.say, step.help) if text]
    said += [rule.first for rule in rules.protocol.breaches]
    said += [read_back(rules, answer) for step in steps if step.matters for answer in step.answers]
    return tuple(dict.fromkeys([*said, *own_sentences(rules)]))


def over_prompt(rules: Rules) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Each sentence with the command ids that may be live while it sounds (rule 2)."""
    always = (*DANGERS, "stop", "false-alarm")
    found: dict[str, set[str]] = {text: set(always) for text in every_prompt(rules)}
    for step in all_steps(rules):
        for text in (step.warn, step.say):
            if text:
                found[text] |= {*OVER_PROMPT, *expected(step, "prompting"), *step.answers}
    near = rules.grammar.say("ask-near-breach")
    found[near] = {"stop"}
    known = {command.name for command in rules.grammar.commands}
    return tuple((text, tuple(sorted(words & known))) for text, words in found.items())
