"""Kills, as a bench: what is lost, what is made up, and how long the wearer is alone. Prints; asserts nothing.

    python tests/bench/kills.py [--forked N] [--program N] [--voice N] [--damages N]

--forked: so many kills of a session in a process of its own, alone and in a pair each, at random moments; what the
journal said is on the disk is held against the record. --program: so many kills of the whole program as a person starts
it: of the session's process, of the supervisor first and then of the session's process, and of both, started again by
hand. --voice: so many kills in sessions that speak and listen over a virtual sound card, of the session's process and
of one of its own children, in turns. --damages: so many random damages to an open record, and whether it was found
with all that is worn.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from datetime import datetime
from pathlib import Path

import numpy as np
import psutil

sys.path += [str(Path(__file__).parents[1] / "faults"), str(Path(__file__).parents[1] / "e2e")]
import virtual_card
from faults_driver import cut_off
from faults_kills import kill_and_continue
from program import Program

from voicecoach.record.lines import FILE
from voicecoach.record.read import read
from voicecoach.runtime import open_sessions as sessions
from voicecoach.runtime.open_sessions import DoubtfulSession
from voicecoach.session.events import Reopened

LONGEST_S = 30.0
A_SESSION = 6
"""So many kills strike one session with sound."""


def spread(values: list[float]) -> str:
    """Median, 95th percentile and longest."""
    if not values:
        return "none"
    return f"{np.median(values):.2f} s, 95th {np.percentile(values, 95):.2f}, longest {max(values):.2f} ({len(values)})"


def forked(root: Path, kills: int) -> None:
    """Kills at random moments, alone and in a pair."""
    for mode in ("solo", "pair"):
        tally = kill_and_continue(root / mode, kills, random.Random(5), mode=mode)  # noqa: S311 not for secrets
        print(
            f"{mode}: {tally.kills} kills in {tally.sessions} sessions, {tally.resumed} resumed; of {tally.events} "
            f"events said to be on the disk {tally.lost} lost; of {tally.confirmed} steps confirmed {tally.unsaid} not "
            f"said; {tally.broken} chains broken, {tally.not_ended} sessions not led to their end"
        )


def program(root: Path, kills: int) -> None:
    """Kills of the program itself."""
    rng = random.Random(6)  # noqa: S311 not for secrets
    took: dict[str, list[float]] = {}
    count: Counter[str] = Counter()
    for number in range(kills):
        kind = ("session", "supervisor, then session", "both, started by hand")[number % 3]
        out = root / f"program-{number}" / "records"
        cut_off(out / "session", mode=rng.choice(("solo", "pair")))
        out.parent.chmod(0o700)
        started = Program(out)
        try:
            started.until("I stopped.", limit_s=LONGEST_S)
            time.sleep(rng.uniform(0.0, 2.0))
            if kind != "session":
                started.process.kill()
                started.process.wait(10)
                if kind.startswith("supervisor"):
                    time.sleep(rng.uniform(0.0, 3.0))
            before = list((out / "session" / FILE).read_bytes().split(b"\n")[:-1])
            killed_s = time.time()
            os.kill(started.pid, signal.SIGKILL)
            if kind.startswith("both"):
                started = Program(out)
            said_s = first_word(out / "session", since_s=killed_s)
            count[f"{kind}: " + ("went on" if said_s else "did not go on")] += 1
            if said_s:
                took.setdefault(kind, []).append(said_s - killed_s)
            after = (out / "session" / FILE).read_bytes().split(b"\n")
            count["lines lost"] += sum(line != other for line, other in zip(before, after, strict=False))
            count["second records"] += len([path for path in out.iterdir() if not path.name.startswith(".")]) - 1
        except AssertionError:
            count[f"{kind}: did not start"] += 1
        finally:
            end(out)
    for kind, values in took.items():
        print(f"killed: {kind}; until the first words are said: {spread(values)}")
    print(", ".join(f"{name} {number}" for name, number in sorted(count.items())))


def voice(root: Path, kills: int) -> None:
    """Kills in sessions with sound."""
    if reason := virtual_card.missing():
        print(f"left out: {reason}")
        return
    rng = random.Random(8)  # noqa: S311 not for secrets
    took: dict[str, list[float]] = {}
    count: Counter[str] = Counter()
    with virtual_card.card() as card:
        for number in range(-(-kills // A_SESSION)):
            out = root / f"voice-{number}" / "records"
            cut_off(out / "session", ear="phonemes", mode=rng.choice(("solo", "pair")))
            device = ("--engine", "phonemes", "--device", "coach_card", "--speaker", "coach_card")
            started = Program(out, *device, **card.environment)
            try:
                started.until("I stopped.", limit_s=2 * LONGEST_S)
                for one in range(min(A_SESSION, kills - number * A_SESSION)):
                    time.sleep(5.0 + rng.uniform(0.0, 2.0))  # three deaths within 10 s are a crash loop
                    strike(out / "session", started, rng, count, took, child=one % 2 == 1)
            except (AssertionError, psutil.NoSuchProcess):
                count["did not start, or was not there to be killed"] += 1
            finally:
                end(out)
    for kind, values in took.items():
        print(f"with sound, killed: {kind}: {spread(values)}")
    print(", ".join(f"{name} {number}" for name, number in sorted(count.items())))


def strike(
    folder: Path,
    started: Program,
    rng: random.Random,
    count: Counter[str],
    took: dict[str, list[float]],
    *,
    child: bool,
) -> None:
    """Kill the session's process, or a child of it; what came of it."""
    end_s = time.monotonic() + LONGEST_S
    while not psutil.pid_exists(started.pid) and time.monotonic() < end_s:  # the one before has just died
        time.sleep(0.1)
    before, pid = list((folder / FILE).read_bytes().split(b"\n")[:-1]), started.pid
    killed_s = time.time()
    if child:
        processes = psutil.Process(pid).children(recursive=True)
        kind = "child"
        rng.choice([one for one in processes if "resource_tracker" not in " ".join(one.cmdline())]).kill()
        back_s = noted(folder, "gap", "ears", since_s=killed_s)
        said = "child, until it is on record as lost"
    else:
        kind, said = "session", "session, until the first words"
        os.kill(pid, signal.SIGKILL)
        back_s = first_word(folder, since_s=killed_s)
    count[f"{kind}: " + ("told of" if back_s else "not told of")] += 1
    if back_s:
        took.setdefault(said, []).append(back_s - killed_s)
    if child:
        count["the session itself died of it"] += started.pid != pid
    after = (folder / FILE).read_bytes().split(b"\n")
    count["lines lost"] += sum(line != other for line, other in zip(before, after, strict=False))


