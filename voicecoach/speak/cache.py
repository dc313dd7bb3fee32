"""A cache of rendered prompts: one small WAV file each, written atomically and checked when read."""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import tempfile
import time
import wave
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from voicecoach.audio.line import RATE_HZ
from voicecoach.errors import InputError
from voicecoach.system.files import cache_folder, read_bounded

Pcm = NDArray[np.int16]
"""16-bit samples at RATE_HZ, shape (frames,)."""

DIGEST_BYTES = 16
MOST_BYTES = 4_000_000
"""Largest file that is read (bytes): two minutes of sound, longer than any prompt."""
STALE_S = 3600.0
"""A temporary file older than this (s) was left behind by a process that was killed."""


def default_folder() -> Path:
    """The folder of the cache for this user."""
    return cache_folder() / "speech"


class Cache:
    """A folder of prompts by key. It never raises: without a cache it just takes longer.

    A file is a WAV file followed by a digest of itself, which players ignore.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        with contextlib.suppress(OSError):
            folder.mkdir(parents=True, exist_ok=True)
            self._sweep()

    def get(self, key: str) -> Pcm | None:
        """The samples stored under `key`; None if there are none, or the file is damaged."""
        try:
            data = read_bounded(self.folder / f"{key}.wav", MOST_BYTES)
        except InputError:
            return None
        body, digest = data[:-DIGEST_BYTES], data[-DIGEST_BYTES:]
        if len(body) <= 44 or hashlib.blake2b(body, digest_size=DIGEST_BYTES).digest() != digest:
            return None
        return np.frombuffer(body, "<i2", offset=44)  # the digest vouches for the header that `put` wrote

    def put(self, key: str, samples: Pcm) -> None:
        """Store samples under `key`; a reader sees the whole file or none."""
        buffer = io.BytesIO()
        with wave.open(buffer, "wb") as out:
            out.setnchannels(1)
            out.setsampwidth(2)
            out.setframerate(RATE_HZ)
            out.writeframes(samples.astype("<i2").tobytes())
        body = buffer.getvalue()
        name = ""
        try:
            handle, name = tempfile.mkstemp(suffix=".part", dir=self.folder)
            with os.fdopen(handle, "wb") as file:
                file.write(body + hashlib.blake2b(body, digest_size=DIGEST_BYTES).digest())
            Path(name).replace(self.folder / f"{key}.wav")
        except OSError:
            if name:
                Path(name).unlink(missing_ok=True)

    def _sweep(self) -> None:
        for path in self.folder.glob("*.part"):
            if time.time() - path.stat().st_mtime > STALE_S:
                path.unlink(missing_ok=True)
