"""Checks that a record is as it was written: chain, seals, copies, sound, end mark, and the small files beside it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, NamedTuple

from voicecoach.errors import RecordError
from voicecoach.record import disk, lines, lock, manifest, sealing, worn
from voicecoach.record.beside import read_tip
from voicecoach.record.chain import Chain, LinesSummary
from voicecoach.record.manifest import Manifest
from voicecoach.record.sound import sound_findings
from voicecoach.record.worn import LARGEST_EVENTS, WornItems, apart

RecordState = Literal["whole", "unfinished", "damaged"]
STATUS: dict[RecordState, int] = {"whole": 0, "damaged": 1, "unfinished": 3}
"""The exit status of every command on records; 2 is for what is not a record."""


class Finding(NamedTuple):
    """Something that is wrong. file: in the record's folder, or the copy in `.beside`. line: from 1, if it has one."""

    file: str
    line: int | None
    what: str

    def describe(self) -> str:
        """As a sentence."""
        where = f"{self.file}, line {self.line}" if self.line is not None else self.file
        return f"{where}: {self.what}."


class GoodLine(NamedTuple):
    """A good line; so are all lines before it."""

    line: int
    seq: int
    wall: str


@dataclass(frozen=True, slots=True)
class Verification:
    """The result of `verify`."""

    folder: Path
    state: RecordState
    """'whole', 'damaged', or 'unfinished': good as far as it goes, but without an end mark."""
    findings: tuple[Finding, ...]
    """What is wrong, first things first."""
    last_good: GoodLine | None
    """The last line before the first damaged one; None if there is none."""
    sealed_to: int
    """The last line that a seal vouches for; 0 for none."""
    lines: int
    remarks: tuple[str, ...]
    """What else a reader should know."""
    public: str = ""
    """The key of the first seal."""
    chain: str = ""
    """The chain value of the last line."""
    format: int = manifest.FORMAT

    @property
    def status(self) -> int:
        """The exit status."""
        return STATUS[self.state]

    def code(self) -> str | None:
        """The record code of a whole record; computing it takes 0.1 s."""
        return sealing.code(self.chain) if self.state == "whole" and self.format > 1 else None

    def sentences(self) -> Iterator[str]:
        """The result as sentences for a person; the first sums it up."""
        good = self.last_good
        upto = f"Line {good.line} of {self.lines} ({good.wall}) is the last good one" if good else "No line is good"
        if self.state == "whole":
            yield f"Whole: {self.lines} lines, with the end mark."
        elif self.state == "unfinished":
            yield f"Unfinished: {self.lines} good lines, but no end mark. It was cut off there, or its end was removed."
        else:
            yield f"Damaged: {self.findings[0].describe()} {upto}."
        yield from (finding.describe() for finding in self.findings[1:])
        yield from self.remarks


@dataclass(slots=True)
class _Looking:
    """What is known so far."""

    folder: Path
    findings: list[Finding] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    def found(self, file: str, what: str, line: int | None = None) -> None:
        self.findings.append(Finding(file, line, what))


