"""Reads a session's record: its events, their effects, and where it is damaged."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from voicecoach.errors import RecordError
from voicecoach.record import disk, lines, manifest
from voicecoach.record.box import Box
from voicecoach.record.lines import FILE
from voicecoach.record.lock import holder
from voicecoach.record.manifest import Manifest
from voicecoach.record.worn import LARGEST_EVENTS
from voicecoach.session import events
from voicecoach.session.events import CLOCK_HZ, Event

END_MARK = b'"last":true'
CLOSED = b'"effect":"close"'
"""Bytes that occur nowhere else in a journal, because JSON escapes the quotes inside a string."""


@dataclass(frozen=True, slots=True)
class RecordLine:
    """One readable line. number: its place in the file, from 1. data: as written. event: the event, if it is one."""

    number: int
    seq: int
    kind: str
    at: int
    at_s: float
    wall: str
    data: Mapping[str, Any]
    event: Event | None = None


@dataclass(frozen=True, slots=True)
class Session:
    """A record.

    Attributes:
        lines: all that can be read, in the file's order. broken_at: the first line (from 1) that is unreadable or does
            not fit the chain; None if there is none. torn: bytes of an unfinished last line. remarks: what a reader
            should know about the state of the record, a sentence each. box: decrypts its sound, if that is encrypted.
    """

    folder: Path
    manifest: Manifest
    lines: tuple[RecordLine, ...]
    broken_at: int | None = None
    torn: bytes = b""
    remarks: tuple[str, ...] = ()
    box: Box | None = field(default=None, compare=False, repr=False)

    @property
    def events(self) -> tuple[Event, ...]:
        """Every event, in order."""
        return tuple(line.event for line in self.lines if line.event is not None)

    @property
    def effects(self) -> dict[int, tuple[Mapping[str, Any], ...]]:
        """The effects of each event: its line's seq -> flat mappings as `effects.to_json` makes them."""
        found: dict[int, tuple[Mapping[str, Any], ...]] = {
            line.seq: () for line in self.lines if line.event is not None
        }
        for line in self.lines:
            if line.kind == "effect":
                of = lines.whole_number(line.data, "of")
                found[of] = (*found.get(of, ()), _without_own(line.data))
        return found

    @property
    def notes(self) -> tuple[RecordLine, ...]:
        """The effect lines that are notes."""
        return tuple(line for line in self.lines if line.kind == "effect" and line.data.get("effect") == "note")

    @property
    def gaps(self) -> tuple[RecordLine, ...]:
        """Where lines reached the disk late."""
        return tuple(line for line in self.lines if line.kind == "gap")

    @property
    def closed(self) -> bool:
        """Whether the session came to its end."""
        return any(line.data.get("effect") == "close" for line in self.lines if line.kind == "effect")

    @property
    def last_wall(self) -> str:
        """Wall time (ISO, UTC) of the last line, or of the beginning."""
        return self.lines[-1].wall if self.lines else self.manifest.begun


def read(folder: Path, key: bytes | None = None) -> Session:
    """Read a session's folder. No damage to events.jsonl makes this fail.

    Raises:
        RecordError: the folder, its manifest or its journal cannot be read at all, or `key` is missing or wrong.
    """
    raw_manifest, made_with = manifest.read(folder)
    raw = disk.read_file(folder / FILE, LARGEST_EVENTS)
    box = Box.of(made_with, key, str(folder))
    found, broken_at, torn = parse(raw, lines.first_chain(raw_manifest), box)
    return Session(folder, made_with, found, broken_at, torn, tuple(_remarks(found, broken_at, torn)), box)


def parse(raw: bytes, chain: str, box: Box | None = None) -> tuple[tuple[RecordLine, ...], int | None, bytes]:
    """The lines of a journal's bytes, the first broken line, and the bytes of a torn last one. Never raises.

    A readable line that does not fit the chain is kept, and the chain goes on from it.
    """
    *whole, torn = raw.split(b"\n")
    found: list[RecordLine] = []
    broken_at: int | None = None
    for number, text in enumerate(whole, start=1):
        line = lines.unseal(chain, text)
        chain = line.chain
        data = lines.unboxed(line.data, box) if line.data is not None and box is not None else line.data
        made = _line(number, data) if data is not None else None
        if made is not None:
            found.append(made)
        if broken_at is None and (made is None or not line.whole):
            broken_at = number
    return tuple(found), broken_at, torn


def find_open(root: Path) -> Iterator[Path]:
    """The live sessions in `root` with no closing line and no living process, newest first.

    A session killed between the closing event and its line is listed, though its events show that it is over. Folders
    that are not sessions or cannot be read are skipped.
    """
    try:
        folders = [folder for folder in root.iterdir() if disk.there(folder / manifest.FILE)]
    except OSError:
        return
    begun = []
    for folder in folders:
        try:
            made_with = read_manifest(folder)
        except RecordError:
            continue
        if made_with.source == "live":
            begun.append((made_with.begun, folder.name, folder))
    for _, _, folder in sorted(begun, reverse=True):
        try:
            raw = disk.read_file(folder / FILE, LARGEST_EVENTS)
            closed = CLOSED in raw or END_MARK in raw
        except RecordError:
            continue
        if not closed and holder(folder) is None:
            yield folder


def read_manifest(folder: Path) -> Manifest:
    """The manifest of a session's folder.

    Raises:
        RecordError: it can't be read.
    """
    return manifest.read(folder)[1]


def _line(number: int, data: Mapping[str, Any]) -> RecordLine | None:
    kind, at, event = data.get("line"), lines.whole_number(data, "at"), None
    if kind == "event":
        try:
            event = events.from_json(dict(data))
        except RecordError:
            return None
        if event.at != at or not _fits(event):
            return None
    return RecordLine(
        number,
        lines.whole_number(data, "seq"),
        str(kind),
        at,
        at / CLOCK_HZ,
        str(data.get("wall", "")),
        data,
        event,
    )


_TYPES: dict[str, tuple[type, ...]] = {
    "int": (int,),
    "float": (int, float),
    "bool": (bool,),
    "str | None": (str, type(None)),
}


def _fits(event: Event) -> bool:
    """Whether each field has its type, so that nothing has to check later; all other fields are text."""
    return all(isinstance(getattr(event, name), types) for name, types in _FIELDS[type(event)])


_FIELDS = {
    cls: tuple((f.name, _TYPES.get(str(f.type), (str,))) for f in dataclasses.fields(cls)) for cls in events.EVENTS
}


def _without_own(data: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in data.items() if key not in lines.OWN_KEYS}


def _remarks(found: Iterable[RecordLine], broken_at: int | None, torn: bytes) -> Iterable[str]:
    if broken_at is not None:
        yield f"Line {broken_at} of {FILE} was damaged or changed: nothing vouches for what follows."
    if torn:
        yield f"The last line of {FILE} is unfinished ({len(torn)} bytes)."
    for line in found:
        if line.kind == "gap":
            first, last, late_s = line.data.get("first"), line.data.get("last"), line.data.get("late_s")
            yield f"Lines {first} to {last} reached the disk {late_s} s late: {line.data.get('why')}."
