"""The English model for Vosk: fetched once from its publisher, verified, and unpacked in one step."""

from __future__ import annotations

import json
import os
import re
import shutil
import stat
import tempfile
import time
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path, PurePosixPath

from voicecoach.errors import InputError
from voicecoach.system.files import data_folder

NAME = "vosk-model-small-en-us-0.15"
URL = f"https://alphacephei.com/vosk/models/{NAME}.zip"
SIZE = 41_205_931
"""Size of the zip (bytes)."""

SHA256 = "30f26242c4eb449f948e42cb302dd7a686cb29a3423a8367f99ff41780942498"
"""Digest of the zip, the same in several independent public sources. The publisher does not sign it."""

VARIABLE = "VOICECOACH_VOSK_MODEL"
BY_HAND = f"fetch {URL}, unpack it, and name the folder with --model or {VARIABLE}"

MAX_UNPACKED = 400_000_000
MAX_FILES = 500
CONTENTS = "voicecoach-contents.json"
PART = ".part-"
ROUNDED = 100_000
"""Tolerance of the size (bytes), because the last piece is counted as a full one."""
WITHIN_S = 1800.0
"""A fetch that takes longer than this is abandoned (s): even at 25 kB a second it would be done."""
_NAMED = re.compile(r"vosk[-_]model[-_](?:small[-_])?([a-z]{2})(?:[-_]|$)")
_LIKE = {"cn": "zh", "ua": "uk"}
"""Countries whose codes the publisher uses for languages."""
_NEEDED = ("am/final.mdl", "conf/mfcc.conf", "graph/HCLr.fst")

DownloadProgress = Callable[[int, int], None]
"""Called with the bytes fetched and the total."""

Fetcher = Callable[[Path, DownloadProgress | None], Path]
"""Fetches the zip into a folder; the path of the file."""


def folder() -> Path:
    """The folder of fetched models; nothing is written outside it."""
    return data_folder() / "models"


def where() -> Path:
    """The folder of the fetched model, whether or not it exists."""
    return folder() / NAME


def is_model(path: Path) -> bool:
    """Whether a folder looks like a Vosk model that takes a grammar."""
    return all((path / name).is_file() for name in _NEEDED)


def language_of(path: Path) -> str:
    """The language that a model's folder is named for, as its publisher names them (vosk-model-small-en-us-0.15):
    'en'; '' if its name does not tell.
    """
    named = _NAMED.match(path.name)
    return _LIKE.get(named[1], named[1]) if named else ""


def find(model: str | None = None) -> Path | None:
    """The model to use: `model` (from --model), else the one in VOICECOACH_VOSK_MODEL, else the fetched one.

    Returns:
        Its folder, or None when there is none.

    Raises:
        InputError: a folder was named that is not a model.
    """
    for named, option in ((model, "--model"), (os.environ.get(VARIABLE), VARIABLE)):
        if named:
            path = Path(named).expanduser()
            if not is_model(path):
                raise InputError(
                    "is not a Vosk model", where=f"{option} {named}", expected="a folder with " + ", ".join(_NEEDED)
                )
            return path
    return where() if is_model(where()) else None


def get(progress: DownloadProgress | None = None, fetch: Fetcher | None = None) -> Path:
    """Fetch, verify and unpack the model, unless it is installed; leftovers of earlier attempts are removed.

    Args:
        progress: called as bytes arrive. fetch: another way to get the zip.

    Returns:
        Its folder.

    Raises:
        InputError: it cannot be fetched, is not the expected file, or cannot be written.
    """
    target = where()
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        for left in target.parent.glob(f"{PART}*"):
            shutil.rmtree(left, ignore_errors=True)
        if is_model(target) and not verify():
            return target
        part = Path(tempfile.mkdtemp(prefix=PART, dir=target.parent))
        try:
            archive = (fetch or _fetch)(part, progress)
            unpacked = _unpack(archive, part / "unpacked")
            if target.exists():
                target.rename(part / "damaged")
            unpacked.rename(target)
        finally:
            shutil.rmtree(part, ignore_errors=True)
    except OSError as error:
        raise InputError(f"cannot be written: {error.strerror or error}", where=str(target)) from None
    return target


