"""What a session was made with: manifest.json, and the copies of the files it followed."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from voicecoach.errors import RecordError
from voicecoach.session.events import CLOCK_HZ

FORMAT = 1
FILE = "manifest.json"


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a session was made with. Roles and codes, never names.

    engine: the ear. mode: solo or pair. audio: clips, full or none. roles: who has a channel or a key of their own.
    source: live, recording, script or demo; only a live session is gone on with after it was cut off.
    protocol, grammar: name and version. versions: package -> version. begun: wall time of sample 0 (ISO, UTC).
    copies: file name -> SHA-256 of the copy beside the manifest; begun and copies are filled in by `Journal.create`.
    people: role -> the code that a programme knows a person by. room: where, as the site numbers its rooms.
    channels: of the microphone. model: folder of the ear's model, '' for none. Both None in older records.
    """

    engine: str
    mode: str
    audio: str
    protocol: str
    grammar: str
    roles: tuple[str, ...] = ("wearer",)
    versions: Mapping[str, str] = field(default_factory=dict)
    begun: str = ""
    copies: Mapping[str, str] = field(default_factory=dict)
    clock_hz: int = CLOCK_HZ
    format: int = FORMAT
    source: str = "live"
    channels: int | None = None
    model: str | None = None
    people: Mapping[str, str] = field(default_factory=dict)
    room: str = ""

    def to_bytes(self) -> bytes:
        """The file's bytes."""
        data = {f.name: getattr(self, f.name) for f in dataclasses.fields(self)}
        for name in ("versions", "copies", "people"):
            data[name] = dict(data[name])
        return (json.dumps(data, indent=1, ensure_ascii=False) + "\n").encode("utf-8", "replace")


def from_bytes(raw: bytes, where: str) -> Manifest:
    """The manifest in `raw`; `where` is named in messages.

    Raises:
        RecordError: it can't be read, or is of a later format.
    """
    try:
        data: Any = json.loads(raw.decode("utf-8"))
    except (ValueError, RecursionError):
        data = None
    if not isinstance(data, dict):
        raise RecordError("is not a manifest", where=where, expected="a JSON mapping")
    if data.get("format") != FORMAT:
        raise RecordError(f"has format {data.get('format')!r}", where=where, expected=f"format {FORMAT}")
    known = {f.name for f in dataclasses.fields(Manifest)}
    values = {key: value for key, value in data.items() if key in known}
    for name in ("versions", "copies", "people"):
        if not isinstance(values.get(name, {}), dict):
            raise RecordError(f"{name} is not a mapping", where=where)
    for name, kind in (("channels", int), ("model", str), ("room", str)):
        if not isinstance(values.get(name), kind | None):
            raise RecordError(f"{name} is {values[name]!r}", where=where)
    try:
        values["roles"] = tuple(values.get("roles", ()))
        return Manifest(**values)
    except TypeError as error:
        raise RecordError(f"is incomplete: {error}", where=where) from None


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
