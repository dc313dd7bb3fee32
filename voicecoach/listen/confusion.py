"""Which words are mistaken for which: counts over utterances with known words, ranked by what a mistake costs. Pure."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

from voicecoach.grammar import Command, Grammar, normalise
from voicecoach.listen.chance import opposite

Cost = Literal["false confirmation", "danger missed", "false alarm", "wrong word"]
COSTS: tuple[Cost, ...] = ("false confirmation", "danger missed", "false alarm", "wrong word")
"""Most costly first. After a false confirmation the opposite of what was said, or the same state of another piece, is
on record, and the coach moves on to the next act."""

OPPOSITES = (
    ("yes", "no"), ("right", "wrong"), ("clear", "torn"), ("clear", "soiled"), ("confirm", "not-clear"),
    ("done", "not-finished"), ("is-on", "is-off"),
)  # fmt: skip
"""Pairs of which one says that all is well and the other that it is not, besides the two states of an item."""

FAR_APART = {"on": "in place", "off": "removed"}
"""English names of an item's states that share no sound; "on" and "off" differ in the last one only."""

WEAK = 0.5
"""A phrase that is understood less often than this is listed."""


@dataclass(frozen=True, slots=True)
class Trial:
    """One utterance of a phrase, and what it was taken for."""

    phrase: str
    command: str
    """What it means; '' for a decoy."""
    taken: str | None
    """The command that it was taken for with every command live; None if it was refused."""
    asked: str | None = None
    """The danger word that was asked about."""
    rivals: tuple[tuple[str, bool, bool], ...] = ()
    """For each of the likeliest other commands: whether it won with the right one live, and without."""
    decoy: str = ""
    """The likeliest decoy, if the utterance was refused."""


@dataclass(frozen=True, slots=True)
class Confusion:
    """A phrase and another command that it was taken for. beside: how often with both live; instead: how often with
    only the other live; of: number of utterances.
    """

    phrase: str
    command: str
    taken_for: str
    cost: Cost
    beside: int
    instead: int
    of: int


@dataclass(frozen=True, slots=True)
class WeakPhrase:
    """A phrase that is often refused. taken: how often it was understood, out of `of`; decoys: those that won most
    often.
    """

    phrase: str
    command: str
    taken: int
    of: int
    decoys: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ConfusionReport:
    """The results for a grammar. right: how often each phrase was understood, out of `of`; decoys: decoys that were
    taken for a command, with that command.
    """

    confusions: tuple[Confusion, ...]
    weak: tuple[WeakPhrase, ...]
    decoys: tuple[tuple[str, str], ...]
    right: dict[str, int]
    of: dict[str, int]


def find(grammar: Grammar, trials: Iterable[Trial]) -> ConfusionReport:
    """Count and rank: most costly first, then most frequent."""
    beside: Counter[tuple[str, str, str]] = Counter()
    instead: Counter[tuple[str, str, str]] = Counter()
    of: Counter[str] = Counter()
    right: Counter[str] = Counter()
    gave_way: dict[str, Counter[str]] = defaultdict(Counter)
    owners: dict[str, str] = {}
    decoys: dict[str, str] = {}
    for trial in trials:
        if not trial.command:
            if trial.taken is not None:
                decoys[trial.phrase] = trial.taken
            continue
        owners[trial.phrase] = trial.command
        of[trial.phrase] += 1
        right[trial.phrase] += trial.command in (trial.taken, trial.asked)
        if trial.taken is None and trial.decoy:
            gave_way[trial.phrase][trial.decoy] += 1
        seen = dict.fromkeys(name for name, _, _ in trial.rivals)
        for name, both, alone in trial.rivals:
            beside[trial.phrase, trial.command, name] += both
            instead[trial.phrase, trial.command, name] += alone
        if trial.taken not in {None, trial.command, *seen}:
            beside[trial.phrase, trial.command, str(trial.taken)] += 1
    pairs = [key for key in beside.keys() | instead.keys() if beside[key] or instead[key]]
    confusions = [
        Confusion(phrase, command, other, cost(grammar, command, other), beside[key], instead[key], of[phrase])
        for key in pairs
        for phrase, command, other in [key]
    ]
    confusions.sort(key=lambda c: (COSTS.index(c.cost), -(2 * c.beside + c.instead), c.phrase, c.taken_for))
    weak = [
        WeakPhrase(phrase, owner, right[phrase], of[phrase], tuple(word for word, _ in gave_way[phrase].most_common(3)))
        for phrase, owner in owners.items()
        if right[phrase] < WEAK * of[phrase]
    ]
    weak.sort(key=lambda w: (w.taken / w.of, w.phrase))
    return ConfusionReport(tuple(confusions), tuple(weak), tuple(sorted(decoys.items())), dict(right), dict(of))


def cost(grammar: Grammar, said: str, taken: str) -> Cost:
    """What it costs when the command `said` is taken for another one."""
    names = {command.name for command in grammar.commands}
    states = {name for name in (said, taken) if opposite(name) in names}
    of_another = len(states) == 2 and said.rpartition("-")[2] == taken.rpartition("-")[2]
    if of_another or opposite(said) == taken or (said, taken) in OPPOSITES or (taken, said) in OPPOSITES:
        return "false confirmation"
    if grammar.is_urgent(said):
        return "wrong word" if grammar.is_urgent(taken) else "danger missed"
    return "false alarm" if grammar.is_urgent(taken) else "wrong word"


