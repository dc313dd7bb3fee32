"""A long day at work, as a bench: memory and size of a session of so many hours. Prints; asserts nothing.

    python tests/bench/day.py [--hours H] [--recording MINUTES]

The session is scripted, and as fast as the machine is: dressed, then at work with its checks answered. Then the most
memory that a recording of so many minutes takes, of silence, heard and played to a session.
"""

from __future__ import annotations

import argparse
import io
import os
import subprocess
import sys
import tempfile
import time
import wave
from pathlib import Path

import psutil
from rich.console import Console

from voicecoach.audio.line import RATE_HZ
from voicecoach.listen import scripted
from voicecoach.record.lines import FILE
from voicecoach.record.read import read
from voicecoach.runtime import app, found, options
from voicecoach.session.rehearsal import rehearse

CHECK_S = 600


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--protocol", default="short-practice")
    parser.add_argument("--recording", type=int, default=0)
    asked = parser.parse_args()
    if asked.recording:
        recording(asked.recording)
    if asked.hours:
        day(asked)


def recording(minutes: int) -> None:
    """Memory of a long recording: the largest process of each command."""
    with tempfile.TemporaryDirectory(prefix="voicecoach-day-") as place:
        path = Path(place) / "long.wav"
        with wave.open(str(path), "wb") as file:
            file.setparams((1, 2, RATE_HZ, 0, "NONE", ""))
            file.writeframes(b"")
        size, head = minutes * 60 * RATE_HZ * 2, bytearray(path.read_bytes())
        head[4:8], head[40:44] = (size + 36).to_bytes(4, "little"), size.to_bytes(4, "little")
        with path.open("wb") as file:
            file.write(head)
            file.truncate(len(head) + size)  # silence that takes no room
        for command in (["hear", path], ["run", "short-practice", "--input", path, "--out", Path(place) / "records"]):
            whole = [sys.executable, "-c", WRAP, sys.executable, *map(str, command), "--engine", "phonemes"]
            done = subprocess.run(whole, check=True, capture_output=True, text=True)
            print(f"{minutes} minutes of silence, {command[0]}: at most {done.stdout.splitlines()[-1]}", flush=True)


WRAP = """
import resource, subprocess, sys
begun = subprocess.run([sys.argv[1], "-m", "voicecoach", *sys.argv[2:]], capture_output=True)
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(f"{used.ru_maxrss / 1024:.0f} MB, {used.ru_utime:.0f} s of processor time")
"""


def day(asked: argparse.Namespace) -> None:
    """A day at work."""
    scripted.WAITS_S = 1e9  # a check comes only after ten minutes
    setup, _ = options.load_setup(asked.protocol, "en")
    before_work = [line for line in rehearse(setup, "solo") if line.stage in {"prepare", "dress"}]
    lines = [f"+{12 if line.text == 'dry' else 1} wearer: {line.text}" for line in before_work if line.who != "coach"]
    lines += ["@1.5 wearer: yes"] * (4 + int(asked.hours * 3600 / CHECK_S))
    with tempfile.TemporaryDirectory(prefix="voicecoach-day-") as place:
        os.environ["XDG_DATA_HOME"] = place
        script = Path(place) / "script.txt"
        script.write_text("\n".join(lines) + "\n")
        me = psutil.Process()
        before, began_s = me.memory_info().rss, time.monotonic()
        wanted = options.Options(asked.protocol, script=str(script), out=Path(place) / "records")
        runner = app.Runner(wanted, Console(file=io.StringIO()))
        runner.run()
        took_s, after = time.monotonic() - began_s, me.memory_info().rss
        (folder,) = (Path(place) / "records").glob("[!.]*")
        session = read(folder)
        size = (folder / FILE).stat().st_size
        began_s = time.monotonic()
        found.find(folder.parent)
        print(
            f"{session.lines[-1].at_s / 3600:.1f} h of session in {took_s:.0f} s: {len(session.lines):,} lines, "
            f"{size / 1e6:.2f} MB; memory {before / 1e6:.0f} MB before, {after / 1e6:.0f} MB after; "
            f"looked at by a later start in {time.monotonic() - began_s:.2f} s"
        )


if __name__ == "__main__":
    main()
