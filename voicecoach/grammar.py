"""The closed set of commands as data, and the rule that accepts or rejects an utterance. Pure."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, get_args

from voicecoach.yamltext import Node, read

Risk = Literal["danger", "stop", "routine", "matters", "way", "session"]
RISKS: tuple[Risk, ...] = get_args(Risk)
URGENT: frozenset[str] = frozenset({"danger", "stop"})
"""Risks at which a doubtful word is asked about instead of dropped (rule 13)."""

LOWEST = -99.0
"""Score of an utterance that matches nothing; finite, so that it can be stored as JSON."""

MAX_PHRASE_WORDS = 5
MOST_COMMANDS = 500
"""More than five times as many as in the largest shipped grammar; each command can be mistaken for any other."""
_NAME = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")
_NOT_WORD = re.compile(r"[^\w']+|_+")


@dataclass(frozen=True, slots=True)
class Command:
    """One thing a speaker can mean. name: id ('gown-off'); phrases: the words for it; risk: selects its floor.

    floor: this command's own floor, or None for that of its risk. inside: the floor for a danger word found inside a
    sentence, None for the same floor; other words are not looked for inside sentences.
    """

    name: str
    phrases: tuple[str, ...]
    risk: Risk
    floor: float | None = None
    inside: float | None = None


@dataclass(frozen=True, slots=True)
class Margins:
    """By how much a command of a risk must lead, in the unit of its score; negative values let it trail.

    decoys: over the best decoy. others: over the best other command. near: how far below the floor (or behind a decoy
    or another command) a danger word is still asked about.
    """

    decoys: float = 0.0
    others: float = 0.0
    near: float = 0.0


@dataclass(frozen=True, slots=True)
class Grammar:
    """A language: commands, decoys (words known only in order to be rejected), floors and margins by risk, and the
    coach's own sentences by key.

    sounds: pronunciations of words or whole phrases, in IPA; engines that derive pronunciations themselves need none.
    typed: (phrase, command, piece) for phrases that only typed words match, since recognisers hear every phrase worse
    among so many; piece: the one named together with its fault, as in "gown is torn", or ''.
    """

    name: str
    language: str
    version: str
    commands: tuple[Command, ...]
    decoys: tuple[str, ...]
    floors: tuple[tuple[str, float], ...]
    says: tuple[tuple[str, str], ...]
    file: str = ""
    margins: tuple[tuple[str, Margins], ...] = ()
    sounds: tuple[tuple[str, tuple[str, ...]], ...] = ()
    typed: tuple[tuple[str, str, str], ...] = ()

    @property
    def urgent(self) -> tuple[Command, ...]:
        """Danger words and 'stop': commands whose risk is in URGENT."""
        return tuple(command for command in self.commands if command.risk in URGENT)

    def is_urgent(self, name: str) -> bool:
        """Whether the command of that name is among `urgent`."""
        command = self.command(name)
        return command is not None and command.risk in URGENT

    def piece_in(self, words: str) -> str:
        """The piece that is named with its fault, as the grammar's items or commands have it; '' for none."""
        said = normalise(words)
        return next((piece for phrase, _, piece in self.typed if phrase == said), "")

    def command(self, name: str) -> Command | None:
        """The command with that id, or None."""
        return next((command for command in self.commands if command.name == name), None)

    def say(self, key: str) -> str:
        """The coach's own sentence for `key`; '' in the grammar of an earlier record that does not have it yet."""
        return dict(self.says).get(key, "")

    def inside(self, name: str) -> float:
        """How much above its floor a command must score inside a sentence."""
        command = self.command(name)
        return 0.0 if command is None or command.inside is None else command.inside - self.floor(name)

    def floor(self, name: str) -> float:
        """The score that the command `name` needs; infinite for an unknown name."""
        command = self.command(name)
        if command is None:
            return float("inf")
        return command.floor if command.floor is not None else dict(self.floors).get(command.risk, 0.0)

    def margin(self, name: str) -> Margins:
        """The margins of the command `name`, by its risk."""
        command = self.command(name)
        return dict(self.margins).get(command.risk, Margins()) if command is not None else Margins()


@dataclass(frozen=True, slots=True)
class Scored:
    """A command, its best-matching phrase, and the score (log-odds per phone against the best free path)."""

    command: str
    phrase: str
    score: float


@dataclass(frozen=True, slots=True)
class Decision:
    """The result for one utterance. command: None if rejected; near: a danger command just below its floor."""

    command: str | None
    phrase: str
    score: float
    floor: float
    near: str | None = None
    runner_up: str | None = None


def normalise(words: str) -> str:
    """Lower case, no punctuation, single spaces."""
    return " ".join(_NOT_WORD.sub(" ", words.casefold().replace("\N{RIGHT SINGLE QUOTATION MARK}", "'")).split())


def match(grammar: Grammar, words: str, live: Collection[str]) -> str | None:
    """The live command that `words` as a whole stand for, or None; ignores case, punctuation and spacing."""
    said = normalise(words)
    for command in grammar.commands:
        if command.name in live and said in command.phrases:
            return command.name
    return next((name for phrase, name, _ in grammar.typed if phrase == said and name in live), None)


