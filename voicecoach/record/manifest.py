"""What a session was made with: manifest.json, and copies of the files that it follows."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from voicecoach.errors import RecordError
from voicecoach.record import disk
from voicecoach.session.events import CLOCK_HZ

FORMAT = 2
"""Format 1 had neither seals nor digests of sound. Its records can be read, replayed and continued as they are."""
FORMATS = (1, FORMAT)
FILE = "manifest.json"
LARGEST = 1_000_000
LARGEST_COPY = 4_000_000


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a session was made with. Roles and codes, never names."""

    engine: str
    """The recogniser."""
    mode: str
    """'solo' or 'pair'."""
    audio: str
    """'clips', 'full' or 'none'."""
    protocol: str
    """Name and version."""
    grammar: str
    """Name and version."""
    roles: tuple[str, ...] = ("wearer",)
    """Who has a channel or key of their own."""
    versions: Mapping[str, str] = field(default_factory=dict)
    """Versions by package."""
    begun: str = ""
    """Wall time of sample 0 (ISO, UTC); filled in by `Journal.create`."""
    copies: Mapping[str, str] = field(default_factory=dict)
    """SHA-256 of the copies beside the manifest, by file name; filled in by `Journal.create`."""
    clock_hz: int = CLOCK_HZ
    format: int = FORMAT
    source: str = "live"
    """'live', 'recording', 'script' or 'demo'. Only a live session is continued after it was cut off."""
    channels: int | None = None
    """Of the microphone; None in older records."""
    model: str | None = None
    """Folder of the recogniser's model, '' for none; None in older records."""
    people: Mapping[str, str] = field(default_factory=dict)
    """Codes in the training programme, by role."""
    room: str = ""
    """The room's number at the site."""
    public: str = ""
    """The Ed25519 key of the first seal, in hexadecimal; '' in older records."""
    box: str = ""
    """Check value of the key that the record is encrypted with, in hexadecimal; '' if it is not."""
    salt: str = ""
    """The record's salt, in hexadecimal; '' if it is not encrypted."""

    def to_bytes(self) -> bytes:
        """The file's bytes."""
        data = {f.name: getattr(self, f.name) for f in dataclasses.fields(self)}
        for name in ("versions", "copies", "people"):
            data[name] = dict(data[name])
        return (json.dumps(data, indent=1, ensure_ascii=False) + "\n").encode("utf-8", "replace")


def from_bytes(raw: bytes, where: str) -> Manifest:
    """The manifest in `raw`; `where` names it in messages.

    Raises:
        RecordError: it cannot be read, or is of a later format.
    """
    try:
        data: Any = json.loads(raw.decode("utf-8"))
    except (ValueError, RecursionError):
        data = None
    if not isinstance(data, dict):
        raise RecordError("is not a manifest", where=where, expected="a JSON mapping")
    if data.get("format") not in FORMATS or isinstance(data.get("format"), bool):
        wanted = f"format {' or '.join(map(str, FORMATS))}"
        raise RecordError(f"has format {_shown(data.get('format'))}", where=where, expected=wanted)
    values = {f.name: data[f.name] for f in dataclasses.fields(Manifest) if f.name in data}
    for f in dataclasses.fields(Manifest):
        if f.name in values and not _KINDS.get(str(f.type), _is_text)(values[f.name]):
            raise RecordError(f"{f.name} is {_shown(values[f.name])}", where=where, expected=str(f.type))
    try:
        if "roles" in values:
            values["roles"] = tuple(values["roles"])
        return Manifest(**values)
    except TypeError as error:
        raise RecordError(f"is incomplete: {error}", where=where) from None


def read(folder: Path) -> tuple[bytes, Manifest]:
    """The manifest in a session's folder, as bytes and as a value.

    Raises:
        RecordError: it cannot be read, or is of a later format.
    """
    path = folder / FILE
    raw = disk.read_file(path, LARGEST)
    return raw, from_bytes(raw, str(path))


def _shown(value: object) -> str:
    """A value from a file, shortened for a message."""
    if isinstance(value, dict | list):
        return f"a {'mapping' if isinstance(value, dict) else 'list'} of {len(value)}"
    return repr(value if not isinstance(value, str) else value[:40])


def _is_text(value: object) -> bool:
    return isinstance(value, str)


def _is_whole(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


_KINDS: Mapping[str, Callable[[object], bool]] = {
    "int": _is_whole,
    "int | None": lambda value: value is None or _is_whole(value),
    "str | None": lambda value: value is None or _is_text(value),
    "tuple[str, ...]": lambda value: isinstance(value, list) and all(map(_is_text, value)),
    "Mapping[str, str]": lambda value: isinstance(value, dict) and all(map(_is_text, value.values())),
}
"""Checks of the JSON values by the fields' types; all other fields are text."""


def versions(packages: Iterable[str]) -> dict[str, str]:
    """The installed versions of `packages`; 'not installed' for one that is missing."""
    found = {}
    for name in packages:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    return found


def digest(data: bytes) -> str:
    """SHA-256 in hexadecimal."""
    return hashlib.sha256(data).hexdigest()