def verify() -> list[str]:
    """Compare the files of the fetched model with what was unpacked.

    Returns:
        One line per fault; empty if every file is unchanged.

    Raises:
        InputError: no model has been fetched.
    """
    target = where()
    if not target.is_dir():
        raise InputError("no model has been fetched", where=str(target), mend="run voicecoach model get")
    try:
        listed = json.loads((target / CONTENTS).read_text(encoding="utf-8"))
        expected = {str(name): int(crc) for name, crc in listed.items()}
    except (OSError, ValueError, AttributeError, TypeError):
        return [f"{CONTENTS}: is missing or damaged"]
    faults = []
    for name, crc in expected.items():
        try:
            if _crc(target / name) != crc:
                faults.append(f"{name}: was changed")
        except OSError as error:
            faults.append(f"{name}: {error.strerror}")
    return faults


def _fetch(part: Path, progress: DownloadProgress | None) -> Path:
    import pooch  # noqa: PLC0415 it and requests take 0.2 s to load

    pooch.get_logger().setLevel("ERROR")
    downloader = pooch.HTTPDownloader(progressbar=_Bar(progress or (lambda _, __: None)), timeout=30)
    try:
        fetched = Path(pooch.retrieve(URL, f"sha256:{SHA256}", f"{NAME}.zip", part, downloader=downloader))
    except OSError as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(f"cannot be fetched: {reason}", where=URL, mend=BY_HAND) from None
    except ValueError as error:
        raise InputError(f"is not the expected file: {error}", where=URL, mend=BY_HAND) from None
    size = fetched.stat().st_size
    if size != SIZE:
        raise InputError(f"has {size:,} bytes", where=URL, expected=f"{SIZE:,}", mend=BY_HAND)
    return fetched


class _Bar:
    """A progress bar as pooch expects it; it also ends a fetch that grows too large or takes too long."""

    def __init__(self, progress: DownloadProgress, now: Callable[[], float] = time.monotonic) -> None:
        self._progress, self._now = progress, now
        self._done = 0
        self._end_s = now() + WITHIN_S
        self.total = SIZE

    def update(self, count: int) -> None:
        self._done += count
        if self._done > SIZE + ROUNDED:
            raise OSError(f"is larger than the {SIZE:,} bytes expected")
        if self._now() > self._end_s:
            raise OSError(f"took longer than {WITHIN_S / 60:g} minutes: got {self._done:,} of {SIZE:,} bytes")
        self._progress(min(self._done, self.total), self.total)

    def reset(self) -> None:
        self._done = 0

    def close(self) -> None:
        pass


def _unpack(archive: Path, into: Path) -> Path:
    """Unpack a zip of one folder NAME. Reading a member to its end checks its CRC.

    Raises:
        InputError: a member would be put elsewhere, is damaged, or is not a plain file.
    """
    contents: dict[str, int] = {}
    try:
        with zipfile.ZipFile(archive) as opened:
            members = [member for member in opened.infolist() if not member.is_dir()]
            if len(members) > MAX_FILES or sum(member.file_size for member in members) > MAX_UNPACKED:
                raise InputError("unpacks to too much", where=archive.name, expected=f"at most {MAX_UNPACKED:,} bytes")
            for member in members:
                name = _inner_name(member, archive.name)
                if name in contents:
                    raise InputError(f"has {name!r} twice", where=archive.name)
                path = into / NAME / name
                path.parent.mkdir(parents=True, exist_ok=True)
                with opened.open(member) as source, path.open("xb") as sink:
                    shutil.copyfileobj(source, sink)
                contents[name] = member.CRC
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as error:
        raise InputError(f"is damaged: {error}", where=archive.name, mend="run voicecoach model get") from None
    if not is_model(into / NAME):
        raise InputError("does not hold a Vosk model", where=archive.name, expected=", ".join(_NEEDED))
    (into / NAME / CONTENTS).write_text(json.dumps(contents, indent=0), encoding="utf-8")
    return into / NAME


def _inner_name(member: zipfile.ZipInfo, archive: str) -> str:
    """A member's path inside the folder NAME, if it is one."""
    path = PurePosixPath(member.filename)
    kind = stat.S_IFMT(member.external_attr >> 16)
    plain = kind in {0, stat.S_IFREG} and not set(member.filename) & set('\\:*?"<>|\0')
    if not plain or path.is_absolute() or len(path.parts) < 2 or path.parts[0] != NAME or ".." in path.parts:
        raise InputError(
            f"has a file that may not be unpacked: {member.filename!r}", where=archive, expected=f"files in {NAME}/"
        )
    return str(PurePosixPath(*path.parts[1:]))


def _crc(path: Path) -> int:
    value = 0
    with path.open("rb") as file:
        while data := file.read(1 << 20):
            value = zlib.crc32(data, value)
    return value
