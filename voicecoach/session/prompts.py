"""Every sentence that a session can say, and which commands are live meanwhile. Pure.

Sentences are rendered, and checked against the recogniser, from these lists.
"""

from __future__ import annotations

from voicecoach.errors import InputError
from voicecoach.grammar import normalise
from voicecoach.protocol.lint import unasked
from voicecoach.protocol.model import DANGERS, STAGES, Step
from voicecoach.protocol.navigation.position import steps_named
from voicecoach.session.actions.aside import WEAR_MOST_MIN, WEAR_STEP_MIN
from voicecoach.session.actions.stepping import read_back
from voicecoach.session.interpret.live_commands import OVER_PROMPT, expected, said_itself
from voicecoach.session.setup import Setup
from voicecoach.session.vocabulary import REPLIES, SAYS_ITSELF
from voicecoach.session.voice_check import sentences

MAX_WORDS = 12
"""Rule 1."""
LABELLED = ("item-on", "item-off", "item-on-check", "item-off-check", "item-and", "item-comma", "ask-item")
INSIDE = ("item-on", "item-off", "item-and", "item-comma")
"""Those that can be a later part of a sentence, without a capital letter."""
SAYS = (
    *LABELLED,
    "all-done", "alarm-words", "assistant-must", "assistant-please", "audio-deleted", "babble", "breach-default",
    "closed",
    "disk-back", "disk-lost", "ears-back", "ears-lost", "ears-lost-work", "frozen-ask", "hands-rubbed",
    # to words that no step or question waits for
    "hint-observer", "hint-place", "hint-yes-no", "take-time",
    "hands-unrubbed", "hint-item", "hint-look", "hint-other", "hint-start", "hint-wait", "intro-audio-clips",
    "intro-audio-full", "intro-audio-none", "intro-one-microphone", "intro-order", "intro-solo",
    "intro-training", "intro-words", "keep-still", "mirror-missing", "no-help", "no-return", "not-yet", "noted",
    "nothing-before", "nothing-on", "observer-must", "paused", "read-back", "role-silent", "rub-unfinished",
    "say-again", "signal-lost", "step-of", "stopped", "time-up", "wear-limit", "wearer-must", "wipe-unfinished",
    "work-begins", "work-begins-alone", "worn-briefly", "worn-for", "ask-observer", "ask-where",
    "ask-back", "ask-right", "ask-end",
    "voice-better", "voice-met", "voice-not-met", "voice-say", "voice-skipped", "voice-start",
    "sound-clipped", "sound-loud", "sound-noisy", "sound-quiet", "sound-silent",
    # about parts that fail and sessions that are found again
    "found-damaged", "found-old", "found-worn", "keys-back", "keys-lost", "supervisor-lost",
    # about incidents
    "owed-later", "rinsed-later", "still-owed", "ask-end-owed", "comes-off-first", "look-at-wearer", "hear-me",
    "take-time-quiet", "alone-now",
    *(f"ask-{q}" for q in REPLIES if q not in {"item", "still-on", "end", "touched", "right", "back", "where"}),
)  # fmt: skip
"""The keys of the sentences that a grammar must have."""


RECORD_CODE = "record-code"
"""Said when the record is closed, if a grammar has it; its digits are known only then."""


def own_sentences(setup: Setup) -> list[str]:
    """The coach's own sentences, with every filling of their gaps."""
    grammar, protocol = setup.grammar, setup.protocol
    found: list[str] = []
    for key, sentence in grammar.says:
        if key in LABELLED:
            parts = [sentence.format(label=item.label) for item in protocol.items]
            found += [_capital(part) for part in parts] + (parts if key in INSIDE else [])
        elif key == "step-of":
            total = sum(len(protocol.steps(stage)) for stage in STAGES if stage != "work")
            found += [_capital(sentence.format(number=number, total=total)) for number in range(1, total + 1)]
        elif key == "worn-for":
            minutes = range(WEAR_STEP_MIN, WEAR_MOST_MIN + 1, WEAR_STEP_MIN)
            found += [_capital(sentence.format(minutes=number)) for number in minutes]
        elif key == "voice-say":
            found += sentences(setup) if setup.site.voice_check else ()
        elif key.startswith("voice-") and not setup.site.voice_check:
            continue
        elif key not in {"read-back", RECORD_CODE}:
            found.append(_capital(sentence))
    return found


def _capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]


def all_steps(setup: Setup) -> list[Step]:
    """The steps of all stages and branches."""
    return list(steps_named(setup.protocol).values())


def every_prompt(setup: Setup) -> tuple[str, ...]:
    """All sentences that can be said, each once, the protocol's first."""
    steps = all_steps(setup)
    site = setup.site
    said = [text for step in steps for text in (*(text for _, text in unasked(step)), step.help) if text]
    said += [text for rule in setup.protocol.breaches for text in (rule.first, rule.first_alone) if text]
    said += [read_back(setup, step, answer) for step in steps if step.matters for answer in step.answers]
    said += [text for text in (site.alarm, site.eyewash, site.tell, site.waste, site.reusable, site.follow_up) if text]
    return tuple(dict.fromkeys([*said, *own_sentences(setup)]))


def over_prompt(setup: Setup) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Each sentence with the commands that may be live while it sounds (rule 2)."""
    always = (*DANGERS, "stop", "false-alarm")
    found: dict[str, set[str]] = {text: set(always) for text in every_prompt(setup)}
    for step in all_steps(setup):
        for _, text in unasked(step):
            found[text] |= {*OVER_PROMPT, *expected(step, "prompting"), *step.answers}
    known = {command.name for command in setup.grammar.commands}
    return tuple((text, tuple(sorted(words & known - said_itself(setup, text)))) for text, words in found.items())


def lint(setup: Setup) -> list[InputError]:
    """What is wrong with the sentences: one is missing, too long, or says a word that is always live."""
    grammar = setup.grammar
    where = f"{grammar.file}: says"
    keys = dict(grammar.says)
    found = [
        InputError(f"has no {key!r}", where=where, expected="all of the coach's own sentences")
        for key in SAYS
        if key not in keys
    ]
    always = [c for c in grammar.commands if c.risk in {"danger", "stop"}]
    for key, sentence in grammar.says:
        if len(sentence.split()) > MAX_WORDS:
            what = f"is {len(sentence.split())} words long"
            found.append(InputError(what, where=f"{where}.{key}", expected=f"at most {MAX_WORDS}"))
        words = f" {normalise(sentence)} "
        found += [
            InputError(f"contains {phrase!r}, which is always listened for", where=f"{where}.{key}")
            for command in always
            for phrase in command.phrases
            if f" {phrase} " in words and command.name not in SAYS_ITSELF.get(key, ())
        ]
    return found
