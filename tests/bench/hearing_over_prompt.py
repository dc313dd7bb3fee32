"""Hearing over the coach's own voice; run `python tests/bench/hearing_over_prompt.py [--quick]`; it prints only.

The coach's prompts are played into the microphone (40 ms late, with a short room) so that they lie 6, 12 or
20 dB under the wearer's voice, who says "breach" or "stop" in the middle; the prompt stops when the voice is noticed,
or not. Baseline of the same run: no echo cancelling.
"""

from __future__ import annotations

import sys
from collections.abc import Callable

import numpy as np
from hearing_sounds import HELD_OUT, ROOT, Sound, english, noise, spoken, table, to_hand

from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ
from voicecoach.grammar import Grammar
from voicecoach.listen import registry
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


def main(*, quick: bool) -> None:
    grammar = english()
    engine = registry.scorer("mixed")

    def new_ear() -> Pipeline:
        return Pipeline(engine, grammar, {0: "wearer"})

    texts = prompts(grammar)
    sounds = dict(zip(texts, render_texts(texts), strict=True))
    long = [text for text in texts if len(sounds[text]) > 2.2 * RATE_HZ]
    voices = to_hand(HELD_OUT)
    names = list(voices)[: 3 if quick else 8]
    words = {"breach": "breach", "stop": "stop", "breach, breach": "breach", "stop, stop": "stop"}
    rows = []
    for under_db in (6, 12, 20):
        for way in ("cancelled, prompt stops", "cancelled, prompt goes on", "as it is"):
            counts = {"heard": 0, "asked": 0, "missed": 0, "false": 0}
            onsets: list[float] = []
            ends: list[float] = []
            for number, name in enumerate(names):
                for text, word in words.items():
                    prompt = sounds[long[(7 * number + len(text)) % len(long)]]
                    voice = spoken(voices[name], text)
                    begin, events = over(new_ear, voice, level(prompt, 0.06 * 10 ** (-under_db / 20)), number, way)
                    taken = [event for event in events if isinstance(event, Heard) and event.command]
                    right = [event for event in taken if event.command == word]
                    counts["heard"] += bool(right)
                    counts["asked"] += not right and any(isinstance(e, Heard) and e.near for e in events)
                    counts["missed"] += not right and not any(isinstance(e, Heard) and e.near for e in events)
                    counts["false"] += sum(event.command != word for event in taken)
                    onsets += [(e.at - begin) / RATE_HZ for e in events if isinstance(e, SpeechStarted)][:1]
                    ends += [(e.at - begin - len(voice)) / RATE_HZ for e in right[:1]]
            noticed = f"{len(onsets)}, {np.median(onsets):.2f} / {max(onsets):.2f}" if onsets else "0"
            rows.append((f"-{under_db} dB", way, *counts.values(), noticed, f"{np.median(ends):.2f}" if ends else "-"))
    print(f"'breach' and 'stop', once and twice, over a prompt: {len(words) * len(names)} utterances a row")
    head = (
        "coach",
        "echo",
        "heard",
        "asked",
        "missed",
        "false",
        "voice noticed, s median / max",
        "word end to heard s",
    )
    table(head, rows)
    alone(new_ear, sounds, texts[:: 8 if quick else 1])


def alone(new_ear: Callable[[], Pipeline], sounds: dict[str, Sound], texts: list[str]) -> None:
    """Prompts with nobody speaking: nothing may be heard."""
    rows = []
    for under_db in (6, 12, 20):
        for cancel in (True, False):
            taken: list[str] = []
            started = asked = 0
            for text in texts:
                played = np.pad(level(sounds[text], 0.06 * 10 ** (-under_db / 20)), (6400, 16000)).astype(np.float32)
                heard = (room(played) + noise(len(played), len(text)) * 0.0006).astype(np.float32)
                events = run(new_ear, heard, played, cancel=cancel)
                started += any(isinstance(e, SpeechStarted) for e in events)
                asked += any(isinstance(e, Heard) and e.near is not None for e in events)
                taken += [f"{e.command}: {text}" for e in events if isinstance(e, Heard) and e.command]
            rows.append((f"-{under_db} dB", "cancelled" if cancel else "as it is", started, asked, len(taken)))
            for line in taken if cancel else ():
                print("false", line)
    print(f"\nprompts alone, {len(texts)} a row")
    table(("coach", "echo", "voice noticed", "asked", "commands taken"), rows)


if __name__ == "__main__":
    main(quick="--quick" in sys.argv)
