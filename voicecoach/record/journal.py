"""The journal of a session: every event is on the disk before it is acted on, unless the disk won't have it."""

from __future__ import annotations

import dataclasses
import shutil
import tempfile
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

from voicecoach.errors import InputError, RecordError
from voicecoach.record import disk, lines, manifest
from voicecoach.record.lock import Lock, holder
from voicecoach.record.manifest import Manifest
from voicecoach.session import effects as effect_values
from voicecoach.session import events as event_values
from voicecoach.session.effects import Effect
from voicecoach.session.events import CLOCK_HZ, Event

FILE = "events.jsonl"
AUDIO = "audio"
PATIENCE_S = 0.07
"""So long (s) a reply waits for the disk where a person waits for it; with what else it costs that is under 0.1 s."""
UNHURRIED_S = 10.0
"""The same on the file clock, where nobody waits for a reply: what the wall clock does must not change the session."""
RETRY_S = 0.5


class Written(NamedTuple):
    """seq: the number of the event's line. late: it was not on the disk when patience ran out."""

    seq: int
    late: bool


def now_utc() -> datetime:
    """The wall clock."""
    return datetime.now(UTC)


def iso(moment: datetime) -> str:
    """ISO 8601 in UTC, to the millisecond."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def new_folder(root: Path, wall: Callable[[], datetime] = now_utc) -> Path:
    """A name for a new session below `root` that sorts by time and is not taken yet."""
    stem = wall().astimezone(UTC).strftime("%Y-%m-%dT%H-%M-%SZ")
    folder, count = root / stem, 1
    while folder.exists():
        count += 1
        folder = root / f"{stem}-{count}"
    return folder


def check_root(root: Path) -> None:
    """Make the folder that records are kept in, if it is not there, and see that it takes them.

    Raises:
        InputError: it does not.
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
    """Appends to events.jsonl through a thread of its own, so that a slow disk holds nobody up.

    What the disk won't take is kept, tried again every `retry_s`, and written in order when it can be, followed by a
    'gap' line that says how late. Once open, no method raises. Make one with `create` or `open_existing`.

    Attributes:
        folder: the session's folder. manifest: as written.
    """

    def __init__(
        self,
        folder: Path,
        made_with: Manifest,
        *,
        seq: int,
        at: int,
        chain: str,
        size: int,
        torn: bytes,
        lock: Lock,
        opener: disk.Opener,
        wall: Callable[[], datetime],
        patience_s: float,
        retry_s: float,
    ) -> None:
        self.folder = folder
        self.manifest = made_with
        self._seq, self._chain, self._size, self._torn = seq, chain, size, torn
        self._lock, self._opener, self._wall = lock, opener, wall
        self._patience_s, self._retry_s = patience_s, retry_s
        self._file: disk.LineFile | None = None
        self._queue: deque[bytes] = deque()
        self._at = at
        self._handed = self._saved = 0
        self._trouble: str | None = None
        self._trouble_since = 0.0
        self._trouble_seq = 0
        self._closing = False
        self._turn = threading.Condition()
        self._writer = threading.Thread(target=self._run, name="journal", daemon=True)
        self._writer.start()

    @classmethod
    def create(
        cls,
        folder: Path,
        made_with: Manifest,
        copies: Mapping[str, bytes],
        *,
        opener: disk.Opener = disk.OwnFile,
        wall: Callable[[], datetime] = now_utc,
        patience_s: float | None = None,
        retry_s: float = RETRY_S,
    ) -> Journal:
        """Make a session's folder with manifest, copies and an empty journal.

        Args:
            folder: must not be there yet. made_with: `begun` is set if empty. copies: file name -> bytes, such as
                protocol.yaml, grammar.yaml, site.yaml. opener, wall: for tests. patience_s: longest wait of `write`
                (s); default by the session's source. retry_s: between tries on a disk that fails (s).

        Raises:
            InputError: the folder can't be made or written.
        """
        begun = made_with.begun or iso(wall())
        digests = {name: manifest.digest(data) for name, data in copies.items()}
        made_with = dataclasses.replace(made_with, begun=begun, copies=digests)
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
        except OSError as error:
            lock.release()
            if made:
                shutil.rmtree(folder, ignore_errors=True)
            raise InputError(
                f"cannot be used for a record: {error.strerror or error}",
                where=str(folder),
                expected="a new folder in a place that can be written",
            ) from None
        disk.sync_folder(folder)
        disk.sync_folder(folder.parent)
        return cls(
            folder,
            made_with,
            seq=0,
            at=0,
            chain=lines.first_chain(raw),
            size=0,
            torn=b"",
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
        opener: disk.Opener = disk.OwnFile,
        wall: Callable[[], datetime] = now_utc,
        patience_s: float = PATIENCE_S,
        retry_s: float = RETRY_S,
    ) -> Journal:
        """Go on with a session: numbers and chain continue; a torn last line is put aside in a file of its own.

        Raises:
            RecordError: it can't be read, or a living process has it.
        """
        lock = Lock(folder)
        if folder.is_dir() and not lock.take(wall()):
            raise RecordError(f"is in use by {holder(folder) or 'another process'}", where=str(folder))
        try:
            raw_manifest = (folder / manifest.FILE).read_bytes()
            made_with = manifest.from_bytes(raw_manifest, str(folder / manifest.FILE))
            raw = (folder / FILE).read_bytes()
        except OSError as error:
            lock.release()
            raise RecordError(
                f"cannot be read: {error.strerror or error}", where=str(folder), expected="a session's folder"
            ) from None
        except RecordError:
            lock.release()
            raise
        kept = raw[: raw.rfind(b"\n") + 1]
        seq, at, chain = 0, 0, lines.first_chain(raw_manifest)
        for line in kept.split(b"\n")[:-1]:
            found = lines.unseal(chain, line)
            chain = found.chain
            data = found.data or {}
            seq = max(seq + 1, lines.whole_number(data, "seq"))
            at = max(at, lines.whole_number(data, "at"))
        return cls(
            folder,
            made_with,
            seq=seq,
            at=at,
            chain=chain,
            size=len(kept),
            torn=raw[len(kept) :],
            lock=lock,
            opener=opener,
            wall=wall,
            patience_s=patience_s,
            retry_s=retry_s,
        )

    @property
    def trouble(self) -> str | None:
        """What keeps the journal from the disk at the moment, in plain words; None if all is well."""
        return self._trouble

    @property
    def unsaved(self) -> int:
        """Lines that are not on the disk yet."""
        return self._handed - self._saved

    def write(self, event: Event) -> Written:
        """Put an event on the disk; call this before it is acted on.

        Waits at most `patience_s`, and not at all while there is trouble already.
        """
        with self._turn:
            self._at = event.at
            seq = self._append("event", event_values.to_json(event))
            mine = self._handed
            if self._trouble is None:
                self._turn.wait_for(lambda: self._saved >= mine or self._trouble is not None, self._patience_s)
                if self._saved < mine and self._trouble is None:
                    self._begin_trouble("the disk is slow", seq)
            return Written(seq, self._saved < mine)

    def write_effects(self, seq: int, effects: Iterable[Effect]) -> None:
        """Put down what event `seq` led to, a line each. Does not wait: the events alone give the effects again."""
        with self._turn:
            for effect in effects:
                self._append("effect", effect_values.to_json(effect), of=seq)

    def close(self, wait_s: float = 2.0) -> bool:
        """Write what is left and let the folder go; False if lines had to be given up after `wait_s`."""
        with self._turn:
            self._closing = True
            self._turn.notify_all()
        self._writer.join(wait_s)
        self._lock.release()
        return self.unsaved == 0

    def _append(self, kind: str, data: Mapping[str, Any], of: int | None = None) -> int:
        self._seq += 1
        line: dict[str, Any] = {"seq": self._seq, "line": kind}
        if of is not None:
            line["of"] = of
        line |= data
        line |= {"at": self._at, "at_s": round(self._at / CLOCK_HZ, 3), "wall": iso(self._wall())}
        raw, self._chain = lines.seal(self._chain, line)
        self._queue.append(raw)
        self._handed += 1
        self._turn.notify_all()
        return self._seq

    def _begin_trouble(self, what: str, seq: int) -> None:
        self._trouble, self._trouble_since, self._trouble_seq = what, time.monotonic(), seq

    def _run(self) -> None:
        while True:
            with self._turn:
                self._turn.wait_for(lambda: bool(self._queue) or self._closing)
                batch = tuple(self._queue)
            if not batch:
                break
            try:
                self._save(b"".join(batch))
            except (OSError, ValueError) as error:
                self._failed(error)
                if self._closing:
                    break
                continue
            with self._turn:
                for _ in batch:
                    self._queue.popleft()
                self._saved += len(batch)
                if self._trouble is not None:
                    self._end_trouble()
                self._turn.notify_all()
        if self._file is not None:
            with suppress(OSError):
                self._file.close()

    def _save(self, data: bytes) -> None:
        if self._torn:
            name = f"torn-{manifest.digest(self._torn)[:12]}.bin"
            disk.write_whole(self.folder / name, self._torn)
            self._torn = b""
        if self._file is None:
            self._file = self._opener(self.folder / FILE)
            size = self._file.size()
            if size > self._size:  # a part of a line from a try that failed, or a torn line that was put aside
                self._file.cut(self._size)
            self._size = min(size, self._size)
        self._file.write(data)
        self._file.sync()
        self._size += len(data)

    def _failed(self, error: Exception) -> None:
        why = getattr(error, "strerror", None) or str(error)
        with self._turn:
            if self._trouble is None:
                self._begin_trouble("", self._seq - len(self._queue) + 1)
            self._trouble = f"the record cannot be written: {why}"
            self._turn.notify_all()
        # what a failed sync left in the file is not to be trusted: open anew, cut, write again
        if self._file is not None:
            with suppress(OSError, ValueError):
                self._file.close()
            self._file = None
        with self._turn:
            self._turn.wait_for(lambda: self._closing, self._retry_s)

    def _end_trouble(self) -> None:
        late_s = round(time.monotonic() - self._trouble_since, 3)
        last = self._seq - len(self._queue)
        gap = {"why": self._trouble, "first": self._trouble_seq, "last": last, "late_s": late_s}
        self._trouble = None
        self._append("gap", gap)