def decide(grammar: Grammar, ranked: Sequence[Scored], live: Collection[str], decoy: float | None) -> Decision:
    """Accept an utterance as one live command, or reject it.

    A command is accepted only above its floor, and only if it leads the decoys and every other command by the margins
    of its risk. Danger words are tried first. Anything else is rejected; a danger word or 'stop' that missed by no more
    than its risk's `near` is named, so that the coach can ask (rule 13).

    Args:
        ranked: scores in any order; a command may have several. decoy: the best decoy's score, None if none was scored.
    """
    best: dict[str, Scored] = {}
    for scored in ranked:
        # the last comparison is false for NaN
        if scored.command in live and grammar.command(scored.command) is not None and scored.score == scored.score:
            best_so_far = best.get(scored.command)
            if best_so_far is None or scored.score > best_so_far.score:
                best[scored.command] = scored
    order = sorted(best.values(), key=lambda scored: (-scored.score, scored.command))
    if not order:
        return Decision(None, "", LOWEST, 0.0)
    urgent = [scored for scored in order if grammar.is_urgent(scored.command)]
    for scored in (*urgent[:1], *order[:1]):
        if _shortfall(grammar, scored, order, decoy) <= 0.0:
            return _decision(grammar, scored, order, taken=True)
    near = None
    if urgent and _shortfall(grammar, urgent[0], order, decoy) <= grammar.margin(urgent[0].command).near:
        near = urgent[0].command
    return _decision(grammar, order[0], order, taken=False, near=near)


def _shortfall(grammar: Grammar, scored: Scored, order: Sequence[Scored], decoy: float | None) -> float:
    """By how much a command misses the hardest of its three tests; 0 or less if it passes."""
    margin = grammar.margin(scored.command)
    misses = [grammar.floor(scored.command) - scored.score]
    if decoy is not None:
        misses.append(decoy + margin.decoys - scored.score)
    misses.extend(other.score + margin.others - scored.score for other in order if other.command != scored.command)
    return max(misses)


def _decision(
    grammar: Grammar, scored: Scored, order: Sequence[Scored], *, taken: bool, near: str | None = None
) -> Decision:
    runner_up = next((other.command for other in order if other.command != scored.command), None)
    return Decision(
        command=scored.command if taken else None,
        phrase=scored.phrase,
        score=scored.score,
        floor=grammar.floor(scored.command),
        near=near,
        runner_up=runner_up,
    )


@lru_cache(maxsize=16)
def parse(text: str, file: str) -> Grammar:
    """Read a grammar; the same text again is not read again.

    Args:
        text: YAML. file: the name to use in messages.

    Raises:
        InputError: with file, line and field; also when two commands share a phrase.
    """
    root = read(text, file).only(
        "grammar", "language", "version", "risks", "commands", "items", "states", "faults", "typed", "decoys", "says",
        "sounds",
    )  # fmt: skip
    floors, margins = _risks(root.need("risks"))
    owners: dict[str, str] = {}
    commands = _commands(root.need("commands"), owners)
    items, states = root.get("items"), root.get("states")
    if items is not None:
        commands += _item_commands(items, root.need("states"), owners)
    elif states is not None:
        raise states.wrong("is given without items", "a field 'items'")
    if len(commands) > MOST_COMMANDS:
        raise root.need("commands").wrong(f"has {len(commands):,} commands", f"at most {MOST_COMMANDS}")
    if not any(command.risk == "danger" for command in commands):
        raise root.need("commands").wrong("has no danger word", "a command under 'danger', such as a breach")
    named = {risk for risk, _ in floors}
    missing = sorted({command.risk for command in commands} - named)
    if missing:
        raise root.need("risks").wrong(f"has no floor for {missing[0]!r}", "a floor for each risk that a command has")
    decoys, faults = root.get("decoys"), root.get("faults")
    says, sounds = root.get("says"), root.get("sounds")
    return Grammar(
        name=root.need("grammar").scalar(),
        language=root.need("language").scalar(),
        version=root.need("version").scalar(),
        commands=tuple(commands),
        decoys=_decoys(decoys, owners) if decoys is not None else (),
        floors=floors,
        says=tuple((key, node.scalar()) for key, node in says.items()) if says is not None else (),
        file=file,
        margins=margins,
        sounds=_sounds(sounds) if sounds is not None else (),
        typed=(
            *(_faulty(faults, items, commands, owners) if faults is not None and items is not None else ()),
            *(_typed(root.get("typed"), commands, owners)),
        ),
    )


TWO_LAYERS = ("inner-gloves", "outer-gloves")
"""Commands that name a piece more precisely than the item's word does."""
MARGINS = ("decoys", "others", "near")


