"""Finds open sessions: whole, damaged or old. One in which something may be worn is never skipped silently. Rule 21."""

from __future__ import annotations

import re
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import product
from pathlib import Path
from typing import Literal

from voicecoach.debrief.texts import Texts, recorded_texts
from voicecoach.errors import VoicecoachError
from voicecoach.record import disk, ended, lines, manifest, refuge
from voicecoach.record.beside import read_tip
from voicecoach.record.journal import now_utc
from voicecoach.record.lock import holder
from voicecoach.record.manifest import Manifest
from voicecoach.record.read import CLOSED, END_MARK, Session, read
from voicecoach.record.worn import LARGEST_EVENTS, LastWorn, last_known_worn, lost_folders
from voicecoach.runtime.library import completed, load_protocol
from voicecoach.runtime.resume import RESUME_WITHIN_S, OpenSession, replayed_states, wall_s
from voicecoach.session.table import OVER

Why = Literal["damaged", "old"]
NOBODY = ("recording", "script", "demo", "salvage")
SOURCE = re.compile(rb'"source": ?"(%b)"' % "|".join(NOBODY).encode())
"""Matches the manifest of a session without people."""
BEGINS_S = 2.0
"""The first files of a session are written within this time (s)."""


@dataclass(frozen=True, slots=True)
class DoubtfulSession:
    """An open session that cannot be continued as it is."""

    folder: Path
    why: Why
    """'damaged' or 'old'."""
    detail: str
    """What is wrong with it, for the screen."""
    on: tuple[str, ...]
    """Items on, by its last good lines; empty like `off` when nothing is known."""
    off: tuple[str, ...]
    """Items off, by its last good lines."""
    protocol: str
    made_with: Manifest | None = None
    """None when its manifest cannot be read."""


@dataclass(slots=True)
class FoundSessions:
    """The open session in a folder of records, if any. remarks: what was skipped and may matter, a sentence each."""

    open: OpenSession | DoubtfulSession | None = None
    remarks: list[str] = field(default_factory=list)


def find(root: Path, key: bytes | None = None) -> FoundSessions:
    """The newest session under `root` that was cut off while something was, or may have been, worn. Never raises."""
    found = FoundSessions()
    closed_s = 0.0  # start of the newest session that ended
    seen: set[str] = set()
    for folder in _folders(root, found.remarks):
        raw, _, _ = _manifest(folder)
        if raw and manifest.digest(raw) in seen:
            continue  # a folder that a session lost; it continued in another
        seen.add(manifest.digest(raw))
        try:
            one = _look(folder, key, found.remarks)
        except Exception as error:  # noqa: BLE001 no other folder may prevent a start
            one = _by_worn(folder, f"{type(error).__name__}: {error}")
        if isinstance(one, float):
            closed_s = max(closed_s, one)
        elif isinstance(one, DoubtfulSession) and _stale(folder, closed_s):
            found.remarks.append(f"{folder}: was never closed, but a later session was; skipped.")
        elif one is not None and found.open is None:
            found.open = one
        elif one is not None:
            found.remarks.append(f"{folder}: is open as well, and comes next.")
    return found


def find_whole(root: Path, key: bytes | None = None) -> OpenSession | None:
    """The newest session under `root` that was cut off while something was worn, if its record is whole."""
    found = find(root, key).open
    return found if isinstance(found, OpenSession) else None


def _stale(folder: Path, closed_s: float) -> bool:
    """Whether the session is old and a later one has ended since."""
    last = last_known_worn(folder)
    if last is None:
        return False
    last_s = wall_s(last.worn.wall or last.worn.begun)
    return last_s < closed_s and now_utc().timestamp() - last_s > RESUME_WITHIN_S


