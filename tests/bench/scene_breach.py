"""From the end of "breach" to the first act word in scenes with sound: run `python tests/bench/scene_breach.py [RUNS]`.

Prints, judges nothing. Aim (rule 11): the first act word within 1 s of the word's end. Each run is a scene of removal,
at one step after the other: the wearer speaks in a voice into a microphone with echo and noise, heard by the real
recogniser, a second after a prompt or over it. Times are on the sample clock, from the last sample of the last word to
the first of the act word; what the processor and a sound card need is not in them. Below zero: the word was taken from
its first time, before it was said again.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parents[1]
sys.path += [str(HERE / "scenes"), str(HERE / "session")]

from scene import load_scene  # noqa: E402
from session_driver import setup  # noqa: E402
from spoken_scene import SpokenEar, SpokenStage  # noqa: E402

from voicecoach.audio.line import RATE_HZ, Block, Samples  # noqa: E402

RUNS = int(sys.argv[1]) if len(sys.argv) > 1 else 20
QUIET = 0.01
"""Softer than this is the silence around a word."""
PROTOCOL = "n95-gown"
OVER = 'wearer, 1 s later: "repeat"\nwearer, 1 s into the words: '
SAID = {
    '"breach" after the prompt': 'wearer, 1 s later: "breach"\n',
    '"oh no, breach" over the prompt': OVER + '"oh no, breach"\n',
    '"oh no, breach, breach" over the prompt': OVER + '"breach breach"\n',
}


def measured(step: str, words: str) -> float | None:
    """From the end of the word to the act's first sample (s); None when the breach was not heard."""
    spoken_ends: list[float] = []
    played: list[tuple[int, Samples]] = []
    speak, feed = SpokenEar._speak, SpokenEar.feed

    def noting(ear: SpokenEar, said: Any, at: int) -> None:
        speak(ear, said, at)
        begin, samples, _ = ear._sounding[-1]
        spoken_ends.append((begin + int(np.flatnonzero(np.abs(samples) > QUIET)[-1])) / RATE_HZ)

    def hearing(ear: SpokenEar, block: Block) -> None:
        played.append((block.at, block.played))
        feed(ear, block)

    with tempfile.TemporaryDirectory() as folder:
        text = Path(folder) / "scene.txt"
        text.write_text(f"# {step}\nprotocol: {PROTOCOL}\npeople: alone\nbegins at: {step}\n\n{words}")
        SpokenEar._speak, SpokenEar.feed = noting, hearing  # type: ignore[method-assign]
        try:
            moments = SpokenStage(load_scene(text), Path(folder)).play()
        finally:
            SpokenEar._speak, SpokenEar.feed = speak, feed  # type: ignore[method-assign]
    first = {rule.first for rule in setup(PROTOCOL).protocol.breaches}
    said_s = next((moment.at_s for moment in moments if moment.kind == "say" and moment.text in first), None)
    if said_s is None:
        return None
    for at, samples in played:
        loud = np.flatnonzero(np.abs(samples) > QUIET)
        # what was cut off fades for up to 50 ms
        if at / RATE_HZ > said_s + 0.05 and len(loud):
            return float((at + loud[0]) / RATE_HZ - spoken_ends[-1])
    return None


def main() -> None:
    steps = [step.name for step in setup(PROTOCOL).protocol.steps("undress") if step.answers and not step.quiet_s]
    print(f"{'end of breach to the first act word':<40}{'median':>8}{'95th':>8}{'longest':>8}   s, {RUNS} runs each")
    for name, words in SAID.items():
        found = [measured(steps[run % len(steps)], words) for run in range(RUNS)]
        times_s = [one for one in found if one is not None]
        missed = f"{len(found) - len(times_s)} not heard, or only asked about"
        if times_s:
            median, p95 = np.percentile(times_s, [50, 95])
            print(f"{name:<40}{median:8.2f}{p95:8.2f}{max(times_s):8.2f}   {missed}", flush=True)
        else:
            print(f"{name:<40}   {missed}", flush=True)


if __name__ == "__main__":
    main()
