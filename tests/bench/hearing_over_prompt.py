"""Hearing over the coach's own voice; run `python tests/bench/hearing_over_prompt.py [--quick]`; it prints only.

The coach's prompts are played into the microphone (40 ms late, with a short room) so that they lie 6, 12 or
20 dB under the wearer's voice, who says a danger word or "stop" in the middle; the prompt stops when the voice is
noticed, or not. Baseline of the same run: no echo cancelling. `--under 6` keeps to one level, `--shares N` uses N
processes, `--natural` the natural voices kept out of tuning, `--engine phonemes` another engine.
"""

from __future__ import annotations

import argparse
import functools
import multiprocessing
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.pool import Pool

import numpy as np
from hearing_cache import MAKERS
from hearing_sounds import HELD_OUT, NATURAL_HELD_OUT, ROOT, Sound, english, noise, spoken, table, to_hand, upper

from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ
from voicecoach.grammar import Grammar
from voicecoach.listen.pipeline import Pipeline
from voicecoach.runtime.library import load_protocol
from voicecoach.session.events import Event, Heard, SpeechStarted
from voicecoach.speak.voice import render_texts

LIVE = """repeat back pause help where-am-i breach splash needle no-air torn stop no-audio time end-session done clear
soiled rubbing dry gown-off gloves-off hood-off confirm"""

STOPPED = round(0.1 * RATE_HZ)
"""A prompt is silent this long (frames) after a voice was noticed: the fade, and a buffer."""


def prompts(grammar: Grammar) -> list[str]:
    """Everything the coach says: the protocols' prompts and warnings, and its own sentences."""
    texts = [text for _, text in grammar.says if "{" not in text]
    for file in sorted((ROOT / "protocols").glob("*.yaml")):
        protocol = load_protocol(str(file))[0]
        steps = [step for plan in protocol.stages for step in plan.steps]
        steps += [step for branch in protocol.branches for step in branch.steps]
        texts += [text for step in steps for text in (step.warn, step.say) if text]
        texts += [rule.first for rule in protocol.breaches]
    return list(dict.fromkeys(texts))


def room(played: Sound) -> Sound:
    """What the microphone gets of the speaker: 40 ms late, then a short decaying tail; about the same level."""
    tail = np.random.default_rng(5).normal(size=2400) * np.exp(-np.arange(2400) / 500.0) * 0.05
    tail[0] = 1.0
    echo = np.convolve(np.pad(played, (640, 0))[: len(played)], tail)[: len(played)]
    return echo.astype(np.float32)


def run(new_ear: Callable[[], Pipeline], heard: Sound, played: Sound, *, cancel: bool) -> list[Event]:
    """The events of one recording; without the played signal the recogniser cannot cancel."""
    ear = new_ear()
    ear.listen(LIVE.split())
    reference = played if cancel else np.zeros_like(played)
    return [
        event
        for at in range(0, len(heard) - BLOCK_FRAMES, BLOCK_FRAMES)
        for event in ear.feed(at, heard[at : at + BLOCK_FRAMES, None], reference[at : at + BLOCK_FRAMES])
    ]


def level(sound: Sound, rms: float) -> Sound:
    """The sound at an RMS."""
    return (sound * (rms / max(float(np.sqrt(np.mean(sound**2))), 1e-9))).astype(np.float32)


def over(new_ear: Callable[[], Pipeline], voice: Sound, prompt: Sound, seed: int, way: str) -> tuple[int, list[Event]]:
    """A voice 0.8 s into the second prompt of a session: the sample at which it begins, and the events."""
    first = np.pad(prompt[::-1], (round(0.4 * RATE_HZ), round(0.6 * RATE_HZ)))  # backwards: other sounds, same room
    begin = len(first) + round(0.8 * RATE_HZ)
    played = np.concatenate((first, prompt))
    played = np.pad(played, (0, max(0, begin + len(voice) + round(1.2 * RATE_HZ) - len(played)))).astype(np.float32)

    def heard() -> Sound:
        sound = room(played) + noise(len(played), seed) * 0.0006
        sound[begin : begin + len(voice)] += voice
        return sound.astype(np.float32)

    events = run(new_ear, heard(), played, cancel=way != "as it is")
    noticed = [event.at for event in events if isinstance(event, SpeechStarted) and event.at > len(first)]
    if way == "cancelled, prompt stops" and noticed:
        played[noticed[0] + STOPPED :] = 0.0
        events = run(new_ear, heard(), played, cancel=True)
    return begin, events


WORDS = {
    "breach": "breach", "stop": "stop", "breach, breach": "breach", "stop, stop": "stop", "splash": "splash",
    "needle stick": "needle", "no air": "no-air",
}  # fmt: skip
WAYS = ("cancelled, prompt stops", "cancelled, prompt goes on", "as it is")


@dataclass(frozen=True)
class Cry:
    """One word over one prompt: who says which, over what, how far under the voice the prompt lies (dB), and how."""

    spec: str
    text: str
    prompt: Sound
    under_db: int
    way: str
    seed: int
    engine: str


@dataclass(frozen=True)
class Found:
    """What came of it. onset_s: from the word's first sample to the notice of a voice; end_s: from its last to hearing
    it; both NaN if it never came. false: other commands.
    """

    heard: bool
    asked: bool
    false: tuple[str, ...]
    onset_s: float
    end_s: float


@functools.cache
def _ear(engine: str) -> Callable[[], Pipeline]:
    grammar, scorer = english(), MAKERS[engine]()
    return lambda: Pipeline(scorer, grammar, {0: "wearer"})


