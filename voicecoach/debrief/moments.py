"""The kept sound of a session, as stretches that can be played."""

from __future__ import annotations

import io
import os
import re
import wave
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.debrief.story import utterances
from voicecoach.errors import InputError, RecordError
from voicecoach.record.box import SUFFIX
from voicecoach.record.read import Session
from voicecoach.record.sound import AUDIO, read_sound
from voicecoach.system.files import open_plain

CLIP = re.compile(r"clip-(\d{1,15})-(\d{1,15})(?:-\d+)?\.wav(?:\.box)?")
FULL = re.compile(r"full-(\d{1,15})(?:-\d+)?\.wav(?:\.box)?")
PAD_S = 0.5


@dataclass(frozen=True, slots=True)
class Moment:
    """A stretch of kept sound. begin, end: samples of the session. name: its file. start: the file's first sample."""

    begin: int
    end: int
    name: str
    start: int

    @property
    def begin_s(self) -> float:
        """Its beginning (s)."""
        return self.begin / RATE_HZ

    @property
    def end_s(self) -> float:
        """Its end (s)."""
        return self.end / RATE_HZ


def moments(session: Session) -> tuple[Moment, ...]:
    """What can be played, by time: each clip, or, of sound kept in full, each utterance with its surroundings."""
    return tuple(sorted(_moments(session), key=lambda moment: (moment.begin, moment.end)))


def _moments(session: Session) -> Iterator[Moment]:
    whole: list[Moment] = []
    for path in _files(session.folder / AUDIO):
        if match := CLIP.fullmatch(path.name):
            begin, end = int(match[1]), int(match[2])
            if begin < end:
                yield Moment(begin, end, path.name, begin)
        elif match := FULL.fullmatch(path.name):
            start = int(match[1])
            whole.append(Moment(start, start + _frames(session, path.name), path.name, start))
    pad = int(PAD_S * RATE_HZ)
    for one in utterances(session) if whole else ():
        begin, end = int(one.begin_s * RATE_HZ) - pad, int(one.end_s * RATE_HZ) + pad
        for file in whole:
            if max(begin, file.begin) < min(end, file.end):
                yield Moment(max(begin, file.begin), min(end, file.end), file.name, file.start)


def _files(folder: Path) -> list[Path]:
    """The plain files in a folder; links are not followed."""
    try:
        if folder.is_symlink():
            return []
        return sorted(path for path in folder.iterdir() if path.is_file() and not path.is_symlink())
    except OSError:
        return []


def _frames(session: Session, name: str) -> int:
    try:
        with _open(session, name) as file:
            return file.getnframes()
    except RecordError:
        return 0


@contextmanager
def _open(session: Session, name: str) -> Iterator[wave.Wave_read]:
    """A sound file, decrypted if need be; of a plain file only what is needed is read.

    Raises:
        RecordError: it cannot be read, or is not at RATE_HZ.
    """
    path = session.folder / AUDIO / name
    boxed = name.endswith(SUFFIX)
    try:
        source: Any = (
            io.BytesIO(read_sound(session.folder, name, session.box)) if boxed else os.fdopen(open_plain(path), "rb")
        )
        with source, wave.open(source, "rb") as file:
            if file.getframerate() != RATE_HZ or file.getsampwidth() != 2:
                raise RecordError("is not 16-bit sound at 16 kHz", where=str(path))
            yield file
    except (OSError, EOFError, wave.Error, InputError) as error:
        why = getattr(error, "strerror", None) or error
        raise RecordError(f"cannot be read: {why}", where=str(path)) from None


def between(sounds: Sequence[Moment], begin_s: float, end_s: float) -> tuple[int, ...]:
    """Indices in `sounds`, which are sorted by time, of those that overlap a stretch of the session."""
    last = bisect_right(sounds, end_s, key=lambda moment: moment.begin_s)
    return tuple(n for n in range(max(0, last - 400), last) if sounds[n].end_s > begin_s)


def samples_of(session: Session, moment: Moment) -> Samples:
    """The sound of a moment, shape (frames, channels), at RATE_HZ.

    Raises:
        RecordError: the file cannot be read.
    """
    with _open(session, moment.name) as file:
        file.setpos(min(moment.begin - moment.start, file.getnframes()))
        raw = file.readframes(moment.end - moment.begin)
        return np.frombuffer(raw, "<i2").reshape(-1, file.getnchannels()).astype(np.float32) / np.float32(32768)


def wav_bytes(samples: Samples) -> bytes:
    """A WAV file of 16-bit PCM."""
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setparams((samples.shape[1], 2, RATE_HZ, 0, "NONE", "not compressed"))
        file.writeframes((np.clip(samples, -1, 1) * 32767).astype("<i2").tobytes())
    return out.getvalue()
