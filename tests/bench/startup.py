"""How soon the program speaks: a live session and the demo, with cold and with warm caches.

    python tests/bench/startup.py [PROTOCOL]

A session runs over the virtual sound card (PulseAudio) and is ended at its first sentence. Cold: no sentence was ever
rendered or heard by this user. Before prompts were checked ahead of time, a cold start took 44 s (short-practice) and
78 s (n95-gown), a warm one 0.9 to 2.0 s, and the demo 26 s on two free cores.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests" / "e2e"))

from virtual_card import card, missing  # noqa: E402

PROGRAM = (sys.executable, "-m", "voicecoach")
LIMIT_S = 180.0


def main() -> None:
    protocol = sys.argv[1] if len(sys.argv) > 1 else "n95-gown"
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for caches in ("cold", "warm"):
            first_s, all_s = demo(folder)
            print(f"demo, {caches} caches: first line after {first_s:.1f} s, over after {all_s:.1f} s", flush=True)
    if why := missing():
        print(f"no live session: {why}")
        return
    with tempfile.TemporaryDirectory() as name, card() as made:
        folder = Path(name)
        for caches in ("cold", "warm", "warm"):
            print(f"run {protocol}, {caches} caches: speaks after {session(folder, protocol, made.environment):.1f} s")


def places(folder: Path) -> dict[str, str]:
    """Where the program keeps its things, apart from everybody's own."""
    return {"XDG_CACHE_HOME": str(folder / "cache"), "XDG_DATA_HOME": str(folder / "data"), "PYTHONPATH": str(ROOT)}


def demo(folder: Path) -> tuple[float, float]:
    """When the first line came, and the end (s)."""
    begin_s = time.monotonic()
    surroundings = {**os.environ, **places(folder), "PYTHONUNBUFFERED": "1"}
    with subprocess.Popen(
        [*PROGRAM, "demo"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=surroundings
    ) as run:
        assert run.stdout is not None
        run.stdout.readline()
        first_s = time.monotonic() - begin_s
        run.stdout.read()
    return first_s, time.monotonic() - begin_s


def session(folder: Path, protocol: str, surroundings: dict[str, str]) -> float:
    """When the first sentence was handed to the sound card (s)."""
    out = Path(tempfile.mkdtemp(dir=folder))
    command = [*PROGRAM, "run", protocol, "--device", "coach_card", "--speaker", "coach_card", "--out", str(out)]
    begin_s = time.monotonic()
    with started(command, {**surroundings, **places(folder)}):
        while time.monotonic() - begin_s < LIMIT_S:
            if any('"effect":"say"' in path.read_text() for path in out.glob("*/events.jsonl")):
                return time.monotonic() - begin_s
            time.sleep(0.02)
    raise RuntimeError(f"nothing was said in {LIMIT_S:g} s")


@contextlib.contextmanager
def started(command: list[str], surroundings: dict[str, str]) -> Iterator[None]:
    """A program that is ended with all its children."""
    quiet = subprocess.DEVNULL
    run = subprocess.Popen(
        command, env=surroundings, stdin=quiet, stdout=quiet, stderr=quiet, start_new_session=True
    )  # fmt: skip
    try:
        yield
    finally:
        os.killpg(run.pid, signal.SIGKILL)
        run.wait()


if __name__ == "__main__":
    main()
