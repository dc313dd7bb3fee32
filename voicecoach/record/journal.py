"""The journal of a session: every event reaches the disk before it is acted on, unless the disk refuses."""

from __future__ import annotations

import dataclasses
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

from voicecoach.errors import InputError, RecordError
from voicecoach.record import disk, lines, manifest, worn
from voicecoach.record.beside import Mark, SideFiles
from voicecoach.record.box import Box
from voicecoach.record.existing_lines import ExistingLines
from voicecoach.record.lines import FILE
from voicecoach.record.lock import Lock, holder
from voicecoach.record.manifest import Manifest
from voicecoach.record.sealing import STATE_BYTES, Sealer, code
from voicecoach.record.spool import Gap, Spool
from voicecoach.session import effects as effect_values
from voicecoach.session import events as event_values
from voicecoach.session.effects import Effect
from voicecoach.session.events import CLOCK_HZ, Event

AUDIO = "audio"
PATIENCE_S = 0.07
"""How long a reply waits for the disk while a person waits for the reply (s); all in all it stays below 0.1 s."""
UNHURRIED_S = 10.0
"""The same on a recording's clock (s), where nobody waits and the wall clock must not change the session."""
RETRY_S = 0.5
BOXED = ("event", "effect", "gap")
"""Lines that an encrypted record keeps in boxes; the others say nothing about what happened."""
SEAL_LINES = 32
SEAL_S = 20.0
"""A seal follows this many lines or this much time (s), whichever comes first: an intruder can change what was written
since the last one."""


class WriteResult(NamedTuple):
    """seq: the number of the event's line. late: it had not reached the disk when patience ran out."""

    seq: int
    late: bool


def now_utc() -> datetime:
    """The wall clock."""
    return datetime.now(UTC)


