"""A long day at work, as a bench: memory and size of a session of so many hours. Prints; asserts nothing.

    python tests/bench/day.py [--hours H]

The session is scripted, and as fast as the machine is: dressed, then at work with its checks answered.
"""

from __future__ import annotations

import argparse
import io
import os
import tempfile
import time
from pathlib import Path

import psutil
from rich.console import Console

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
    asked = parser.parse_args()
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
