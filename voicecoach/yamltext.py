"""YAML read as text with lines: without aliases, duplicate keys, tags or guessed types. Pure."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import yaml

from voicecoach.errors import InputError, did_you_mean

LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
"""libyaml's scanner if PyYAML has it: about nine times as fast as the one in Python, with the same positions."""
MAX_CHARACTERS = 1_000_000
MAX_DEPTH = 12
MAX_WORD = 300
"""Longest run of characters without a space: a long address fits, unreadable noise does not."""
MAX_NODES = 60_000
CHECK_YAML = "check the indentation, colons and quotes there and on the line before"


@dataclass(frozen=True, slots=True)
class Node:
    """One YAML value and its position in the file.

    Attributes:
        file: name used in messages. line: 1-based. field: dotted path from the root.
        text: the scalar as written, or None. entries: mapping entries. members: list members.
    """

    file: str
    line: int
    field: str
    text: str | None = None
    entries: tuple[tuple[str, Node], ...] | None = None
    members: tuple[Node, ...] | None = None

    def wrong(self, what: str, expected: str = "", mend: str = "") -> InputError:
        """An error with this node's file, line and field."""
        where = f"{self.file}:{self.line}" + (f": {self.field}" if self.field else "")
        return InputError(what, where=where, expected=expected, mend=mend)

    def scalar(self) -> str:
        """The text of a non-empty scalar."""
        if self.text is None or not self.text.strip():
            raise self.wrong("has no text", "some text")
        return self.text.strip()

    def number(self, low: float, high: float) -> float:
        """The scalar as a finite number within [low, high]."""
        text = self.scalar()
        expected = f"a number from {low:g} to {high:g}"
        try:
            value = float(text)
        except ValueError:
            raise self.wrong(f"{text!r} is not a number", expected) from None
        if not low <= value <= high:
            raise self.wrong(f"{text!r} is not in range", expected)
        return value

    def choice(self, allowed: Iterable[str]) -> str:
        """The scalar, which must be one of `allowed`."""
        names = sorted(allowed)
        text = self.scalar()
        if text not in names:
            known = [name for name in names if name]
            raise self.wrong(f"{text!r} is unknown", "one of " + ", ".join(known), did_you_mean(text, known))
        return text

    def flag(self) -> bool:
        """The scalar as true/false or yes/no."""
        return self.choice({"true", "false", "yes", "no"}) in {"true", "yes"}

    def items(self) -> tuple[tuple[str, Node], ...]:
        """The entries of a mapping, in the file's order."""
        if self.entries is None:
            raise self.wrong("is not a mapping", "lines of the form 'key: value'")
        return self.entries

    def list(self) -> tuple[Node, ...]:
        """The members of a list."""
        if self.members is None:
            raise self.wrong("is not a list", "a list ('- ...' lines or [...])")
        return self.members

    def words(self) -> tuple[str, ...]:
        """A list of scalars, or one scalar, as a tuple of texts."""
        if self.text is not None:
            return (self.scalar(),)
        return tuple(member.scalar() for member in self.list())

    def get(self, key: str) -> Node | None:
        """The value under `key`, or None."""
        return next((value for name, value in self.items() if name == key), None)

    def need(self, key: str) -> Node:
        """The value under `key`; an error if it is missing."""
        found = self.get(key)
        if found is None:
            raise self.wrong(f"has no {key!r}", f"a field {key!r}")
        return found

    def only(self, *keys: str) -> Node:
        """This mapping, after checking that it has no keys other than `keys`."""
        for name, value in self.items():
            if name not in keys:
                mend = did_you_mean(name, keys)
                raise value.wrong("is not a known field", "one of " + ", ".join(sorted(keys)), mend)
        return self


@lru_cache(maxsize=32)  # the same shared texts are in most protocols, and the same protocol in most records
def read(text: str, file: str) -> Node:
    """Read one YAML document; the same text again is not read again.

    Args:
        text: the document. file: the name to use in messages.

    Raises:
        InputError: with file and line, for anything other than plain, bounded YAML.
    """
    if len(text) > MAX_CHARACTERS:
        raise InputError(f"has {len(text):,} characters", where=file, expected=f"at most {MAX_CHARACTERS:,}")
    try:
        _refuse_tricks(text, file)
        root = yaml.compose(text, Loader=LOADER)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        where = f"{file}:{mark.line + 1}" if mark is not None else file
        raise InputError(f"is not YAML: {error.problem or error.context}", where=where, mend=CHECK_YAML) from None
    except (yaml.YAMLError, ValueError, RecursionError) as error:
        raise InputError(f"is not YAML: {error}", where=file) from None
    if root is None:
        raise InputError("is empty", where=file, expected="lines of the form 'key: value'")
    return _convert(root, file, "")


def _refuse_tricks(text: str, file: str) -> None:
    depth = 0
    for count, event in enumerate(yaml.parse(text, Loader=LOADER)):
        mark = event.start_mark
        where = f"{file}:{mark.line + 1}" if mark is not None else file
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
            raise InputError("uses a YAML alias or anchor", where=where, expected="each value written out")
        tag = getattr(event, "tag", None)
        if tag:
            raise InputError(f"uses the YAML tag {tag!r}", where=where, expected="plain values")
        if isinstance(event, yaml.CollectionStartEvent):
            depth += 1
        elif isinstance(event, yaml.CollectionEndEvent):
            depth -= 1
        if depth > MAX_DEPTH:
            raise InputError("is nested too deeply", where=where, expected=f"at most {MAX_DEPTH} levels")
        if count > MAX_NODES:
            raise InputError("has too many values", where=where, expected=f"at most {MAX_NODES:,}")


def _convert(node: yaml.Node, file: str, field: str) -> Node:
    line = node.start_mark.line + 1
    if isinstance(node, yaml.ScalarNode):
        return Node(file, line, field, text=_printable(str(node.value), file, line))
    if isinstance(node, yaml.SequenceNode):
        members = tuple(_convert(child, file, f"{field}[{index}]") for index, child in enumerate(node.value))
        return Node(file, line, field, members=members)
    entries: list[tuple[str, Node]] = []
    seen: dict[str, int] = {}
    for key, value in node.value:
        key_line = key.start_mark.line + 1
        if not isinstance(key, yaml.ScalarNode):
            raise InputError("has a key that is not text", where=f"{file}:{key_line}", expected="a plain key")
        name = _printable(str(key.value), file, key_line)
        path = f"{field}.{name}" if field else name
        if name in seen:
            raise InputError(
                f"is defined twice, first on line {seen[name]}",
                where=f"{file}:{key_line}: {path}",
                expected="each key once",
            )
        seen[name] = key_line
        child = _convert(value, file, path)
        entries.append((name, child))
    return Node(file, line, field, entries=tuple(entries))


def _printable(text: str, file: str, line: int) -> str:
    """Check that text can be shown and spoken: escapes could smuggle in surrogates and terminal commands."""
    for character in text:
        if unicodedata.category(character) in {"Cc", "Cs"} and character not in "\n\t":
            what = f"has the character {character!a}, which cannot be shown"
            raise InputError(what, where=f"{file}:{line}", expected="letters, digits and punctuation")
    longest = max(map(len, text.split()), default=0)
    if longest > MAX_WORD:
        what = f"has a word of {longest:,} characters"
        raise InputError(what, where=f"{file}:{line}", expected=f"at most {MAX_WORD}")
    return text
