"""Copies what can be read of a damaged record, and names what cannot. The record itself is only read.

The copy is a record that can be shown and replayed as far as it goes. It has no seals and no end mark, and `verify`
never calls it whole: it holds what was found, not what was written.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from voicecoach.errors import InputError, RecordError
from voicecoach.record import disk, lines, manifest, sound, worn
from voicecoach.record.box import SUFFIX, Box
from voicecoach.record.manifest import Manifest
from voicecoach.record.verify import Verification, verify
from voicecoach.record.worn import LARGEST_EVENTS

SOURCE = "salvage"
KINDS = ("event", "effect", "gap")
REPORT = "missing.txt"


@dataclass(slots=True)
class Salvage:
    """The result. kept: how many lines are in the copy. missing: what is not, a sentence each."""

    folder: Path
    kept: int = 0
    missing: list[str] = field(default_factory=list)


def salvage(folder: Path, new: Path, key: bytes | None = None) -> Salvage:
    """Create the copy; an encrypted record is decrypted with `key`.

    Raises:
        RecordError: it is not a record, or `key` is missing or wrong. InputError: `new` cannot be created.
    """
    found = verify(folder)
    folder, new = folder.resolve(), new.resolve()
    if new == folder or folder in new.parents:
        raise InputError("is inside the record", where=str(new), expected="a new folder in another place")
    made_with = _manifest(folder)
    box = Box.of(made_with, key, str(folder)) if made_with is not None else None
    try:
        new.parent.mkdir(parents=True, exist_ok=True)
        new.mkdir(mode=0o700)
        (new / sound.AUDIO).mkdir(mode=0o700)
        return _Copy(folder, new, found, made_with, box).make()
    except OSError as error:
        raise InputError(
            f"cannot be used for a copy: {error.strerror or error}", where=str(new), expected="a new folder"
        ) from None


def _manifest(folder: Path) -> Manifest | None:
    try:
        return manifest.read(folder)[1]
    except RecordError:
        return None


class _Copy:
    def __init__(
        self, folder: Path, new: Path, found: Verification, made_with: Manifest | None, box: Box | None
    ) -> None:
        self._folder, self._new, self._box = folder, new, box
        self._made_with = made_with
        self._out = Salvage(new)
        self._damaged = {finding.file for finding in found.findings}
        self._numbers: dict[int, int] = {}
        self._seq, self._chain, self._raw = 0, "", bytearray()

    def make(self) -> Salvage:
        out = self._out
        copies = self._copies()
        if self._made_with is None:
            out.missing.append(f"{manifest.FILE}: unreadable, so it is not known what the session was made with.")
            made_with = Manifest("unknown", "unknown", "unknown", "unknown", "unknown")
        else:
            made_with = self._made_with
        known = worn.last_known_worn(self._folder)
        begun = made_with.begun or (known.worn.begun if known is not None else "")
        made_with = replace(made_with, begun=begun, source=SOURCE, copies=copies, public="", box="", salt="", format=2)
        raw = made_with.to_bytes()
        disk.write_new(self._new / manifest.FILE, raw)
        self._chain = lines.first_chain(raw)
        for data in self._lines():
            self._put(data)
        self._sound()
        disk.write_new(self._new / lines.FILE, bytes(self._raw))
        if known is not None:
            out.missing += known.remarks
            last = replace(
                known.worn, session=self._new.name, manifest=manifest.digest(raw), seq=self._seq, closed=False,
                line_chain=self._chain,
            )  # fmt: skip
            disk.write_new(self._new / worn.FILE, last.to_bytes())
        if out.missing:
            disk.write_new(self._new / REPORT, ("\n".join(out.missing) + "\n").encode("utf-8", "replace"))
        return out

    def _copies(self) -> dict[str, str]:
        """The copies the session was made with; any other file of such a name is kept under another name."""
        named = self._made_with.copies if self._made_with is not None else {}
        names = named or dict.fromkeys(("protocol.yaml", "grammar.yaml", "site.yaml"), "")
        proven = {}
        for name in names:
            if Path(name).name != name:
                continue
            try:
                raw = disk.read_file(self._folder / name, manifest.LARGEST_COPY)
            except RecordError as error:
                if named:
                    self._out.missing.append(f"{name}: {error.what}.")
                continue
            if manifest.digest(raw) == names[name]:
                disk.write_new(self._new / name, raw)
                proven[name] = names[name]
            else:
                disk.write_new(self._new / f"{name}.unproven", raw)
                self._out.missing.append(f"{name}: is not what the session was made with; kept as {name}.unproven.")
        return proven

    def _lines(self) -> Iterator[dict[str, Any]]:
        """The lines that can be read and were not changed, with markers for missing ones between them."""
        try:
            raw = disk.read_file(self._folder / lines.FILE, LARGEST_EVENTS)
        except RecordError as error:
            self._out.missing.append(f"{lines.FILE}: {error.what}.")
            return
        *whole, torn = raw.split(b"\n")
        chain, last, proven = "", 0, False
        for number, text in enumerate(whole, start=1):
            line = lines.unseal(chain, text)
            seq = lines.whole_number(line.data or {}, "seq")
            changed = proven and not line.whole and seq == last + 1
            data = self._read(line.data) if line.data is not None and not changed else None
            if data is None or seq <= last:
                self._out.missing.append(f"{lines.FILE}, line {number}: {'was changed' if changed else 'is damaged'}.")
                proven = line.data is not None and changed
                last = seq if proven else last
                chain = line.chain
                continue
            if seq != last + 1:
                yield {"line": "missing", "first": last + 1, "last": seq - 1}
                gone = f"number {seq - 1} is" if seq == last + 2 else f"numbers {last + 1} to {seq - 1} are"
                self._out.missing.append(f"{lines.FILE}: {gone} missing.")
            chain, last, proven = line.chain, seq, True
            if data.get("line") in KINDS:
                self._out.kept += 1
                yield data
        if torn:
            self._out.missing.append(f"{lines.FILE}: an unfinished last line of {len(torn)} bytes was left out.")
        tip = worn.read_one(worn.apart(self._folder)) or worn.read_one(self._folder / worn.FILE)
        if tip is not None and tip.seq > last:
            self._out.missing.append(f"{lines.FILE}: numbers {last + 1} to at least {tip.seq} are missing.")

    def _read(self, data: dict[str, Any]) -> dict[str, Any] | None:
        return data if self._box is None else lines.unboxed(data, self._box)

    def _put(self, data: dict[str, Any]) -> None:
        was = lines.whole_number(data, "seq")
        self._seq += 1
        self._numbers[was] = self._seq
        rest = {name: value for name, value in data.items() if name not in {"seq", "chain", "of"}}
        of = self._numbers.get(lines.whole_number(data, "of"))
        line = {"seq": self._seq} | rest | ({"of": of} if of is not None else {}) | ({"was": was} if was else {})
        raw, self._chain = lines.seal(self._chain, line)
        self._raw += raw

    def _sound(self) -> None:
        place = self._folder / sound.AUDIO
        names = sorted(path.name for path in place.iterdir()) if place.is_dir() else []
        for shown in sorted(self._damaged):
            if shown.startswith(f"{sound.AUDIO}/"):
                self._out.missing.append(f"{shown}: damaged, missing or unproven.")
        for name in names:
            if f"{sound.AUDIO}/{name}" in self._damaged:
                continue
            try:
                raw = sound.read_sound(self._folder, name, self._box)
            except RecordError as error:
                self._out.missing.append(f"{sound.AUDIO}/{name}: {error.what}.")
                continue
            plain = name.removesuffix(SUFFIX)
            disk.write_new(self._new / sound.AUDIO / plain, raw)
            self._put({"line": "sound", "file": plain, "from": 0, "bytes": len(raw), "sha256": manifest.digest(raw)})
