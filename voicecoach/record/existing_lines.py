"""The state of a journal before its writer adds a line: empty for a new session, or read from its file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from voicecoach.errors import RecordError
from voicecoach.record import disk, lines, manifest, worn
from voicecoach.record.box import Box
from voicecoach.record.manifest import Manifest
from voicecoach.record.worn import LARGEST_EVENTS, WornItems

LARGEST_SOUND = 1 << 32


@dataclass(slots=True)
class ExistingLines:
    """The state after the existing lines."""

    seq: int
    """Number of the last line."""
    at: int
    """Sample of the last line."""
    chain: str
    """Chain value of the last line."""
    worn: WornItems
    """What is worn by the lines."""
    size: int = 0
    """Bytes of whole lines."""
    torn: bytes = b""
    """Bytes of an unfinished last line."""
    closed: bool = False
    """Whether the session is over by the lines."""
    epoch: int = 0
    """Epoch of the next seal."""
    public: str = ""
    """Public key of the next seal."""
    sound: dict[str, int] = field(default_factory=dict)
    """Bytes that lines cover, by file in audio/."""
    box: Box | None = None
    """Decrypts the lines."""
    unsealed: int = 0
    """Lines since the last seal."""

    @classmethod
    def none(cls, session: str, made_with: Manifest, raw_manifest: bytes) -> ExistingLines:
        """Before the first line."""
        start = WornItems(
            session=session,
            manifest=manifest.digest(raw_manifest),
            protocol=made_with.protocol,
            begun=made_with.begun,
            live=made_with.source == "live",
        )
        return cls(0, 0, lines.first_chain(raw_manifest), start, public=made_with.public)

    @classmethod
    def read(cls, folder: Path, key: bytes | None = None) -> tuple[Manifest, ExistingLines]:
        """The manifest, and the state after the lines of a session's folder, damaged or not.

        Raises:
            RecordError: the manifest or the lines cannot be read at all, or not with this key.
        """
        raw_manifest, made_with = manifest.read(folder)
        raw = disk.read_file(folder / lines.FILE, LARGEST_EVENTS)
        complete = raw[: raw.rfind(b"\n") + 1]
        found = cls.none(folder.name, made_with, raw_manifest)
        found.box = Box.of(made_with, key, str(folder))
        found.size, found.torn = len(complete), raw[len(complete) :]
        for text in complete.split(b"\n")[:-1]:
            line = lines.unseal(found.chain, text)
            found.chain = line.chain
            data = line.data or {}
            found.take((lines.unboxed(data, found.box) if found.box is not None else None) or data)
        for path in (folder / worn.FILE, worn.apart(folder)):
            known = worn.read_one(path)
            if known is not None and known.seq > found.seq:  # lines were lost; their numbers are not used again
                found.seq = known.seq
        return made_with, found

    def sound_without_line(self, folder: Path) -> Iterator[tuple[str, int, bytes]]:
        """Sound that was written but not recorded before the process ended: file, first byte, bytes."""
        try:
            names = sorted(path.name for path in folder.iterdir())
        except OSError:
            return
        for name in names:
            try:
                raw = disk.read_file(folder / name, LARGEST_SOUND)
            except RecordError:
                continue
            known = self.sound.get(name, 0)
            if known < len(raw):
                yield name, known, raw[known:]

    def take(self, data: Mapping[str, Any]) -> None:
        """Account for the next line."""
        self.seq = max(self.seq + 1, lines.whole_number(data, "seq"))
        self.at = max(self.at, lines.whole_number(data, "at"))
        kind = data.get("line")
        self.unsealed = 0 if kind == "seal" else self.unsealed + 1
        if kind == "effect" and data.get("effect") == "close":
            self.closed = True
        elif kind == "effect" and data.get("what") == "ledger":
            after = worn.from_ledger(self.worn, data.get("details")) or self.worn
            wall = str(data.get("wall", ""))
            self.worn = replace(after, seq=self.seq, at=self.at, wall=wall, line_chain=self.chain)
        elif kind == "seal":
            self.epoch, self.public = lines.whole_number(data, "epoch") + 1, str(data.get("next", ""))
        elif kind == "key":
            self.epoch, self.public = 0, str(data.get("public", ""))
        elif kind == "sound" and isinstance(data.get("file"), str):
            name = data["file"]
            self.sound[name] = lines.whole_number(data, "from") + lines.whole_number(data, "bytes")
