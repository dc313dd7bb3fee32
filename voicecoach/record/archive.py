"""A session's folder as one zip file, without its sound, and with a digest of every file in it."""

from __future__ import annotations

import io
import json
import zipfile
from pathlib import Path
from typing import NamedTuple

from voicecoach.errors import InputError, RecordError
from voicecoach.record import disk, lines, lock, manifest
from voicecoach.record.chain import Chain
from voicecoach.record.journal import AUDIO
from voicecoach.record.lines import FILE

HASHES = "hashes.json"
LARGEST = 200_000_000
"""The most that an archive may unpack to, and its largest file (bytes)."""


def pack(folder: Path, target: Path) -> tuple[str, ...]:
    """Write a session's folder, without sound and lock, into a new zip file.

    Returns:
        The names in it.

    Raises:
        RecordError: the folder cannot be read. InputError: the file exists or cannot be written.
    """
    if target.exists():
        raise InputError("already exists", where=str(target), expected="a new file")
    try:
        names = sorted(path.name for path in folder.iterdir() if disk.there(path) and path.name != lock.NAME)
        contents = {name: disk.read_file(folder / name, LARGEST) for name in names}
    except OSError as error:
        raise RecordError(f"cannot be read: {error.strerror or error}", where=str(folder)) from None
    if not {manifest.FILE, FILE} <= contents.keys():
        raise RecordError("is not a session", where=str(folder), expected=f"a folder with {manifest.FILE} and {FILE}")
    digests = {name: manifest.digest(data) for name, data in contents.items()}
    contents[HASHES] = json.dumps({"files": digests, "left out": f"{AUDIO}/"}, indent=1).encode()
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in contents.items():
            info = zipfile.ZipInfo(f"{folder.name}/{name}")  # dated 1980: the same record gives the same file
            info.compress_type = zipfile.ZIP_DEFLATED
            info.external_attr = 0o600 << 16
            archive.writestr(info, data)
    try:
        disk.write_whole(target, packed.getvalue())
    except OSError as error:
        raise InputError(f"cannot be written: {error.strerror or error}", where=str(target)) from None
    return tuple(contents)


class ArchiveState(NamedTuple):
    """The state of an archive. wrong: what is wrong with it, a sentence each. ended: its last line is the end mark."""

    wrong: tuple[str, ...]
    lines: int
    ended: bool


def verify(target: Path) -> ArchiveState:
    """Check that an archive is as it was packed and its lines are as they were written. It holds no sound.

    Raises:
        InputError: it is not an archive of a session.
    """
    try:
        contents = _contents(target)
        listed = json.loads(contents.pop(HASHES))["files"].items()
    except (OSError, zipfile.BadZipFile, KeyError, ValueError, AttributeError, TypeError, NotImplementedError) as error:
        why = getattr(error, "strerror", None) or error
        what, wanted = f"is not an archive of a session: {why}", "a record's folder, or a file from 'voicecoach pack'"
        raise InputError(what, where=str(target), expected=wanted) from None
    wrong = []
    digests = {name: manifest.digest(data) for name, data in contents.items()}
    for name, digest in listed:
        if name not in digests:
            wrong.append(f"{name} is missing.")
        elif digests.pop(name) != digest:
            wrong.append(f"{name} was changed.")
    wrong += [f"{name} was added." for name in digests]
    if not {manifest.FILE, FILE} <= contents.keys():
        return ArchiveState(tuple(wrong), 0, ended=False)
    raw = contents[manifest.FILE]
    try:
        public = manifest.from_bytes(raw, manifest.FILE).public or None
    except RecordError as error:
        wrong.append(f"{manifest.FILE}: {error.what}.")
        public = None
    chain = Chain(lines.first_chain(raw), public)
    *whole, torn = contents[FILE].split(b"\n")
    broken = [f"{FILE}, line {number}: {what}." for number, text in enumerate(whole, 1) for what in chain.take(text)]
    wrong += broken[:1]
    if torn:
        wrong.append(f"The last line of {FILE} is cut off.")
    return ArchiveState(tuple(wrong), chain.seen.count, chain.seen.ended or (public is None and chain.seen.closed))


def _contents(target: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(target) as archive:
        infos = archive.infolist()
        if sum(info.file_size for info in infos) > LARGEST:
            raise ValueError(f"it would unpack to more than {LARGEST:,} bytes")
        names = [info.filename.rpartition("/")[2] for info in infos]
        if len(set(names)) < len(names):
            raise ValueError("it holds two files of one name")
        return {name: archive.read(info) for name, info in zip(names, infos, strict=True)}
