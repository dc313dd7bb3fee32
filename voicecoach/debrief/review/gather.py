"""Finds the records below some folders, and reads those that are new on all cores."""

from __future__ import annotations

import json
import os
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

from voicecoach.errors import InputError, RecordError
from voicecoach.record import manifest
from voicecoach.record.lines import FILE

DEPTH = 4
"""How many levels of folders are searched for records."""
CHUNK = 25
"""Sessions per task of a worker."""
AGAIN = "to be read again"
"""The stamp of a record that could not be read, because a key may open it next time."""
FEW = 12
"""Up to this many sessions are read faster than workers could start."""


@dataclass(frozen=True, slots=True)
class RecordFolder:
    """A folder that may hold a record. stamp: changes when the record does. reason: why it cannot be one, or ''."""

    path: str
    stamp: str
    reason: str = ""


@dataclass(frozen=True, slots=True)
class FolderResult:
    """The result of reading one folder: the session's name ('' if it could not be read) and what is wrong with it."""

    path: str
    stamp: str
    session: str
    reason: str
    protocol: str = ""


def find(roots: Iterable[Path]) -> tuple[RecordFolder, ...]:
    """Every folder below `roots` that holds a record, or part of one, by path.

    Raises:
        InputError: a root is not a folder.
    """
    found: dict[str, RecordFolder] = {}
    for root in roots:
        if not root.is_dir():
            raise InputError("is not a folder", where=str(root), expected="a folder of sessions")
        for one in _below(root, DEPTH, top=True):
            found.setdefault(one.path, one)
    return tuple(found[path] for path in sorted(found))


def _below(folder: Path, depth: int, *, top: bool = False) -> Iterator[RecordFolder]:
    try:
        entries = sorted(os.scandir(folder), key=lambda entry: entry.name)
    except OSError as error:
        yield RecordFolder(str(folder), "", f"cannot be read: {error.strerror or error}")
        return
    names = {entry.name for entry in entries}
    if manifest.FILE in names or FILE in names:
        missing = [name for name in (manifest.FILE, FILE) if name not in names]
        reason = f"is incomplete: {' and '.join(missing)} missing" if missing else ""
        yield RecordFolder(str(folder), _stamp(folder), reason)
        return
    folders = []
    for entry in entries:
        if entry.name.startswith("."):
            continue
        if entry.is_symlink():
            if not top or entry.is_dir():
                yield RecordFolder(entry.path, "", "is a link, which is not followed")
        elif entry.is_dir():
            folders.append(entry)
    if not folders and not top:
        yield RecordFolder(str(folder), "", "does not hold a session")
    if not depth:
        return
    for entry in folders:
        yield from _below(Path(entry.path), depth - 1)


def _stamp(folder: Path) -> str:
    parts = []
    for name in (manifest.FILE, FILE):
        try:
            about = (folder / name).lstat()
            parts.append(f"{about.st_size}-{about.st_mtime_ns}")
        except OSError:
            parts.append("none")
    return "/".join(parts)


def read_all(
    found: Sequence[RecordFolder],
    target: Path,
    on_progress: Callable[[int, int], None] | None = None,
    key: bytes | None = None,
) -> Iterator[FolderResult]:
    """Read these folders and write their rows below `target` as lines of JSON: TABLE-NUMBER.json.

    Args:
        found: those without a `reason`. target: an empty folder. on_progress: called with the number read and the
            total. key: of encrypted records.
    """
    chunks = [(n, found[n : n + CHUNK], target, key) for n in range(0, len(found), CHUNK)]
    done = 0
    if len(found) <= FEW:
        results: Iterable[list[FolderResult]] = map(_read_chunk, chunks)
        for result in results:
            yield from result
        return
    workers = min(len(chunks), os.process_cpu_count() if hasattr(os, "process_cpu_count") else os.cpu_count() or 1)
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        for result in pool.map(_read_chunk, chunks):
            yield from result
            done += len(result)
            if on_progress is not None:
                on_progress(done, len(found))


def _read_chunk(task: tuple[int, Sequence[RecordFolder], Path, bytes | None]) -> list[FolderResult]:
    from voicecoach.debrief.review.rows import rows, weights  # noqa: PLC0415 a review without new records needs neither
    from voicecoach.record.read import read  # noqa: PLC0415 likewise

    number, found, target, key = task
    results = []
    texts: defaultdict[str, list[str]] = defaultdict(list)
    weighed: set[str] = set()
    for one in found:
        try:
            session = read(Path(one.path), key)
        except RecordError as error:
            results.append(FolderResult(one.path, AGAIN, "", error.line()))
            continue
        name = manifest.digest(session.manifest.to_bytes())[:16]  # so that a copy in another folder has the same name
        for table, made in rows(session, name).items():
            texts[table] += map(json.dumps, made)
        protocol = session.manifest.protocol
        if protocol not in weighed:
            weighed.add(protocol)
            texts["weights"] += map(json.dumps, weights(session))
        results.append(FolderResult(one.path, one.stamp, name, " ".join(session.remarks), protocol))
    for table, lines in texts.items():
        (target / f"{table}-{number:06d}.json").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return results