def verify(folder: Path) -> Verification:
    """Check all of a record.

    Raises:
        RecordError: it is not a record: it has neither a manifest nor a journal.
    """
    folder = folder.resolve()
    if not folder.is_dir() or not any(_named(folder / name) for name in (manifest.FILE, lines.FILE)):
        what = f"a folder with {manifest.FILE} and {lines.FILE}"
        raise RecordError("is not a record of a session", where=str(folder), expected=what, mend=_inside(folder))
    look = _Looking(folder)
    made_with, digest = _manifest(look)
    new = made_with is None or made_with.format > 1
    near, far = _snapshots(look, new=new)
    known = next((one for one in (near, far) if one is not None), None)
    if known is not None and made_with is not None and known.manifest != digest:
        look.found(manifest.FILE, "is not the one that the session began with")
        digest = known.manifest
    start = known.manifest if known is not None else digest
    damaged = any(finding.file == manifest.FILE for finding in look.findings)
    chain = _lines(look, start, made_with.public or None if made_with is not None and not damaged else None)
    if made_with is not None:
        _copies(look, made_with)
    if new:
        _end(look, chain.seen, (near, far))
        look.findings += [Finding(file, None, what) for file, what in sound_findings(folder, chain.seen.sound)]
        _torn(look, chain.seen)
        _strangers(look, made_with)
        if made_with is not None and made_with.source == "salvage":
            look.remarks.append("This is a copy of what could be read of a damaged record; missing.txt lists the rest.")
    else:
        look.remarks.append("This is an older record: it has no seals, and nothing vouches for its sound.")
    if lock.holder(folder) is not None:
        look.remarks.append(f"It is being written by {lock.holder(folder)}.")
    seen = chain.seen
    ended = seen.ended or (not new and seen.closed)
    state: RecordState = "damaged" if look.findings else "whole" if ended else "unfinished"
    return Verification(
        folder,
        state,
        tuple(look.findings),
        GoodLine(*seen.good) if seen.good is not None else None,
        seen.sealed_to,
        seen.count,
        tuple(look.remarks),
        made_with.public if made_with is not None else "",
        seen.chain,
        made_with.format if made_with is not None else manifest.FORMAT,
    )


def _named(path: Path) -> bool:
    try:
        path.lstat()
    except (OSError, ValueError):
        return False
    return True


def _manifest(look: _Looking) -> tuple[Manifest | None, str]:
    try:
        raw = disk.read_file(look.folder / manifest.FILE, manifest.LARGEST)
    except RecordError as error:
        look.found(manifest.FILE, error.what)
        return None, ""
    try:
        return manifest.from_bytes(raw, manifest.FILE), lines.first_chain(raw)
    except RecordError as error:
        look.found(manifest.FILE, error.what)
        return None, lines.first_chain(raw)


def _snapshots(look: _Looking, *, new: bool) -> tuple[WornItems | None, WornItems | None]:
    near, far = worn.read_one(look.folder / worn.FILE), worn.read_one(apart(look.folder))
    if new:
        if near is None:
            look.found(worn.FILE, "is damaged" if _named(look.folder / worn.FILE) else "is missing")
        if far is None and _named(apart(look.folder)):
            look.found(_apart(look), "is damaged")
        elif far is None:
            look.remarks.append(f"There is no {_apart(look)}: the record was moved, or that file was lost.")
    return near, far


def _inside(folder: Path) -> str:
    """What to name instead, if `folder` holds records."""
    records = sorted(path.parent.name for path in folder.glob(f"*/{manifest.FILE}")) if folder.is_dir() else []
    return f"it holds records: name one of them, such as {records[-1]}" if records else ""


def _lines(look: _Looking, start: str, public: str | None) -> Chain:
    chain = Chain(start, public)
    try:
        raw = disk.read_file(look.folder / lines.FILE, LARGEST_EVENTS)
    except RecordError as error:
        look.found(lines.FILE, error.what)
        return chain
    *whole, torn = raw.split(b"\n")
    wrong = [(number, what) for number, text in enumerate(whole, start=1) for what in chain.take(text)]
    if wrong:
        look.found(lines.FILE, wrong[0][1], wrong[0][0])
        if len(wrong) > 1:
            later = "One later line is" if len(wrong) == 2 else f"{len(wrong) - 1} later lines are"
            look.remarks.append(f"{later} wrong too; the last is line {wrong[-1][0]}.")
    if torn:
        tip = read_tip(look.folder)
        if chain.seen.ended or tip is None or tip.seq != chain.seen.seq:
            look.found(lines.FILE, f"ends in the middle of a line ({len(torn)} bytes)", len(whole) + 1)
        else:
            look.remarks.append(f"The last line is unfinished ({len(torn)} bytes), as after a kill.")
    return chain


def _copies(look: _Looking, made_with: Manifest) -> None:
    for name, digest in made_with.copies.items():
        if Path(name).name != name:
            look.found(manifest.FILE, f"names a file outside the folder: {name[:60]}")
            continue
        try:
            raw = disk.read_file(look.folder / name, manifest.LARGEST_COPY)
        except RecordError as error:
            look.found(name, error.what)
        else:
            if manifest.digest(raw) != digest:
                look.found(name, "is not the file that the session was made with")


