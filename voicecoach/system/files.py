"""Bounded reading of files that people supply, and the folders for the program's own files."""

from __future__ import annotations

import os
import stat
import warnings
from pathlib import Path

import platformdirs

from voicecoach.errors import InputError

NAME = "voicecoach"
NOWHERE = Path(os.devnull) / NAME
"""A path that cannot be written; it stands for the user's folders if there is no home directory."""

_FLAGS = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)


def read_bounded(path: Path, limit: int, expected: str = "a file") -> bytes:
    """The bytes of a plain file.

    Args:
        path: pipes and devices are refused at once, since reading one may never end. limit: largest size (bytes).
        expected: for messages.

    Raises:
        InputError: the file cannot be read, is not a regular file, or is larger than `limit`.
    """
    try:
        with os.fdopen(open_plain(path, expected), "rb") as file:
            data = file.read(limit + 1)
    except OSError as error:
        raise InputError(why_unreadable(error), where=str(path), expected=expected) from None
    if len(data) > limit:
        raise InputError("is too large", where=str(path), expected=f"at most {limit:,} bytes")
    return data


def open_plain(path: Path, expected: str = "a file") -> int:
    """Open a regular file for reading and return its descriptor; never blocks on a pipe or a device.

    Raises:
        InputError: not a regular file. OSError: it cannot be opened.
    """
    try:
        fd = os.open(path, _FLAGS)
    except ValueError as error:  # a null byte in the name
        raise InputError(f"is not a file name: {error}", where=ascii(str(path)), expected=expected) from None
    mode = os.fstat(fd).st_mode
    if stat.S_ISREG(mode):
        return fd
    os.close(fd)
    what = "it is a folder" if stat.S_ISDIR(mode) else "it is a pipe or a device, which may never end"
    raise InputError(f"cannot be read: {what}", where=str(path), expected=expected)


def why_unreadable(error: OSError) -> str:
    """An error of reading a file, for a message."""
    return "does not exist" if isinstance(error, FileNotFoundError) else f"cannot be read: {error.strerror or error}"


def is_file(path: Path) -> bool:
    """Whether a file, pipe or device of that name exists; False for a name that no file can have."""
    try:
        return path.exists() and not path.is_dir()
    except (OSError, ValueError):
        return False


def is_folder(path: Path) -> bool:
    """Whether a folder of that name exists; False for a name that no folder can have."""
    try:
        return path.is_dir()
    except (OSError, ValueError):
        return False


def data_folder() -> Path:
    """The folder for records and models; NOWHERE without a home directory."""
    return _user_folder(platformdirs.user_data_path)


def cache_folder() -> Path:
    """The folder for files that can be recreated; NOWHERE without a home directory."""
    return _user_folder(platformdirs.user_cache_path)


def runtime_folder() -> Path:
    """The folder for files that only this user's running processes need."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns about a folder that others can read, and then uses another
        return platformdirs.user_runtime_path(NAME, appauthor=False)


def _user_folder(find: object) -> Path:
    try:
        path: Path = find(NAME, appauthor=False)  # type: ignore[operator]
    except (RuntimeError, KeyError, OSError):
        return NOWHERE
    return path if path.is_absolute() else NOWHERE