def _folders(root: Path, remarks: list[str]) -> list[Path]:
    """The folders that may be sessions, newest first."""
    try:
        entries = sorted(root.iterdir())
    except OSError:
        return []
    folders = {folder: _begun(folder) for folder, _ in lost_folders(root)}
    for entry in entries:
        try:
            if entry.is_symlink():
                remarks.append(f"{entry}: is a link; skipped.")
            elif entry.is_dir() and not entry.name.startswith(".") and looks_like_one(entry):
                folders[entry] = _begun(entry)
        except OSError as error:
            remarks.append(f"{entry}: cannot be read ({error.strerror}); skipped.")
    for other in refuge.roots(root / "any")[1:]:
        with suppress(OSError):
            folders |= {entry: _begun(entry) for entry in other.glob(f"*{refuge.AGAIN}*") if looks_like_one(entry)}
    return sorted(folders, key=lambda folder: (folders[folder], folder.name), reverse=True)


def looks_like_one(folder: Path) -> bool:
    """Whether the folder holds at least a part of a record."""
    names = {entry.name for entry in folder.iterdir()}
    return bool(names & {manifest.FILE, lines.FILE, "worn.json"})


def _begun(folder: Path) -> str:
    """When it began (ISO, UTC); '' if nothing says."""
    try:
        return manifest.read(folder)[1].begun
    except VoicecoachError:
        last = last_known_worn(folder)
        return last.worn.begun if last is not None else ""


def _look(folder: Path, key: bytes | None, remarks: list[str]) -> OpenSession | DoubtfulSession | float | None:
    """One session: open, doubtful, None to skip it, or the time at which it began (s) if it ended."""
    last = last_known_worn(folder)
    raw, made_with, wrong = _manifest(folder)
    if ended.is_ended(folder) or not _live(raw, made_with, last):
        return None
    if (last is not None and last.worn.closed) or _closed(folder):
        return wall_s(made_with.begun if made_with is not None else "")
    who = holder(folder)
    if who is not None:
        remarks.append(f"{folder}: is in use by {who}.")
        return None
    if made_with is None:
        return _unless_over(folder, wrong, None, last, remarks)
    found = _readable(folder, key, made_with, raw, last)
    return _unless_over(folder, found, made_with, last, remarks) if isinstance(found, str) else found


def _live(raw: bytes, made_with: Manifest | None, last: LastWorn | None) -> bool:
    """Whether people took part, or may have: something is worn, or the manifest does not rule it out."""
    if last is not None and last.source != "lines" and last.worn.live:
        return True
    return made_with.source not in NOBODY if made_with is not None else SOURCE.search(raw) is None


def _readable(
    folder: Path, key: bytes | None, made_with: Manifest, raw: bytes, last: LastWorn | None
) -> OpenSession | DoubtfulSession | str | None:
    """A session whose manifest can be read; a text says what is wrong with it."""
    try:
        session = read(folder, key)
        texts = recorded_texts(session)
        setup = completed(texts.setup())
    except VoicecoachError as error:
        return error.line()
    wrong = _damage(session, last, manifest.digest(raw))
    if wrong or (not session.lines and _changed(folder)):
        return wrong or "its lines are missing"
    states = replayed_states(setup, session)
    state = states[-1]
    on = set(last.on) if last is not None else set()
    if all(on != set(one.ledger.on()) for one in states):
        return _by_worn(folder, "its events and its lines disagree on what is worn", made_with, last)
    if state.status in OVER or all(worn == "never" for _, worn in state.ledger.items):
        return None
    if now_utc().timestamp() - wall_s(session.last_wall) <= RESUME_WITHIN_S:
        return OpenSession(folder, session, texts, setup, state)
    old = f"its last line dates from {session.last_wall}"
    return _by_worn(folder, old, made_with, last, "old") if state.ledger.on() else None


def _manifest(folder: Path) -> tuple[bytes, Manifest | None, str]:
    """The manifest's bytes, its values, and what is wrong with it."""
    try:
        raw = disk.read_file(folder / manifest.FILE, manifest.LARGEST)
    except VoicecoachError as error:
        return b"", None, error.line()
    try:
        return raw, manifest.from_bytes(raw, str(folder / manifest.FILE)), ""
    except VoicecoachError as error:
        return raw, None, error.line()


def _closed(folder: Path) -> bool:
    try:
        raw = disk.read_file(folder / lines.FILE, LARGEST_EVENTS)
    except VoicecoachError:
        return False
    return CLOSED in raw or END_MARK in raw


