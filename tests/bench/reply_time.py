"""How soon the coach replies: `python tests/bench/reply_time.py [--sessions 3] [--engine NAME]`; prints only.

Sessions of the short practice protocol in real time, in a simulated room with echo and noise. Counted in samples of the
line: from the last sample of a word to the first sample of what is played for it; for a cry of breach over a prompt,
from its first sample and from its last to the end of that prompt, and from its last to the coach's first words after
that prompt (below zero: the cry was taken before it was over).

Baseline of the same run: the recogniser made of text, which knows each word when its last sample has been said, so
that what is left is the loop itself.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from rich.console import Console

from voicecoach.audio.line import RATE_HZ
from voicecoach.errors import VoicecoachError
from voicecoach.listen import registry
from voicecoach.listen.process import RecogniserProcess
from voicecoach.record.journal import Journal
from voicecoach.record.manifest import Manifest
from voicecoach.runtime import edges, options, prompt_check
from voicecoach.runtime.loop import Coach, Parts
from voicecoach.session.events import Opened
from voicecoach.session.machine import Machine
from voicecoach.simulate import demo
from voicecoach.simulate.persona import ScriptedPersona, SoundBegan, SoundEnded, SpokenLine
from voicecoach.simulate.room import Room, RoomLine

sys.path.append(str(Path(__file__).parents[1] / "e2e"))
TWIN = importlib.import_module("twin_ear").TwinEar
QUIET = 0.02
"""A word ends with its last sample above this part of its loudest."""


@dataclass
class Watched:
    """A persona, and everything that was played and said around it."""

    persona: ScriptedPersona
    played: list[SoundBegan | SoundEnded] = field(default_factory=list)
    words: list[tuple[str, int, int]] = field(default_factory=list)  # meant, first and last sample

    def hear(self, until: int, news: Sequence[SoundBegan | SoundEnded]) -> list[SpokenLine]:
        """Pass everything on."""
        self.played += news
        said = self.persona.hear(until, news)
        for one in said:
            loud = np.flatnonzero(np.abs(one.samples) > QUIET * np.abs(one.samples).max())
            begin = max(one.at, until - 320)
            self.words.append((one.meant or "", begin + int(loud[0]), begin + int(loud[-1])))
        return said


@dataclass
class Times:
    """What was measured with one engine (s, MB)."""

    replies: list[float] = field(default_factory=list)
    silences: list[float] = field(default_factory=list)
    silences_end: list[float] = field(default_factory=list)
    acts: list[float] = field(default_factory=list)
    ready: list[float] = field(default_factory=list)
    memory: float = 0.0
    closed: int = 0


def session(engine: str, seed: int, folder: Path, times: Times) -> None:
    """One session in real time."""
    console = Console(quiet=True)
    begin_s = time.perf_counter()
    setup, texts = options.load_setup(demo.PROTOCOL, "en")
    voice = edges.prepare_voice(setup, console)
    person = ScriptedPersona(
        demo.wearer(setup.protocol), np.random.default_rng(seed), voices={0: demo.VOICES[seed % len(demo.VOICES)]}
    )
    ear: Any = None
    if engine != "typed":
        spec = registry.spec(engine, texts.grammar, "en.yaml", roles={0: "wearer"})
        prompt_check.find_mistaken(setup, voice, spec, edges.lockstep, on_progress=lambda _done, _all: None)
        ear = RecogniserProcess(spec)
    times.ready.append(time.perf_counter() - begin_s)
    person.prepare()
    watched = Watched(person)
    line = RoomLine(watched, Room(), seed=seed, live=True, limit_s=demo.LIMIT_S)
    ear = TWIN(line) if ear is None else ear
    journal = Journal.create(folder, Manifest(engine, "solo", "none", "short-practice 1", "en 1"), texts.copies())
    coach = Coach(Parts(Machine(setup), ear, line, voice, journal))
    try:
        coach.begin(Opened(0, mode="solo", ear=engine, audio="none", training_only=True, independent=False))
        times.closed += coach.run()
        if engine != "typed":
            times.memory = max(times.memory, resident_mb(ear._link.process.pid))
    finally:
        ear.close()
        journal.close()
    measure(watched, times)


def measure(watched: Watched, times: Times) -> None:
    """Take the times from what was played and said."""
    begins = [news.at for news in watched.played if isinstance(news, SoundBegan)]
    for number, (meant, first, last) in enumerate(watched.words):
        following = watched.words[number + 1][1] if number + 1 < len(watched.words) else sys.maxsize
        if meant == "breach":
            cut = [n.at for n in watched.played if isinstance(n, SoundEnded) and not n.complete and n.at > first]
            times.silences += [(cut[0] - first) / RATE_HZ] if cut else []
            times.silences_end += [(cut[0] - last) / RATE_HZ] if cut else []
            words = [n.at for n in watched.played if isinstance(n, SoundBegan) and n.prompt and cut and n.at >= cut[0]]
            times.acts += [(words[0] - last) / RATE_HZ] if words else []
        elif meant in {"dry", "done"}:
            reply = [at for at in begins if last < at < following]
            times.replies += [(reply[0] - last) / RATE_HZ] if reply else []


def resident_mb(pid: int) -> float:
    """Most memory that a process has held (MB); nan where it cannot be known."""
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return float("nan")
    return next((int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM")), float("nan"))


def main() -> None:
    """Run the sessions of every engine."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sessions", type=int, default=3)
    parser.add_argument("--engine", default="")
    asked = parser.parse_args()
    print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else "")
    states = sorted(registry.engines(), key=lambda state: state.name != "typed")
    with tempfile.TemporaryDirectory(prefix="voicecoach-") as folder:
        for state in states:
            if asked.engine and state.name not in {"typed", asked.engine}:
                continue
            if not state.can_run:
                print(f"{state.name}: not run: {state.detail}")
                continue
            times = Times()
            for seed in range(1, asked.sessions + 1):
                try:
                    session(state.name, seed, Path(folder) / f"{state.name}-{seed}", times)
                except VoicecoachError as error:
                    print(f"{state.name}: not run: {error.line()}")
            show(f"{state.name} (baseline)" if state.name == "typed" else state.name, times, asked.sessions)


def show(name: str, times: Times, sessions: int) -> None:
    """Print what was measured."""
    print(f"{name}: {times.closed} of {sessions} sessions came to their end")
    for what, values in (
        ("last sample of 'dry' or 'done' to first sample of the reply", times.replies),
        ("first sample of a cry of breach over a prompt to silence", times.silences),
        ("last sample of the cry to silence, below zero before it is over", times.silences_end),
        ("last sample of the cry to the first words", times.acts),
        ("ready, the first of them perhaps with cold caches", times.ready),
    ):
        if values:
            summary = f"median {np.median(values):.2f}, 95th percentile {np.percentile(values, 95):.2f}"
            print(f"  {what} (s): {summary}, most {max(values):.2f}, least {min(values):.2f}; {len(values)} of them")
    if times.memory:
        print(f"  resident memory of the ear's process, most (MB): {times.memory:.0f}")


if __name__ == "__main__":
    main()
