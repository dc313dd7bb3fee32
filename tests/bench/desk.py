"""The trainer's desk: a debrief and a replay of two hours, a review of a programme, and how soon a page is open.

    python tests/bench/desk.py [--sessions 10 100 1000] [--keep FOLDER]

The sessions are run, not copied: a simulated wearer goes through the machine with slips that a seed gives, and the
journal writes what happens (tests/debrief/simulated.py). With --keep they stay in FOLDER and are used again; without it
they go. Each measurement is a process of its own; time is on the wall, memory is the most that the largest of its
processes held in RAM. Prints, asserts nothing.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "debrief"))
simulated: Any = importlib.import_module("simulated")


def main() -> None:
    given = argparse.ArgumentParser()
    given.add_argument("--sessions", type=int, nargs="*", default=[10, 100, 1000])
    given.add_argument("--keep", type=Path)
    asked = given.parse_args()
    print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    with tempfile.TemporaryDirectory(prefix="voicecoach-desk-") as temp:
        root = asked.keep or Path(temp)
        root.mkdir(parents=True, exist_ok=True)
        two_hours(root)
        for count in asked.sessions:
            programme(root, count)


def two_hours(root: Path) -> None:
    """A debrief and a replay of two hours."""
    folder = root / "two-hours"
    if not folder.exists():
        simulated.run(simulated.Plan(seed=4, slips=0.12, work_s=5400, sound=True), folder)
    lines = len((folder / "events.jsonl").read_bytes().splitlines())
    print(f"two hours: {lines:,} lines")
    page = root / "two-hours.html"
    measure("report", "report", str(folder), "--html", str(page))
    print(f"  page {page.stat().st_size / 1e6:.1f} MB")
    measure("report, sound beside", "report", str(folder), "--html", str(root / "beside.html"), "--sound", "beside")
    measure("replay", "replay", str(folder))
    opens(page)
    opens(root / "beside.html")


def programme(root: Path, count: int) -> None:
    """A review of so many sessions: first, and again."""
    folder = root / f"programme-{count}"
    folder.mkdir(exist_ok=True)
    todo = [(plan, folder / f"{n:05d}") for n, plan in enumerate(simulated.programme(count))]
    with ProcessPoolExecutor() as pool:
        list(pool.map(_run, [one for one in todo if not one[1].exists()], chunksize=8))
    lines = sum(path.read_bytes().count(b"\n") for path in folder.glob("*/events.jsonl"))
    print(f"{count:,} sessions: {lines:,} lines")
    database, page = root / f"{count}.duckdb", root / f"{count}.html"
    database.unlink(missing_ok=True)
    command = ("review", str(folder), "--database", str(database), "--html", str(page))
    measure("review, first", *command)
    measure("review, again", *command)
    print(f"  database {database.stat().st_size / 1e6:.1f} MB, page {page.stat().st_size / 1e6:.2f} MB")
    opens(page)


def _run(one: tuple[Any, Path]) -> None:
    simulated.run(*one)


def measure(what: str, *command: str) -> None:
    """Run a command and print what it took."""
    code = "import sys; from voicecoach.__main__ import program; program()"
    wrapped = [sys.executable, "-c", _WRAP, json.dumps([sys.executable, "-c", code, *command])]
    done = subprocess.run(wrapped, check=False, capture_output=True, text=True)
    if done.returncode:
        print(f"  {what}: failed: {done.stderr.strip()[-300:]}")
        return
    took = json.loads(done.stdout.splitlines()[-1])
    print(f"  {what}: {took['wall_s']:.2f} s ({took['cpu_s']:.2f} s of processor time), {took['most_mb']:.0f} MB")


_WRAP = """
import json, resource, subprocess, sys, time
begun = time.perf_counter()
done = subprocess.run(json.loads(sys.argv[1]), check=False, capture_output=True, text=True)
if done.returncode not in (0, 1, 3):
    sys.exit(done.stderr)
wall_s = time.perf_counter() - begun
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(json.dumps({"wall_s": wall_s, "cpu_s": used.ru_utime + used.ru_stime, "most_mb": used.ru_maxrss / 1024}))
"""


def opens(page: Path) -> None:
    """How soon Chromium has the page open: from the call to its load event, the best of three."""
    try:
        browsing = importlib.import_module("playwright.sync_api")
    except ImportError:
        print("  page not opened: playwright is not installed")
        return
    import shutil  # noqa: PLC0415

    chromium = shutil.which("chromium")
    if chromium is None:
        print("  page not opened: there is no Chromium")
        return
    with browsing.sync_playwright() as p:
        browser = p.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        took = []
        for _ in range(3):
            tab = browser.new_page()
            begun = time.perf_counter()
            tab.goto(page.as_uri())
            took.append(time.perf_counter() - begun)
            tab.close()
        browser.close()
    print(f"  {page.name} is open in Chromium after {min(took):.2f} s")


if __name__ == "__main__":
    main()