def _end(look: _Looking, seen: LinesSummary, copies: tuple[WornItems | None, WornItems | None]) -> None:
    """Compare the last line with what other files say about it."""
    for name, one in zip((worn.FILE, _apart(look)), copies, strict=True):
        if one is None:
            continue
        if one.seq > seen.seq:
            look.found(lines.FILE, f"ends at number {seen.seq}, but {name} mentions number {one.seq}", seen.count)
        elif seen.chains.get(one.seq, one.line_chain) != one.line_chain and seen.broken is None:
            look.found(name, f"mentions another line {one.seq} than the one in {lines.FILE}")
        elif one.closed and not seen.ended:
            look.found(lines.FILE, f"has no end mark, but {name} says that the session ended", seen.count)
    tip = read_tip(look.folder)
    if tip is None:
        if _named(apart(look.folder, "tip.json")):
            look.found(str(apart(Path(look.folder.name), "tip.json")), "is damaged")
    elif tip.seq > seen.seq:
        look.found(lines.FILE, f"ends at number {seen.seq}, but {tip.seq} lines were written", seen.count)
    elif seen.chains.get(tip.seq, tip.chain) != tip.chain and seen.broken is None:
        look.found(lines.FILE, f"is not the file that was written here: number {tip.seq} was another line")


def _torn(look: _Looking, seen: LinesSummary) -> None:
    for name, digest in seen.torn.items():
        try:
            raw = disk.read_file(look.folder / name, LARGEST_EVENTS)
        except RecordError as error:
            look.found(name, error.what)
        else:
            if manifest.digest(raw) != digest:
                look.found(name, "was changed")


def _strangers(look: _Looking, made_with: Manifest | None) -> None:
    known = {manifest.FILE, lines.FILE, worn.FILE, lock.NAME, "audio", *(made_with.copies if made_with else ())}
    names = sorted(path.name for path in look.folder.iterdir() if path.name not in known)
    strange = [name for name in names if not name.startswith("torn-")]
    if strange and made_with is not None and made_with.source != "salvage":
        look.remarks.append(f"Not part of the record: {', '.join(strange[:5])}{' ...' if len(strange) > 5 else ''}.")


def _apart(look: _Looking) -> str:
    return f"{worn.BESIDE}/{apart(look.folder).name}"


def to_json(verified: Verification, expected_code: str = "") -> dict[str, Any]:
    """All fields, for programs."""
    good = verified.last_good
    return {
        "folder": str(verified.folder),
        "state": verified.state,
        "lines": verified.lines,
        "first_wrong": verified.findings[0]._asdict() if verified.findings else None,
        "findings": [finding._asdict() for finding in verified.findings],
        "last_good": good._asdict() if good else None,
        "sealed_to": verified.sealed_to,
        "format": verified.format,
        "public": verified.public,
        "code": verified.code(),
        "code_expected": expected_code or None,
        "remarks": list(verified.remarks),
    }


def code_differs(verified: Verification, written: str) -> str:
    """How a code that a person wrote down differs from the record's, as a sentence; '' if it does not."""
    code = verified.code()
    if code is None:
        return "The code cannot be checked: only a whole record has one."
    digits = "".join(one for one in written if one.isdigit())
    groups = [digits[at : at + 3] for at in range(0, len(digits), 3)]
    wrong = [str(n) for n, (one, other) in enumerate(zip(groups, code.split(), strict=False), start=1) if one != other]
    if digits == code.replace(" ", ""):
        return ""
    if len(groups) != sealing.CODE_GROUPS or len(digits) != 3 * sealing.CODE_GROUPS:
        return f"The code has {len(digits)} digits, not {3 * sealing.CODE_GROUPS}."
    if len(wrong) == 1:
        return f"The code differs in group {wrong[0]} of {sealing.CODE_GROUPS}: misheard, or of another record."
    return "The code belongs to another record."