def noted(folder: Path, what: str, part: str, since_s: float) -> float | None:
    """When a note of this kind about a part was written (s since 1970); None if it was not within 10 s."""
    end_s = time.monotonic() + 10.0
    while time.monotonic() < end_s:
        for line in read(folder).lines:
            at_s = datetime.fromisoformat(line.wall).timestamp()
            if line.data.get("what") == what and dict(line.data["details"]).get("part") == part and at_s >= since_s:
                return at_s
        time.sleep(0.05)
    return None


def first_word(folder: Path, since_s: float) -> float | None:
    """When the first words after a reopening were said (s since 1970); None if they are not."""
    end_s = time.monotonic() + LONGEST_S
    while time.monotonic() < end_s:
        lines = read(folder).lines
        opened = [
            line for line in lines
            if isinstance(line.event, Reopened) and datetime.fromisoformat(line.wall).timestamp() >= since_s
        ]  # fmt: skip
        if opened:
            for line in lines[lines.index(opened[-1]) :]:
                if line.data.get("effect") == "say":
                    return datetime.fromisoformat(line.wall).timestamp()
        time.sleep(0.05)
    return None


def end(folder: Path) -> None:
    """End all that runs over these records."""
    for _ in range(3):
        for process in psutil.process_iter(["cmdline"]):
            with contextlib.suppress(psutil.Error):
                if str(folder) in (process.info["cmdline"] or []):
                    process.kill()
        time.sleep(0.1)


def damages(root: Path, number: int) -> None:
    """Random damages to an open record."""
    from test_faults_open_sessions import WORN, random_damage  # noqa: PLC0415 brings pytest

    cut_off(root / "damages" / "open")
    whole = root / "whole"
    shutil.copytree(root / "damages", whole)
    rng = random.Random(7)  # noqa: S311 not for secrets
    count: Counter[str] = Counter()
    for _ in range(number):
        shutil.rmtree(root / "damages")
        shutil.copytree(whole, root / "damages")
        random_damage(root / "damages" / "open", rng)
        one = sessions.find(root / "damages").open
        if one is None:
            count["passed over"] += 1
        else:
            on = one.on if isinstance(one, DoubtfulSession) else one.state.ledger.on()
            count["asked piece by piece" if isinstance(one, DoubtfulSession) else "went on as it stood"] += 1
            count["all that is worn was known"] += set(on) == set(WORN)
    print(f"{number} damages to an open record: " + ", ".join(f"{what} {n}" for what, n in sorted(count.items())))


def main() -> None:
    """Run what is asked for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--forked", type=int, default=100)
    parser.add_argument("--program", type=int, default=30)
    parser.add_argument("--voice", type=int, default=24)
    parser.add_argument("--damages", type=int, default=300)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="voicecoach-kills-") as place:
        os.environ["XDG_DATA_HOME"] = place
        for act in (forked, program, voice, damages):
            if number := getattr(asked, act.__name__):
                act(Path(place), number)


if __name__ == "__main__":
    main()