def iso(moment: datetime) -> str:
    """ISO 8601 in UTC, to the millisecond."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def new_folder(root: Path, wall: Callable[[], datetime] = now_utc) -> Path:
    """A path for a new session in `root` that sorts by time and does not exist."""
    stem = wall().astimezone(UTC).strftime("%Y-%m-%dT%H-%M-%SZ")
    folder, count = root / stem, 1
    while folder.exists():
        count += 1
        folder = root / f"{stem}-{count}"
    return folder


def check_root(root: Path) -> None:
    """Create the folder for records if need be, and check that it can be written.

    Raises:
        InputError: it cannot.
    """
    try:
        root.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=root):
            pass
    except OSError as error:
        raise InputError(
            f"cannot be used for records: {error.strerror or error}",
            where=str(root),
            expected="a folder that can be written",
        ) from None


class Journal:
    """Appends to events.jsonl through a spool, so that a slow disk delays nobody.

    Lines that the disk refuses are kept, tried again every `retry_s`, and written in order, followed by a 'gap' line
    that says how late they are. Once the journal is open, no method raises. Create one with `create` or
    `open_existing`.

    Attributes:
        folder: the session's folder. manifest: as written. box: encrypts lines and sound; None if they are plain.
    """

    def __init__(
        self,
        folder: Path,
        made_with: Manifest,
        *,
        before: ExistingLines,
        sealer: Sealer | None,
        box: Box | None,
        lock: Lock,
        opener: disk.Opener,
        wall: Callable[[], datetime],
        patience_s: float,
        retry_s: float,
    ) -> None:
        self.folder = folder
        self.manifest = made_with
        self.box = box
        self._seq, self._at, self._chain = before.seq, before.at, before.chain
        self._worn, self._closed = before.worn, before.closed
        self._lock, self._wall, self._patience_s = lock, wall, patience_s
        self._sealer, self._unsealed, self._unsealed_since = sealer, before.unsealed, time.monotonic()
        self._ended = False
        self._beside = SideFiles(folder)
        self._spool: Spool[Mark] = Spool(
            folder,
            size=before.size,
            torn=before.torn,
            opener=opener,
            retry_s=retry_s,
            on_late=self._late,
            on_saved=self._saved,
            on_idle=self._seal_if_due,
            idle_s=SEAL_S / 2,
            on_moved=self._continue_in,
        )
        self._beside.begin(self._mark(key=True))
        self._spool.start()

    @classmethod
    def create(
        cls,
        folder: Path,
        made_with: Manifest,
        copies: Mapping[str, bytes],
        *,
        key: bytes | None = None,
        opener: disk.Opener = disk.OwnFile,
        wall: Callable[[], datetime] = now_utc,
        patience_s: float | None = None,
        retry_s: float = RETRY_S,
    ) -> Journal:
        """Create a session's folder with manifest, copies and an empty journal.

        Args:
            folder: must not exist. made_with: `begun` is set if empty. copies: file name -> bytes, such as
                protocol.yaml, grammar.yaml, site.yaml. key: 32 bytes that encrypt events and sound. opener, wall: for
                tests. patience_s: longest wait of `write` (s); by default from the session's source. retry_s: between
                tries on a failing disk (s).

        Raises:
            InputError: the folder cannot be created or written.
        """
        sealer = Sealer(os.urandom(STATE_BYTES))
        box = Box.new(key) if key is not None else None
        made_with = dataclasses.replace(
            made_with,
            begun=made_with.begun or iso(wall()),
            copies={name: manifest.digest(data) for name, data in copies.items()},
            public=sealer.public(),
            box=box.check if box is not None else "",
            salt=box.salt.hex() if box is not None else "",
        )
        if patience_s is None:
            patience_s = PATIENCE_S if made_with.source == "live" else UNHURRIED_S
        raw = made_with.to_bytes()
        lock, made = Lock(folder), False
        try:
            folder.parent.mkdir(parents=True, exist_ok=True)
            folder.mkdir(mode=0o700)
            made = True
            (folder / AUDIO).mkdir(mode=0o700)
            lock.take(wall())
            for name, data in copies.items():
                disk.write_new(folder / name, data)
            disk.write_new(folder / FILE, b"")
            disk.write_new(folder / manifest.FILE, raw)
        except (OSError, ValueError) as error:
            lock.release()
            if made:
                shutil.rmtree(folder, ignore_errors=True)
            raise InputError(
                f"cannot be used for a record: {getattr(error, 'strerror', None) or error}",
                where=str(folder),
                expected="a new folder in a place that can be written",
            ) from None
        disk.sync_folder(folder)
        disk.sync_folder(folder.parent)
        return cls(
            folder,
            made_with,
            before=ExistingLines.none(folder.name, made_with, raw),
            sealer=sealer,
            box=box,
            lock=lock,
            opener=opener,
            wall=wall,
            patience_s=patience_s,
            retry_s=retry_s,
        )

    @classmethod
    def open_existing(
        cls,
        folder: Path,
        *,
        key: bytes | None = None,
        opener: disk.Opener = disk.OwnFile,
        wall: Callable[[], datetime] = now_utc,
        patience_s: float = PATIENCE_S,
        retry_s: float = RETRY_S,
    ) -> Journal:
        """Continue a session with the next number and the last chain value; a torn last line goes to a file of its own.

        Raises:
            RecordError: it cannot be read, `key` is wrong, or a living process holds it.
        """
        lock = Lock(folder)
        if folder.is_dir() and not lock.take(wall()):
            raise RecordError(f"is in use by {holder(folder) or 'another process'}", where=str(folder))
        try:
            made_with, before = ExistingLines.read(folder, key)
        except RecordError:
            lock.release()
            raise
        sealer = SideFiles(folder).sealer(before) if made_with.format > 1 else None
        fresh = made_with.format > 1 and sealer is None
        if fresh:
            sealer = Sealer(os.urandom(STATE_BYTES))
        journal = cls(
            folder,
            made_with,
            before=before,
            sealer=sealer,
            box=before.box,
            lock=lock,
            opener=opener,
            wall=wall,
            patience_s=patience_s,
            retry_s=retry_s,
        )
        journal._take_up(before, fresh=fresh)
        return journal

    @property
    def trouble(self) -> str | None:
        """Why lines do not reach the disk now, in plain words; None if they do."""
        return self._spool.trouble

    @property
    def unsaved(self) -> int:
        """Lines that have not reached the disk."""
        return self._spool.unsaved

    @property
    def code(self) -> str | None:
        """The record code: twelve digits for a person to write down; None until the record is complete."""
        whole = self._closed and self._sealer is None and self.manifest.format > 1 and self.unsaved == 0
        return code(self._chain) if whole else None

    def audio(self) -> Path:
        """The folder for sound, wherever the record is now."""
        return self.folder / AUDIO

    def write(self, event: Event) -> WriteResult:
        """Write an event to the disk; call this before acting on it.

        Waits at most `patience_s`, and not at all while there is trouble.
        """
        with self._spool.turn:
            self._at = event.at
            seq, count = self._append("event", event_values.to_json(event))
        return WriteResult(seq, not self._spool.wait(count, seq, self._patience_s))

    def write_effects(self, seq: int, effects: Iterable[Effect]) -> None:
        """Write the effects of event `seq`, one line each. Does not wait: the events alone reproduce the effects."""
        with self._spool.turn:
            for effect in effects:
                self._append("effect", effect_values.to_json(effect), of=seq)

    def sound(self, file: str, begin: int, raw: bytes) -> None:
        """Record the bytes of a file in audio/ from `begin` on, so that they cannot be changed later."""
        data = {"file": file, "from": begin, "bytes": len(raw), "sha256": manifest.digest(raw)}
        with self._spool.turn:
            self._append("sound", data)

    def sound_gone(self, files: Iterable[str], why: str) -> None:
        """Record that these files in audio/ were deleted."""
        with self._spool.turn:
            self._append("sound-gone", {"files": list(files), "why": why})

    def close(self, wait_s: float = 2.0) -> bool:
        """Write what is left and release the folder; False if lines were abandoned after `wait_s`.

        A session that is closed gets its end mark: a last seal, after which nothing can be added.
        """
        until = time.monotonic() + wait_s
        if self.trouble is not None:  # the line that says how late lines were comes before the end mark
            self._spool.drain(wait_s / 2)
        with self._spool.turn:
            if self._closed or (self._unsealed and self.trouble is None):
                self._seal(last=self._closed)
        self._spool.close(max(0.0, until - time.monotonic()))
        if self.unsaved == 0:
            self._beside.end(self._mark(key=True))
        self._lock.release()
        return self.unsaved == 0

    def _append(self, kind: str, data: Mapping[str, Any], of: int | None = None) -> tuple[int, int]:
        """The line's number, and how many lines have been queued with it."""
        self._seq += 1
        line: dict[str, Any] = {"seq": self._seq, "line": kind}
        if of is not None:
            line["of"] = of
        line |= data
        line |= {"at": self._at, "at_s": round(self._at / CLOCK_HZ, 3), "wall": iso(self._wall())}
        changed = self._follow(line)
        sealer = self._sealer if kind == "seal" else None
        wall = line["wall"]
        if self.box is not None and kind in BOXED:
            line = lines.boxed(self._seq, line, self.box)
        raw, self._chain = lines.seal(self._chain, line, sealer.sign if sealer is not None else None)
        if changed:
            self._worn = dataclasses.replace(
                self._worn, seq=self._seq, at=self._at, wall=wall, line_chain=self._chain, closed=self._closed
            )
        seq, count = self._seq, self._spool.hand(raw, self._seq, self._mark(worn=changed, key=kind in {"seal", "key"}))
        if self._unsealed == 0:
            self._unsealed_since = time.monotonic()
        self._unsealed += 1
        if kind != "seal" and (self._unsealed >= SEAL_LINES or time.monotonic() - self._unsealed_since > SEAL_S):
            self._seal()
        return seq, count

    def _follow(self, line: Mapping[str, Any]) -> bool:
        """Update what is worn and whether the session is over; True if either changed."""
        if line.get("effect") == "close":
            self._closed = True
            return True
        if line.get("effect") != "note" or line.get("what") != "ledger":
            return False
        after = worn.from_ledger(self._worn, line.get("details"))
        self._worn = after or self._worn
        return after is not None

    def _seal(self, *, last: bool = False) -> None:
        if self._sealer is not None:
            data = {"epoch": self._sealer.epoch, "next": "" if last else self._sealer.public_after(), "last": last}
            self._append("seal", data)
            self._unsealed = 0
            if last:
                self._sealer = None
                self._ended = True

    def _seal_if_due(self) -> None:
        if self._unsealed:
            self._seal()

    def _mark(self, *, worn: bool = False, key: bool = False) -> Mark:
        sealer = self._sealer
        state = (sealer.epoch, sealer.state) if sealer is not None else None
        return Mark(self._seq, self._chain, self._worn, worn, key, state)

    def _take_up(self, before: ExistingLines, *, fresh: bool) -> None:
        """Record what was found on opening: a torn line, a lost key, sound without a line."""
        with self._spool.turn:
            if self.manifest.format == 1:
                return
            if before.torn:
                self._append("torn", {"bytes": len(before.torn), "sha256": manifest.digest(before.torn)})
            if fresh and self._sealer is not None:
                self._append("key", {"public": self._sealer.public(), "why": "the key of the earlier seals is lost"})
        for file, begin, raw in before.sound_without_line(self.folder / AUDIO):
            self.sound(file, begin, raw)

    def _saved(self, marks: tuple[Mark, ...]) -> None:
        self._beside.saved(marks)

    def _continue_in(self, folder: Path) -> None:
        """Continue the lines, and the files beside them, in another folder."""
        self.folder = folder
        self._beside = SideFiles(folder)
        self._beside.begin(self._mark(key=True))

    def _late(self, gap: Gap) -> None:
        if not self._ended:  # nothing follows the end mark
            self._append("gap", gap._asdict())