def to_look_at(found: ConfusionReport) -> list[str]:
    """Phrases that could do with better words, most costly first."""
    dear = [c.phrase for c in found.confusions if c.beside or c.cost != "wrong word"]
    return list(dict.fromkeys([*dear, *(weak.phrase for weak in found.weak)]))


def instead_of(grammar: Grammar, command: Command, phrase: str) -> list[str]:
    """Other English words for the same: longer ones, or ones with more distinct endings. None is a phrase already."""
    if grammar.language != "en":
        return []
    words = phrase.split()
    made = [f"{phrase} {phrase}", f"it is {phrase}", f"{phrase} now", f"that is {phrase}"]
    if opposite(command.name):
        made = [f"{' '.join(words[:-1])} {FAR_APART[words[-1]]}"] if words[-1] in FAR_APART else []
        made += [f"{' '.join(words[:-1])} is {words[-1]}", f"the {phrase}"]
    elif len(words) > 1:
        made = [f"{phrase} now", f"the {phrase}", f"yes {phrase}"]
    taken = {known for one in grammar.commands for known in one.phrases}
    return [words for words in map(normalise, made) if words not in taken and len(words.split()) <= 4]


def better(
    found: ConfusionReport, grammar: Grammar, tried: ConfusionReport | None = None
) -> dict[str, tuple[str, int, int]]:
    """For each phrase that could do with better words, the best ones: words, times understood, out of how many.

    They come from the command's other phrases and, if given, from the words that were tried, and are always understood
    more often.
    """
    mixed_up = {c.phrase for c in found.confusions if c.beside}
    made: dict[str, tuple[str, int, int]] = {}
    for phrase in to_look_at(found):
        command = next((c for c in grammar.commands if phrase in c.phrases), None)
        own = [
            (found.right[other] / found.of[other], other, found.right[other], found.of[other])
            for other in (command.phrases if command else ())
            if found.of.get(other) and other not in mixed_up
        ]
        trouble = {c.phrase for c in tried.confusions if c.beside} if tried else set()
        new = [
            (tried.right[words] / tried.of[words], words, tried.right[words], tried.of[words])
            for words in (instead_of(grammar, command, phrase) if tried and command else ())
            if tried and tried.of.get(words) and words not in trouble
        ]
        rate = found.right.get(phrase, 0) / max(found.of.get(phrase, 0), 1)
        best = max(
            (option for option in [*own, *new] if option[1] != phrase), key=lambda option: option[0], default=None
        )
        if best is not None and (best[0] > rate or (phrase in mixed_up and best[0] >= rate)):
            made[phrase] = best[1:]
    return made


def lines(found: ConfusionReport, proposals: dict[str, tuple[str, int, int]], most: int = 12) -> list[str]:
    """The results as text: confusions by cost, weak phrases, decoys taken; at most `most` of each."""

    def say(phrase: str) -> str:
        if phrase not in proposals:
            return ""
        words, right, of = proposals[phrase]
        return f"; better: {words!r} (understood {right} of {of} times)"

    text: list[str] = []
    for which in COSTS:
        here = [c for c in found.confusions if c.cost == which]
        shown = here[:most]
        text += [f"{which}: {len(here)}"] if here else []
        text += [
            f"  {c.phrase!r} taken for {c.taken_for}: {c.beside} of {c.of} times, {c.instead} when {c.command} was not "
            f"listened for{say(c.phrase)}"
            for c in shown
        ]
        text += [f"  and {len(here) - len(shown)} more"] if len(here) > len(shown) else []
    if found.weak:
        text.append(f"understood less than half the time: {len(found.weak)}")
        for weak in found.weak[:most]:
            near = f", nearest {' '.join(map(repr, weak.decoys))}" if weak.decoys else ""
            text.append(f"  {weak.phrase!r} ({weak.command}): {weak.taken} of {weak.of} times{near}{say(weak.phrase)}")
        text += [f"  and {len(found.weak) - most} more"] if len(found.weak) > most else []
    if found.decoys:
        text.append(f"other words taken for a command: {len(found.decoys)}")
        text += [f"  {words!r} taken for {command}" for words, command in found.decoys[:most]]
    return text or ["nothing is mixed up, and every phrase is understood at least half the time"]


def to_json(found: ConfusionReport, proposals: dict[str, tuple[str, int, int]]) -> dict[str, Any]:
    """All of it as JSON values."""
    return {
        "confusions": [
            {
                "phrase": c.phrase, "command": c.command, "taken_for": c.taken_for, "cost": c.cost,
                "beside": c.beside, "instead": c.instead, "of": c.of,
            }
            for c in found.confusions
        ],
        "weak": [{"phrase": w.phrase, "command": w.command, "taken": w.taken, "of": w.of, "decoys": list(w.decoys)}
                 for w in found.weak],
        "decoys_taken": [{"words": words, "command": command} for words, command in found.decoys],
        "better": [{"phrase": phrase, "words": words, "taken": right, "of": of}
                   for phrase, (words, right, of) in proposals.items()],
    }  # fmt: skip
