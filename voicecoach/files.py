"""Files that people hand in, read within bounds; and the folders where the program's own things are kept."""

from __future__ import annotations

import os
import stat
import warnings
from pathlib import Path

import platformdirs

from voicecoach.errors import InputError

NAME = "voicecoach"
NOWHERE = Path(os.devnull) / NAME
"""Where nothing can be written: in place of a folder for which there is no home."""

_FLAGS = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)


def read_bounded(path: Path, limit: int, expected: str = "a file") -> bytes:
    """The bytes of a plain file.

    Args:
        path: a pipe or a device is refused at once, since reading one may never end. limit: most bytes.
        expected: for messages.

    Raises:
        InputError: it cannot be read, is no plain file, or is larger.
    """
    try:
        with os.fdopen(open_plain(path, expected), "rb") as file:
            data = file.read(limit + 1)
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror or error}", where=str(path), expected=expected) from None
    if len(data) > limit:
        raise InputError("is too large", where=str(path), expected=f"at most {limit:,} bytes")
    return data


def open_plain(path: Path, expected: str = "a file") -> int:
    """A file descriptor of a plain file, for reading; opening a pipe or a device does not wait.

    Raises:
        InputError: it is no plain file. OSError: it cannot be opened.
    """
    try:
        fd = os.open(path, _FLAGS)
    except ValueError as error:  # a zero byte in the name
        raise InputError(f"is no name of a file: {error}", where=ascii(str(path)), expected=expected) from None
    mode = os.fstat(fd).st_mode
    if stat.S_ISREG(mode):
        return fd
    os.close(fd)
    what = "it is a folder" if stat.S_ISDIR(mode) else "it is a pipe or a device, which may never end"
    raise InputError(f"cannot be read: {what}", where=str(path), expected=expected)


def is_file(path: Path) -> bool:
    """Whether there is such a file, or pipe or device; False also for a name that no file can have."""
    try:
        return path.exists() and not path.is_dir()
    except (OSError, ValueError):
        return False


def data_folder() -> Path:
    """Of records and models; NOWHERE without a home."""
    return _kept(platformdirs.user_data_path)


def cache_folder() -> Path:
    """Of what can be made again; NOWHERE without a home."""
    return _kept(platformdirs.user_cache_path)


def runtime_folder() -> Path:
    """Of what only running processes of this user on this machine need."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it tells of a folder that others may read, and takes another
        return platformdirs.user_runtime_path(NAME, appauthor=False)


def _kept(find: object) -> Path:
    try:
        path: Path = find(NAME, appauthor=False)  # type: ignore[operator]
    except (RuntimeError, KeyError, OSError):
        return NOWHERE
    return path if path.is_absolute() else NOWHERE