def _damage(session: Session, last: LastWorn | None, manifest_digest: str) -> str:
    """How a record was damaged or changed; '' if it was not. An unfinished last line is not damage."""
    if session.broken_at is not None:
        return f"line {session.broken_at} is damaged or changed"
    newest = max((line.seq for line in session.lines), default=0)
    tip = read_tip(session.folder)
    written = max(tip.seq if tip is not None else 0, last.worn.seq if last is not None else 0)
    if newest < written:
        return f"lines {newest + 1} to {written} are missing"
    if last is None or last.source == "lines":
        return ""
    if last.worn.manifest not in {"", manifest_digest}:
        return "the manifest was changed"
    return ""


def _unless_over(
    folder: Path, detail: str, made_with: Manifest | None, last: LastWorn | None, remarks: list[str]
) -> DoubtfulSession | None:
    """The session as a doubtful one, unless an intact copy of what is worn says that nothing is, or it never began."""
    if last is not None and last.source != "lines" and not last.on:
        return None
    if last is None and not (_changed(folder) if made_with is not None else _has_events(folder)):
        remarks.append(f"{folder}: is not a readable session ({detail}); skipped.")
        return None
    return _by_worn(folder, detail, made_with, last)


def _has_events(folder: Path) -> bool:
    try:
        raw = disk.read_file(folder / lines.FILE, LARGEST_EVENTS)
    except VoicecoachError:
        return False
    return any((found := lines.unseal("", line).data) is not None and "event" in found for line in raw.split(b"\n"))


def _changed(folder: Path) -> bool:
    """Whether the session got beyond its start: there are lines, or their file is missing or was written to since."""
    events = folder / lines.FILE
    try:
        if not disk.there(events) or events.stat().st_size:
            return True
        return events.stat().st_mtime > (folder / manifest.FILE).stat().st_mtime + BEGINS_S
    except OSError:
        return True


def _by_worn(
    folder: Path, detail: str, made_with: Manifest | None = None, last: LastWorn | None = None, why: Why = "damaged"
) -> DoubtfulSession | None:
    last = last or last_known_worn(folder)
    if last is None:
        return DoubtfulSession(folder, why, detail, (), (), made_with.protocol if made_with else "", made_with)
    protocol = last.worn.protocol or (made_with.protocol if made_with else "")
    off = tuple(item for item in last.worn.off if item not in last.on)
    return DoubtfulSession(folder, why, detail, last.on, off, protocol, made_with)


def texts_for(found: DoubtfulSession, asked_for: Texts) -> Texts:
    """The texts for the session that leads the wearer out.

    The record's own copies if they are intact; else the shipped files of the same name; else the copies as they are;
    else `asked_for`. A protocol that has every worn piece is preferred to one that does not.
    """
    there = copies(found.folder)
    digests = found.made_with.copies if found.made_with is not None else {}
    whole = {name: text for name, text in there.items() if manifest.digest(text.encode()) == digests.get(name)}
    known: list[str] = []
    with suppress(VoicecoachError):
        known.append(load_protocol(found.protocol.split(" ")[0])[1])
    protocols = [whole.get("protocol.yaml"), *known, there.get("protocol.yaml"), asked_for.protocol]
    grammars = [whole.get("grammar.yaml"), asked_for.grammar]
    sites = [whole.get("site.yaml"), there.get("site.yaml"), asked_for.site, ""]
    fitting: Texts | None = None
    for protocol, grammar, site in product(protocols, grammars, sites):
        if protocol is None or grammar is None or site is None:
            continue
        texts = Texts(protocol, grammar, site)
        try:
            items = {item.name for item in texts.setup().protocol.items}
        except VoicecoachError:
            continue
        if set(found.on) <= items:
            return texts
        fitting = fitting or texts
    return fitting or asked_for


def copies(folder: Path) -> dict[str, str]:
    """The copies in a record, changed or not, as far as they are text."""
    made = {}
    for name in ("protocol.yaml", "grammar.yaml", "site.yaml"):
        try:
            made[name] = disk.read_file(folder / name, manifest.LARGEST_COPY).decode("utf-8")
        except (VoicecoachError, UnicodeDecodeError):
            continue
    return made
