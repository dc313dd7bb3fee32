"""A finished and an open record, and random damages to them: what the tests and the bench of damage share."""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np

from voicecoach.audio.line import RATE_HZ, Block
from voicecoach.record.clips import ClipKeeper
from voicecoach.record.journal import Journal
from voicecoach.record.lines import FILE
from voicecoach.record.manifest import Manifest
from voicecoach.session.effects import Close, Note, Say
from voicecoach.session.events import Heard, Opened, PromptEnded

COPIES = {"protocol.yaml": b"protocol: gown\n" * 40, "grammar.yaml": b"grammar: en\n" * 40}


def make(folder: Path, *, finished: bool, steps: int = 24, sound: bool = True) -> Path:
    """A record as a session writes it; an open one ends as after a kill, without any farewell."""
    made_with = Manifest("phonemes", "pair", "clips", "gown 1", "en 1", ("wearer", "observer"), {"voicecoach": "0"})
    journal = Journal.create(folder, made_with, COPIES, patience_s=30)
    clips = ClipKeeper(folder / "audio", "clips", on_written=journal.sound, on_deleted=journal.sound_gone)
    rng = np.random.default_rng(1)
    journal.write_effects(journal.write(Opened(0, "pair", "phonemes", "clips", True, True)).seq, (Say(0, "Begin."),))
    on: list[str] = []
    for step in range(steps):
        at = (step + 1) * RATE_HZ
        journal.write(PromptEnded(at, step, 1.0, True))
        if step % 4 == 0:
            on.append(f"piece-{step}")
        heard = Heard(at + 100, "done", phrase="done", begin=at - 8_000, end=at, score=-0.4, floor=-2.0)
        notes = (Note("ledger", (("on", ",".join(on)), ("hands", "rubbed"))), Say(step + 1, "Next, slowly."))
        journal.write_effects(journal.write(heard).seq, notes)
        if sound and step % 8 == 0:
            voice = rng.normal(0, 0.1, (RATE_HZ, 1)).astype(np.float32)
            clips.feed(Block(at - RATE_HZ, voice, np.zeros(RATE_HZ, np.float32)))
            clips.utterance(at - 9_000, at - 8_500)
            clips.work(True)
            clips.work(False)
    clips.close(30)
    if finished:
        journal.write_effects(journal.write(Heard(steps * RATE_HZ * 2, "yes")).seq, (Close("done"),))
        assert journal.close(30)
    else:
        journal.write(Heard(steps * RATE_HZ * 2, "yes"))
        leave(journal)
    return folder


def copy(folder: Path, root: Path) -> Path:
    """The record with what lies beside it, in another place."""
    shutil.copytree(folder.parent, root / "copy")
    return root / "copy" / folder.name


def leave(journal: Journal) -> None:
    """Let go of a journal as a kill does once its lines are on the disk: no seal, no farewell."""
    journal._spool.close(30)
    journal._lock.release()


def files(folder: Path) -> list[Path]:
    """Every file that belongs to a record; the lock is a mark on the system, not a part."""
    return sorted(path for path in folder.rglob("*") if path.is_file() and path.name != "lock")


def flip(raw: bytes, chance: random.Random, other: bytes) -> bytes:
    """One bit."""
    at = chance.randrange(len(raw))
    return raw[:at] + bytes([raw[at] ^ (1 << chance.randrange(8))]) + raw[at + 1 :]


def cut(raw: bytes, chance: random.Random, other: bytes) -> bytes:
    """The tail is gone, at any byte or after a line."""
    ends = [at + 1 for at, byte in enumerate(raw[:-1]) if byte == 10]
    return raw[: chance.choice(ends) if ends and chance.random() < 0.5 else chance.randrange(len(raw))]


def swap(raw: bytes, chance: random.Random, other: bytes) -> bytes:
    """Two lines, or two pieces where there are no lines, in each other's place."""
    parts = raw.splitlines(keepends=True)
    if len(parts) < 2:
        middle = len(raw) // 2
        parts = [raw[:middle], raw[middle:]]
    one, two = chance.sample(range(len(parts)), 2)
    parts[one], parts[two] = parts[two], parts[one]
    return b"".join(parts)


def delete(raw: bytes, chance: random.Random, other: bytes) -> bytes:
    """A line or a stretch from the middle."""
    parts = raw.splitlines(keepends=True)
    if len(parts) > 2 and chance.random() < 0.7:
        gone = chance.randrange(len(parts))
        return b"".join(parts[:gone] + parts[gone + 1 :])
    at = chance.randrange(len(raw))
    return raw[:at] + raw[at + chance.randrange(1, 40) :]


def zero(raw: bytes, chance: random.Random, other: bytes) -> bytes:
    """A stretch of zero bytes, as a file system leaves behind."""
    at = chance.randrange(len(raw))
    size = min(chance.choice((1, 16, 512, 4096)), len(raw) - at)
    return raw[:at] + bytes(size) + raw[at + size :]


def replace(raw: bytes, chance: random.Random, other: bytes) -> bytes:
    """The bytes of another file, or of chance."""
    return other if chance.random() < 0.5 else chance.randbytes(len(raw))


def vanish(raw: bytes, chance: random.Random, other: bytes) -> None:
    """The whole file is gone."""


Damage = Callable[[bytes, random.Random, bytes], bytes | None]
DAMAGES: tuple[Damage, ...] = (flip, cut, swap, delete, zero, replace, vanish)


def spoil(folder: Path, chance: random.Random) -> tuple[str, str]:
    """One random damage that changes a random file; its name and the file's."""
    every = files(folder)
    while True:
        damage, path = chance.choice(DAMAGES), chance.choice(every)
        if chance.random() < 0.5:
            path = folder / FILE
        raw = path.read_bytes()
        changed = damage(raw, chance, chance.choice([one for one in every if one != path]).read_bytes())
        if changed is None:
            path.unlink()
        elif changed == raw:
            continue
        else:
            path.write_bytes(changed)
        return damage.__name__, str(path.relative_to(folder))
