"""A record's sound: what its lines say about it, and whether the files agree."""

from __future__ import annotations

import hashlib
import io
import os
import stat
import wave
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from voicecoach.audio.line import RATE_HZ
from voicecoach.errors import RecordError
from voicecoach.record import disk
from voicecoach.record.box import SUFFIX, Box
from voicecoach.record.chain import SoundLine

AUDIO = "audio"
HEADER_BYTES = 44
_PIECE = 1 << 20


def header(channels: int, size: int) -> bytes:
    """The header of a WAV file of 16-bit PCM at the line's rate with `size` bytes of samples."""
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setparams((channels, 2, RATE_HZ, 0, "NONE", "not compressed"))
        file.writeframes(b"")
    raw = bytearray(out.getvalue()[:HEADER_BYTES])
    raw[4:8], raw[40:44] = (size + 36).to_bytes(4, "little"), size.to_bytes(4, "little")
    return bytes(raw)


def sound_findings(folder: Path, mentioned: Mapping[str, Sequence[SoundLine]]) -> Iterator[tuple[str, str]]:
    """What is wrong with the files in audio/: the file, and what it is or has."""
    place = folder / AUDIO
    names: set[str] = set()
    if place.is_dir() and not place.is_symlink():
        names = {path.name for path in place.iterdir()}
    for name, parts in mentioned.items():
        shown = f"{AUDIO}/{name}"
        if Path(name).name != name:
            yield shown, "is a name outside the folder"
        elif name not in names:
            if parts:
                yield shown, f"is missing; line {parts[0].number} mentions it"
        elif not parts:
            yield shown, "exists although the record says it was deleted"
        elif wrong := _wrong(place / name, parts):
            yield shown, wrong
    for name in sorted(names - set(mentioned)):
        yield f"{AUDIO}/{name}", "is not mentioned by any line"


def _wrong(path: Path, parts: Sequence[SoundLine]) -> str:
    try:
        fd = os.open(path, os.O_RDONLY | disk.CAREFUL)
    except OSError as error:
        return f"cannot be read: {error.strerror or error}"
    with os.fdopen(fd, "rb") as file:
        found = os.fstat(fd)
        return _wrong_bytes(file, found.st_size, parts) if stat.S_ISREG(found.st_mode) else "is not a plain file"


def _wrong_bytes(file: io.BufferedReader, size: int, parts: Sequence[SoundLine]) -> str:
    begin = end = parts[0].begin
    for part in parts:
        if part.begin != end:
            return f"has bytes {end:,} to {part.begin:,} that no line mentions"
        end += part.size
        file.seek(part.begin)
        if end > size or _digest(file, part.size) != part.sha256:
            return f"was changed: bytes {part.begin:,} to {end:,} are not those of line {part.number}"
    if size != end:
        return f"has {size:,} bytes where the lines say {end:,}"
    file.seek(0)
    if begin and (begin != HEADER_BYTES or file.read(begin) not in {header(n, end - begin) for n in (1, 2)}):
        return "has a damaged header"
    return ""


def _digest(file: io.BufferedReader, size: int) -> str:
    found = hashlib.sha256()
    while size > 0 and (piece := file.read(min(size, _PIECE))):
        found.update(piece)
        size -= len(piece)
    return found.hexdigest()


def read_sound(folder: Path, name: str, box: Box | None = None) -> bytes:
    """A WAV file in audio/, decrypted if need be.

    Raises:
        RecordError: it is missing or damaged, or `box` does not decrypt it.
    """
    path = folder / AUDIO / name
    if Path(name).name != name:
        raise RecordError("is a name outside the folder", where=str(path))
    raw = disk.read_file(path, 1 << 32)
    if not name.endswith(SUFFIX):
        return raw
    if box is None:
        raise RecordError("is encrypted", where=str(path), mend="give its key with --key FILE")
    parts = box.frames(raw)
    if not parts or not all(parts):
        raise RecordError("is damaged: part of it cannot be decrypted", where=str(path))
    pcm = b"".join(part[1:] for part in parts)
    return header(parts[0][0], len(pcm)) + pcm
