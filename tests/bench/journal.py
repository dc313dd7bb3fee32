"""What the journal costs: run `python tests/bench/journal.py [FOLDER]`; prints, judges nothing.

The baseline is a plain buffered file without fsync, written in the same run, in turns with the journal.
"""

from __future__ import annotations

import dataclasses
import json
import os
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TextIO

import numpy as np

from voicecoach.record import disk, lines, manifest
from voicecoach.record.journal import Journal
from voicecoach.record.lines import FILE
from voicecoach.record.manifest import Manifest
from voicecoach.record.read import read
from voicecoach.record.sealing import Sealer
from voicecoach.session import events
from voicecoach.session.effects import CancelTimer, Effect, Listen, Note, Say, SetTimer, Tone
from voicecoach.session.events import CLOCK_HZ, Event, Heard, PromptEnded, SpeechEnded, SpeechStarted, TimerFired

MINUTES = 10
LIVE = tuple(f"command-{n}" for n in range(20))


def one_minute(minute: int) -> list[tuple[Event, tuple[Effect, ...]]]:
    """Four steps: each a prompt, an answer, its effects, and one utterance that is refused."""
    found: list[tuple[Event, tuple[Effect, ...]]] = []
    for step in range(4):
        at, n = (minute * 60 + step * 15) * CLOCK_HZ, minute * 4 + step
        found += [
            (PromptEnded(at + 4 * CLOCK_HZ, n, 4.0, True), (Listen(LIVE), SetTimer("silence", 20.0))),
            (SpeechStarted(at + 6 * CLOCK_HZ), ()),
            (SpeechEnded(at + 7 * CLOCK_HZ), ()),
            (Heard(at + 7 * CLOCK_HZ, None, "gone", at, at, score=-3.2131, floor=-2.0, engine="phonemes"), ()),
            (SpeechStarted(at + 9 * CLOCK_HZ), ()),
            (SpeechEnded(at + 10 * CLOCK_HZ), ()),
            (
                Heard(at + 10 * CLOCK_HZ, "gown-off", "gown off", at, at, score=-0.4183, floor=-2.0, engine="phonemes"),
                (
                    CancelTimer("silence"),
                    Tone("taken"),
                    Note("step-confirmed", (("step", f"step-{n}"), ("role", "wearer"))),
                    Say(n + 1, "Take off the next item slowly, rolling it away from you."),
                    Listen(LIVE),
                    SetTimer("silence", 20.0),
                ),
            ),
            (TimerFired(at + 14 * CLOCK_HZ, "rub"), (Tone("time-up"),)),
        ]
    return found


def print_times(name: str, times_s: list[float]) -> None:
    ms = np.array(times_s) * 1000
    median, p95, p99 = np.percentile(ms, [50, 95, 99])
    print(f"{name:<58}{median:9.3f}{p95:9.3f}{p99:9.3f}{ms.max():9.3f}")


def append(file: TextIO, text: str, *, sync: bool = False) -> None:
    file.write(text)
    file.flush()
    if sync:
        os.fsync(file.fileno())


def timed(act: Callable[[], object]) -> float:
    begin = time.perf_counter()
    act()
    return time.perf_counter() - begin


def version_1(folder: Path, made_with: Manifest) -> Journal:
    """A journal that chains its lines and does nothing else."""
    Journal.create(folder, made_with, {}).close()
    (folder / manifest.FILE).write_bytes(dataclasses.replace(made_with, format=1).to_bytes())
    (folder / FILE).write_bytes(b"")
    journal = Journal.open_existing(folder)
    journal._spool._told = lambda _marks: None
    return journal


def sign(sealer: Sealer) -> None:
    sealer.public_after()
    sealer.sign(bytes(300))


class Slow(disk.OwnFile):
    """Every sync takes a second longer."""

    def sync(self) -> None:
        time.sleep(1.0)
        super().sync()


def main(root: Path) -> None:
    made_with = Manifest("phonemes", "pair", "none", "bench", "en")
    folder = root / "session"
    journal = Journal.create(folder, made_with, {})
    others = {"as in version 1: no seals, nothing beside": version_1(root / "one", made_with)}
    others["encrypted"] = Journal.create(root / "boxes", made_with, {}, key=bytes(32))
    other_times: dict[str, list[float]] = {name: [] for name in others}
    plain, synced, write, effects = [], [], [], []
    chain, late, count = "0" * 64, 0, 0
    with (root / "plain.jsonl").open("w") as file, (root / "synced.jsonl").open("w") as hard:
        for minute in range(MINUTES):
            for event, following in one_minute(minute):
                text = json.dumps(events.to_json(event)) + "\n"
                plain.append(timed(partial(append, file, text)))
                synced.append(timed(partial(append, hard, text, sync=True)))
                begin = time.perf_counter()
                written = journal.write(event)
                write.append(time.perf_counter() - begin)
                if following:
                    effects.append(timed(partial(journal.write_effects, written.seq, following)))
                for name, other in others.items():
                    begin = time.perf_counter()
                    there = other.write(event)
                    other_times[name].append(time.perf_counter() - begin)
                    other.write_effects(there.seq, following)
                late += written.late
                count += 1
    for one in (journal, *others.values()):
        one.close()
    print(
        f"Journal, {count} events of {MINUTES} made-up session minutes, one after the other without a pause, in {root}"
    )
    print(f"{'':<58}{'median':>9}{'95th':>9}{'99th':>9}{'longest':>9}   ms")
    print_times("baseline: the event's JSON, buffered file, flush, no fsync", plain)
    print_times("the same with fsync in the caller's thread", synced)
    print_times("journal: write(event) until it is on the disk", write)
    for name, times in other_times.items():
        print_times(f"  {name}", times)
    print_times("journal: write_effects, does not wait", effects)
    line = {"seq": 1, "line": "event", **events.to_json(one_minute(0)[6][0]), "at_s": 0.0, "wall": "x" * 24}
    print_times(
        "  of which sealing one line (JSON and SHA-256)", [timed(lambda: lines.seal(chain, line)) for _ in range(2000)]
    )
    sealer = Sealer(bytes(32))
    print_times(
        "  signing a line and moving the key on, every 32 lines", [timed(partial(sign, sealer)) for _ in range(200)]
    )
    size, base = (folder / FILE).stat().st_size, (root / "plain.jsonl").stat().st_size
    session = read(folder)
    print(f"late: {late} of {count}; lines {len(session.lines)}, chain broken at {session.broken_at}")
    print(f"bytes a session minute: {size / MINUTES:,.0f} (baseline, events alone: {base / MINUTES:,.0f})")
    print(f"reading and verifying {size:,} bytes: {timed(lambda: read(folder)) * 1000:.1f} ms")

    slow = Journal.create(root / "slow", made_with, {}, opener=Slow)
    waits = [timed(partial(slow.write, TimerFired(n, "t"))) for n in range(200)]
    print(
        f"disk that takes 1 s longer a sync: first write waits {waits[0] * 1000:.1f} ms, the next 199 at most ", end=""
    )
    print(f"{max(waits[1:]) * 1000:.2f} ms each; lines unsaved then {slow.unsaved}, threads {threading.active_count()}")
    slow.close(10)
    print(f"after closing: unsaved {slow.unsaved}, gap lines {len(read(root / 'slow').gaps)}")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory(dir=sys.argv[1] if len(sys.argv) > 1 else None) as place:
        main(Path(place))