def cry(one: Cry) -> Found:
    """Hear one."""
    voice, word = spoken(one.spec, one.text), WORDS[one.text]
    prompt = level(one.prompt, 0.06 * 10 ** (-one.under_db / 20))
    begin, events = over(_ear(one.engine), voice, prompt, one.seed, one.way)
    taken = [event for event in events if isinstance(event, Heard) and event.command]
    right = [event for event in taken if event.command == word]
    onset = next(((e.at - begin) / RATE_HZ for e in events if isinstance(e, SpeechStarted)), float("nan"))
    return Found(
        bool(right),
        not right and any(isinstance(event, Heard) and event.near for event in events),
        tuple(str(event.command) for event in taken if event.command != word),
        onset,
        (right[0].at - begin - len(voice)) / RATE_HZ if right else float("nan"),
    )


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    for flag in ("--quick", "--natural"):
        arguments.add_argument(flag, action="store_true")
    arguments.add_argument("--under", type=int, choices=(6, 12, 20))
    arguments.add_argument("--engine", default="mixed", choices=tuple(MAKERS))
    arguments.add_argument("--shares", type=int, default=1)
    wanted = arguments.parse_args()
    levels = (wanted.under,) if wanted.under else (6, 12, 20)
    texts = prompts(english())
    sounds = dict(zip(texts, render_texts(texts), strict=True))
    long = [sound for sound in sounds.values() if len(sound) > 2.2 * RATE_HZ]
    voices = list(to_hand(NATURAL_HELD_OUT if wanted.natural else HELD_OUT).values())[: 3 if wanted.quick else 8]
    cries = [
        Cry(spec, text, long[(7 * number + len(text)) % len(long)], under_db, way, number, wanted.engine)
        for under_db in levels
        for way in WAYS
        for number, spec in enumerate(voices)
        for text in WORDS
    ]
    for one in cries:
        spoken(one.spec, one.text)  # rendered once, before processes part
    with multiprocessing.get_context("spawn").Pool(wanted.shares) as pool:
        found = pool.map(cry, cries, chunksize=4)
        rows = []
        for under_db in levels:
            for way in WAYS:
                here = [f for one, f in zip(cries, found, strict=True) if (one.under_db, one.way) == (under_db, way)]
                rows.append((f"-{under_db} dB", way, *_figures(here)))
        print(f"danger words and 'stop' over a prompt, {wanted.engine}: {len(WORDS) * len(voices)} utterances a row")
        head = ("coach", "echo", "heard", "or asked, at least", "asked", "false", "noticed", "word end to heard s")
        table(head, rows)
        for one, came in zip(cries, found, strict=True):
            if one.way == WAYS[0] and not came.heard:
                print(f"  missed at -{one.under_db} dB: {one.text!r} by {one.spec}{', asked about' * came.asked}")
        alone(dict(list(sounds.items())[:: 8 if wanted.quick else 1]), levels, wanted.engine, pool)


def _figures(found: list[Found]) -> tuple[object, ...]:
    heard, asked = sum(one.heard for one in found), sum(one.asked for one in found)
    onsets = [one.onset_s for one in found if not np.isnan(one.onset_s)]
    ends = [one.end_s for one in found if one.heard]
    false = [name for one in found for name in one.false]
    least = 1 - upper(len(found) - heard - asked, len(found))
    noticed = f"{len(onsets)}, median {np.median(onsets):.2f}, latest {max(onsets):.2f} s" if onsets else "0"
    end = f"{np.median(ends):.2f}" if ends else "-"
    return f"{heard}/{len(found)}", f"{least:.0%}", asked, " ".join(false) or 0, noticed, end


@dataclass(frozen=True)
class Alone:
    """A prompt with nobody speaking."""

    text: str
    sound: Sound
    under_db: int
    cancel: bool
    engine: str


def by_itself(one: Alone) -> tuple[bool, bool, list[str]]:
    """Whether a voice was noticed and a danger asked about, and what was taken."""
    played = np.pad(level(one.sound, 0.06 * 10 ** (-one.under_db / 20)), (6400, 16000)).astype(np.float32)
    heard = (room(played) + noise(len(played), len(one.text)) * 0.0006).astype(np.float32)
    events = run(_ear(one.engine), heard, played, cancel=one.cancel)
    taken = [f"{e.command}: {one.text}" for e in events if isinstance(e, Heard) and e.command]
    asked = any(isinstance(e, Heard) and e.near is not None for e in events)
    return any(isinstance(e, SpeechStarted) for e in events), asked, taken


def alone(sounds: dict[str, Sound], levels: tuple[int, ...], engine: str, pool: Pool) -> None:
    """Prompts with nobody speaking: nothing may be heard."""
    rows = []
    for under_db in levels:
        for cancel in (True, False):
            found = pool.map(by_itself, [Alone(*one, under_db, cancel, engine) for one in sounds.items()], chunksize=4)
            started, asked = sum(one[0] for one in found), sum(one[1] for one in found)
            taken = [line for one in found for line in one[2]]
            rows.append((f"-{under_db} dB", "cancelled" if cancel else "as it is", started, asked, len(taken)))
            for line in taken if cancel else ():
                print("false", line)
    print(f"\nprompts alone, {len(sounds)} a row")
    table(("coach", "echo", "voice noticed", "asked", "commands taken"), rows)


if __name__ == "__main__":
    main()
