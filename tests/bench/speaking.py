"""What speaking costs: run `python tests/bench/speaking.py`; prints, judges nothing.

Baselines of the same run: a fresh process for each prompt (what a careful user of pyttsx3 would do), the engine's own
rate setting taken at its word, and files read without a check.
"""

from __future__ import annotations

import dataclasses
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from voicecoach.audio.line import RATE_HZ, Sound
from voicecoach.audio.quiet import QuietLine
from voicecoach.runtime.library import load_protocol
from voicecoach.speak.child import Renderer
from voicecoach.speak.render import ESPEAK_PACE
from voicecoach.speak.voice import DEFAULT_VOICE, Voice

COUNT = 150
ALONE = """
import sys
sys.path.insert(0, {folder!r})
import render
render.prepare_espeak()
render.render(dict(text={text!r}, voice={voice!r}, rate_wpm=140, pitch=None, out={out!r}, limit_s=5))
"""


def prompts(folder: Path) -> dict[str, list[str]]:
    """What each protocol says of itself: prompts, warnings and help."""
    found: dict[str, list[str]] = {}
    for file in sorted(folder.glob("*.yaml")):
        texts: list[str] = []
        collect(load_protocol(str(file))[0], texts)
        found[file.stem] = list(dict.fromkeys(texts))
    return found


def collect(value: Any, texts: list[str]) -> None:
    """Every sentence in a protocol's fields say, warn, help and first."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        for field in dataclasses.fields(value):
            inner = getattr(value, field.name)
            if isinstance(inner, str):
                if field.name in {"say", "warn", "help", "first"} and inner.endswith((".", "?")):
                    texts.append(inner)
            else:
                collect(inner, texts)
    elif isinstance(value, dict):
        for inner in value.values():
            collect(inner, texts)
    elif isinstance(value, (list, tuple)):
        for inner in value:
            collect(inner, texts)


def words(texts: list[str]) -> int:
    return sum(len(re.findall(r"\w+(?:['-]\w+)*", text)) for text in texts)


def timed(action: Callable[[], object]) -> float:
    begin_s = time.perf_counter()
    action()
    return time.perf_counter() - begin_s


def rendering(texts: list[str], folder: Path) -> None:
    many = [*texts, *(f"{text} Step {n}." for n in range(1, 9) for text in texts)][:COUNT]
    print(f"\nRendering {len(many)} prompts, {words(many)} words")
    cold = Voice(folder=folder / "bench")
    cold_s = timed(lambda: cold.prepare(many))
    print(f"  cold cache                     {cold_s:6.2f} s   {1000 * cold_s / len(many):6.1f} ms each")
    warm = Voice(folder=folder / "bench")
    warm_s = timed(lambda: warm.prepare(many))
    print(f"  warm cache                     {warm_s:6.2f} s   {1000 * warm_s / len(many):6.2f} ms each")
    files = list((folder / "bench").iterdir())
    plain_s = timed(lambda: [file.read_bytes() for file in files])
    print(f"  baseline: the files, unchecked {plain_s:6.2f} s")
    few, child = many[:10], Path(__file__).parents[2] / "voicecoach" / "speak"
    alone_s = timed(
        lambda: [
            subprocess.run(
                [
                    sys.executable,
                    "-P",
                    "-c",
                    ALONE.format(
                        folder=str(child), text=text, voice=DEFAULT_VOICE, out=str(folder / f"alone{number}.wav")
                    ),
                ],
                check=True,
                capture_output=True,
            )
            for number, text in enumerate(few)
        ]
    )
    print(f"  baseline: a process for each   {alone_s / len(few) * len(many):6.2f} s   (from {len(few)})")
    size = sum(len(warm.sound(text)) for text in many) * 2
    print(
        f"  failed {len(many) - sum(warm._prompts[text] is not None for text in many)}; in memory {size / 1e6:.1f} MB"
    )


def pace(protocols: dict[str, list[str]], folder: Path) -> None:
    print("\nWords a minute, wanted 140; longest prompt")
    for name, texts in protocols.items():
        for label, rate in (("ours", 140), ("baseline: the setting taken at its word", round(140 / ESPEAK_PACE))):
            voice = Voice(rate_wpm=rate, folder=folder / "pace")
            voice.prepare(texts)
            lengths_s = [len(voice.sound(text)) / RATE_HZ for text in texts]
            print(
                f"  {name:<16} {label:<40} {60 * words(texts) / sum(lengths_s):6.1f}  {max(lengths_s):5.1f} s"
                f"  ({len(texts)} texts, {words(texts)} words)"
            )


def begin(texts: list[str], folder: Path) -> None:
    print(
        "\nFrom the decision to the first sample given out, live line without a card (its output latency comes on top)"
    )
    voice = Voice(folder=folder / "bench")
    voice.prepare(texts)
    rng = np.random.default_rng(0)
    ready_ms, first_ms = [], []
    line = QuietLine(live=True)
    for number in range(100):
        idle_until = time.perf_counter() + rng.uniform(0.0, 0.04)
        while time.perf_counter() < idle_until:
            line.read(0.002)
        decided = time.perf_counter()
        samples = voice.sound(texts[number % len(texts)])
        ready_ms.append(1000 * (time.perf_counter() - decided))
        line.play(Sound(samples, number + 1))
        while True:
            block = line.read(0.1)
            if block is not None and block.played.any():
                break
        first_ms.append(1000 * (time.perf_counter() - decided))
        line.silence()
        line.read(0.1)
        line.read(0.1)
        line.read(0.1)
    for label, values in (("samples ready", ready_ms), ("block with the first sample", first_ms)):
        print(f"  {label:<28} median {np.median(values):6.2f} ms   95th {np.percentile(values, 95):6.2f} ms")
    print(f"  baseline: one block          {1000 * 320 / RATE_HZ:13.2f} ms")
    renderer = Renderer()
    out = folder / "first.wav"
    fresh_s = timed(lambda: renderer.render(texts[0], out, voice=DEFAULT_VOICE, rate_wpm=140))
    renderer.close()
    print(f"  baseline: rendered only when wanted {1000 * fresh_s:6.1f} ms")


def main() -> None:
    protocols = prompts(Path(__file__).parents[2] / "protocols")
    everything = [text for texts in protocols.values() for text in texts]
    with tempfile.TemporaryDirectory(prefix="voicecoach-bench-") as name:
        rendering(everything, Path(name))
        pace(protocols, Path(name))
        begin(everything[:20], Path(name))


if __name__ == "__main__":
    main()
