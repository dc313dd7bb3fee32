"""The voice check: the wearer, masked, says each word that matters, and what that shows of this voice. Pure.

Each word is asked for until it is accepted: at most twice in its plain form, then once in its longer form. Even if
fifteen words of fifteen are accepted at the first attempt, the exact 95 % bound is only 82 %.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from voicecoach.protocol.model import DANGERS
from voicecoach.session.setup import Setup

VOICE_CHECK = "voice-check"
"""The question that asks for one word after the other."""
WORDS = ("breach", "stop", "no-air", "splash", "needle", "unwell", "done", "clear", "torn", "dry", "yes", "no")
"""Words that matter in any protocol; the pieces that come off are added."""
MOST_WORDS = 16
"""Most words to check: at about 3 s each, less than a minute."""
PLAIN_TRIES = 2
FIRST_SHARE = 0.9
"""The bars are met only if this fraction of the words is accepted at the first attempt, as the aims in quiet
require."""
SLACK = 0.1
"""How far below a word's own score its new floor is set, in the unit of the score."""


@dataclass(frozen=True, slots=True)
class VoiceTry:
    """One attempt at one word.

    command, words: what was asked for. taken: the command that it was taken for; '' if it was refused. asked: it was
    doubtful enough that a session would have asked about it. score, floor: of the command that it sounded like.
    """

    command: str
    words: str
    taken: str
    asked: bool
    score: float
    floor: float


@dataclass(frozen=True, slots=True)
class VoiceVerdict:
    """What a check shows.

    met: this voice may be relied on. unheard: commands that were never accepted. better: (command, longer form) of
    those that were accepted in the longer form only. mixed_up: (asked for, taken for). loud: the room was too noisy.
    floors: for danger words that were only doubtful, a floor at which this voice's are accepted.
    """

    met: bool
    unheard: tuple[str, ...]
    better: tuple[tuple[str, str], ...]
    mixed_up: tuple[tuple[str, str], ...]
    loud: bool
    floors: tuple[tuple[str, float], ...]


def words(setup: Setup) -> tuple[str, ...]:
    """The commands that are asked for, those that always count first."""
    protocol, grammar = setup.protocol, setup.grammar
    kinds = {rule.kind for rule in protocol.breaches}
    off = dict.fromkeys(f"{item.say}-off" for item in protocol.items)
    known = [name for name in (*WORDS, *off) if grammar.command(name) is not None]
    return tuple(name for name in known if name not in DANGERS or name in kinds or name == "breach")[:MOST_WORDS]


def next_word(setup: Setup, tries: Sequence[VoiceTry]) -> tuple[str, str]:
    """The next command to ask for, and its words; two empty texts when there is none."""
    for name in words(setup):
        own = [one for one in tries if one.command == name]
        command = setup.grammar.command(name)
        if command is None or any(one.taken == name for one in own):
            continue
        if len(own) < PLAIN_TRIES:
            return name, command.phrases[0]
        if len(own) == PLAIN_TRIES and len(command.phrases) > 1:
            return name, command.phrases[1]
    return "", ""


def sentences(setup: Setup) -> dict[str, str]:
    """Everything that a check asks for: the sentence, and the command that is in it."""
    made: dict[str, str] = {}
    for name in words(setup):
        command = setup.grammar.command(name)
        for phrase in command.phrases[:2] if command else ():
            made[sentence(setup, phrase)] = name
    return made


def sentence(setup: Setup, phrase: str) -> str:
    """The sentence that asks for a word."""
    said = setup.grammar.say("voice-say").format(words=phrase)
    return said[:1].upper() + said[1:]


def judge(setup: Setup, tries: Sequence[VoiceTry], *, loud: bool) -> VoiceVerdict:
    """The verdict on the tries. loud: the room was too noisy in the meantime."""
    asked_for = words(setup)
    heard = {one.command: one for one in reversed(tries) if one.taken == one.command}
    doubtful = {one.command: one for one in tries if one.asked and one.command not in heard}
    unheard = tuple(name for name in asked_for if name not in heard and name not in doubtful)
    plain = {name: command.phrases[0] for name in asked_for if (command := setup.grammar.command(name)) is not None}
    fuller = {name: one.words for name, one in heard.items() if one.words != plain.get(name)}
    better = tuple((name, fuller[name]) for name in asked_for if name in fuller)
    mixed_up = dict.fromkeys((one.command, one.taken) for one in tries if one.taken not in {"", one.command})
    first = {one.command: one for one in reversed(tries)}
    share = sum(one.taken == one.command for one in first.values()) / max(len(asked_for), 1)
    dangers = {name: one for name, one in doubtful.items() if setup.grammar.is_urgent(name)}
    floors = tuple((name, round(one.score - SLACK, 3)) for name, one in dangers.items())
    met = not unheard and not mixed_up and not loud and share >= FIRST_SHARE
    return VoiceVerdict(met, unheard, better, tuple(mixed_up), loud, floors)
