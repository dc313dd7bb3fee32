"""Twenty demos: `python tests/bench/demo_seeds.py [--seeds 1-20] [--engine phonemes]`. Prints misses, judges nothing.

What each wearer truly said and meant is known, so the baseline is the script itself: all right, no chatter taken.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from pathlib import Path

from rich.console import Console

from voicecoach.errors import VoicecoachError
from voicecoach.listen import registry
from voicecoach.simulate import demo


def main() -> None:
    """Run the demos of one engine and print how they went."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", default="1-20")
    parser.add_argument("--engine", default="")
    asked = parser.parse_args()
    first, _, last = asked.seeds.partition("-")
    seeds = range(int(first), int(last or first) + 1)
    for state in registry.engines():
        if state.name == "typed" or (asked.engine and state.name != asked.engine):
            continue
        if not state.can_run:
            print(f"{state.name}: not run: {state.detail}")
            continue
        run(state.name, seeds)


def run(engine: str, seeds: range) -> None:
    """All seeds with one engine."""
    verdicts: Counter[str] = Counter()
    good = 0
    session_s = took_s = 0.0
    with tempfile.TemporaryDirectory(prefix="voicecoach-") as folder:
        for seed in seeds:
            try:
                outcome = demo.play(seed=seed, out=Path(folder), engine=engine, model=None, console=Console(quiet=True))
            except VoicecoachError as error:
                print(f"{engine} seed {seed:2}: did not begin: {error.line()}", flush=True)
                continue
            verdicts.update(row.verdict for row in outcome.compared)
            good += outcome.good
            session_s += outcome.session_s
            took_s += outcome.took_s
            result = "good" if outcome.good else "not good" if outcome.closed else "did not come to its end"
            print(
                f"{engine} seed {seed:2}: {result}, {outcome.voice}, {len(outcome.compared)} utterances, "
                f"{outcome.session_s:.0f} s in {outcome.took_s:.0f} s",
                flush=True,
            )
            for row in outcome.wrong:
                meant = row.meant or "chatter"
                print(f"    {row.at_s:6.1f} s  {row.verdict}: {row.said!r} ({meant}) heard as {row.heard}", flush=True)
    print(f"{engine}: {good} of {len(seeds)} demos good; {dict(verdicts)}; {session_s:.0f} s in {took_s:.0f} s")


if __name__ == "__main__":
    main()