def _risks(node: Node) -> tuple[tuple[tuple[str, float], ...], tuple[tuple[str, Margins], ...]]:
    floors: list[tuple[str, float]] = []
    margins: list[tuple[str, Margins]] = []
    for name, value in node.only(*RISKS).items():
        value.only("floor", *MARGINS, "agreed", "alone")  # the last two: only in earlier records
        floors.append((name, value.need("floor").number(-100, 100)))
        figures = {key: child.number(-100, 100) for key, child in value.items() if key in MARGINS}
        margins.append((name, Margins(**figures)))
    return tuple(floors), tuple(margins)


def _commands(node: Node, owners: dict[str, str]) -> list[Command]:
    commands: list[Command] = []
    for risk in RISKS:
        group = node.only(*RISKS).get(risk)
        for name, value in group.items() if group is not None else ():
            _name(name, value)
            if any(command.name == name for command in commands):
                raise value.wrong("is already a command", "each command once")
            commands.append(_command(name, risk, value, owners))
    return commands


def _command(name: str, risk: Risk, value: Node, owners: dict[str, str]) -> Command:
    if value.entries is None:
        return Command(name, _phrases(value, name, owners), risk)
    value.only("say", "floor", "inside", "agreed", "alone")  # the last two: only in earlier records
    phrases = _phrases(value.need("say"), name, owners)
    own = {key: figure.number(-100, 100) for key, figure in value.items() if key in {"floor", "inside"}}
    return Command(name, phrases, risk, **own)


def _item_commands(items: Node, states: Node, owners: dict[str, str]) -> list[Command]:
    """Every item in every state: 'gown' and 'off' make the command gown-off, spoken 'gown off'."""
    commands: list[Command] = []
    for item, spoken in items.items():
        _name(item, spoken)
        for state, word in states.items():
            _name(state, word)
            phrases = tuple(normalise(f"{said} {how}") for said in spoken.words() for how in word.words())
            for phrase in phrases:
                _own(phrase, f"{item}-{state}", spoken, owners)
            commands.append(Command(f"{item}-{state}", phrases, "matters"))
    return commands


def _faulty(
    faults: Node, items: Node, commands: list[Command], owners: dict[str, str]
) -> tuple[tuple[str, str, str], ...]:
    """Every piece with every fault: 'gown' and 'is torn' make "gown is torn", which stands for the command 'torn'."""
    known = {command.name: command.phrases for command in commands}
    pieces = [(item, spoken.words()) for item, spoken in items.items()]
    pieces += [(name, known[name]) for name in TWO_LAYERS if name in known]
    found: list[tuple[str, str, str]] = []
    for fault, phrases in _of_commands(faults, commands):
        for piece, spoken in pieces:
            for phrase in (normalise(f"{said} {how}") for said in spoken for how in phrases.words()):
                _own(phrase, fault, phrases, owners)
                found.append((phrase, fault, piece))
    return tuple(found)


def _of_commands(node: Node, commands: list[Command]) -> Iterator[tuple[str, Node]]:
    """The fields of a node whose keys are commands."""
    known = {command.name for command in commands}
    for name, member in node.items():
        if name not in known:
            raise member.wrong(f"{name!r} is not a command", "one of the commands")
        yield name, member


def _typed(node: Node | None, commands: list[Command], owners: dict[str, str]) -> Iterator[tuple[str, str, str]]:
    """Further phrases for commands, for typed words only."""
    for name, phrases in _of_commands(node, commands) if node is not None else ():
        for phrase in map(normalise, phrases.words()):
            _own(phrase, name, phrases, owners)
            yield phrase, name, ""


def _decoys(node: Node, owners: dict[str, str]) -> tuple[str, ...]:
    decoys: dict[str, None] = {}
    for member in node.list():
        for decoy in member.scalar().split(","):
            words = normalise(decoy)
            if words in owners:
                raise member.wrong(f"{words!r} is a phrase of {owners[words]!r}", "words of no command")
            if words:
                decoys[words] = None
    return tuple(decoys)


def _sounds(node: Node) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Pronunciations by word; a word's alternatives are separated by spaces."""
    return tuple((normalise(words), tuple(value.scalar().split())) for words, value in node.items())


def _phrases(node: Node, name: str, owners: dict[str, str]) -> tuple[str, ...]:
    phrases = tuple(normalise(words) for words in node.words())
    if not phrases:
        raise node.wrong("has no phrase", "at least one")
    for phrase in phrases:
        _own(phrase, name, node, owners)
    return phrases


def _own(phrase: str, name: str, node: Node, owners: dict[str, str]) -> None:
    if not phrase or len(phrase.split()) > MAX_PHRASE_WORDS:
        raise node.wrong(f"{phrase!r} is not a phrase", f"1 to {MAX_PHRASE_WORDS} words")
    if phrase in owners:
        raise node.wrong(f"{phrase!r} is already a phrase of {owners[phrase]!r}", "phrases that no other command has")
    owners[phrase] = name


def _name(name: str, node: Node) -> None:
    if not _NAME.fullmatch(name):
        raise node.wrong(f"{name!r} is not a name", "lower-case words joined by '-'")
