"""Fits the chance that a command is right, into `voicecoach/listen/chance.json`: `python tests/bench/chance_fit.py`.

Run it when a network, the mixture or the evidence has changed. Moonshine alone keeps the fit of an earlier run. The
voices are those of NATURAL_TUNING, with words that are no commands, noises, and Spanish and French talk for strangers;
the counts beside the weights are of NATURAL_HELD_OUT. The floors are not fitted: they are what a mistake of each risk
may cost, and stay as they stand. `--every N` uses each Nth utterance, `--shares N` N processes; all of it takes about
half an hour of one core.
"""

from __future__ import annotations

import argparse
import functools
import itertools
import json
import multiprocessing
import zlib
from pathlib import Path

import hearing_voices
import numpy as np
from hearing_accuracy import Job, cuts, states
from hearing_cache import KeptMoonshine, KeptPhonemes
from hearing_sounds import (
    LEAD_S,
    NATURAL_HELD_OUT,
    NATURAL_TUNING,
    STRANGERS_FAR,
    STRANGERS_NEAR,
    Sound,
    english,
    in_room,
    level,
    of_kind,
    spoken,
    strangers,
    to_hand,
)
from numpy.typing import NDArray

from voicecoach.audio.line import RATE_HZ
from voicecoach.grammar import Grammar
from voicecoach.listen import chance
from voicecoach.listen.engines.moonshine import noises

FILE = Path(chance.__file__).with_name(chance.FILE)
SEEN = ("quiet", "mask, 20 dB", "mask, 10 dB", "mask, 5 dB", "ambulance, 10 dB", "blower and mask, 10 dB",
        "three voices, 20 dB", "three voices, 10 dB")  # fmt: skip
EDGES = (0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.9, 0.95, 0.98, 1.0)
RIDGE = 3.0
LEFT_OUT = ("moonshine under -4",)
"""Not fitted for both engines together: a word would become likelier as moonshine's score of it fell."""
Rows = tuple[NDArray[np.float64], NDArray[np.float64]]


@functools.cache
def _ready() -> tuple[Grammar, KeptPhonemes, KeptMoonshine, chance.Weighing]:
    grammar, phones, words = english(), KeptPhonemes(), KeptMoonshine()
    phones.prepare(grammar)
    words.prepare(grammar)
    return grammar, phones, words, chance.Weighing(grammar, chance.MIXED, words.expected)


def evidence(job: Job) -> list[tuple[list[float], bool]]:
    """What speaks for the best command, and whether that is right; empty if the cut found no utterance."""
    sound = _sound(job)
    whole = cuts(sound, LEAD_S) if sound is not None else []
    return [(top.evidence.vector(), top.command == job.meant) for top in (_best(one, job.live) for one in whole)]


def _best(samples: Sound, live: tuple[str, ...]) -> chance.Candidate:
    _, phones, words, weighing = _ready()
    ranking = phones.rank(samples)
    best: dict[str, float] = {}
    for (_, phrase), score in zip(phones.phrases, ranking.whole.tolist(), strict=True):
        best[phrase] = max(score, best.get(phrase, -np.inf))
    each = np.array([best[phrase] for phrase in weighing.phrases])
    candidates = weighing.candidates(live, words.rank(samples).scores, each, ranking.decoy)
    return max(candidates, key=lambda candidate: candidate.evidence.lead)


def wordless() -> list[list[float]]:
    """What speaks for the best command in noises without a word."""
    grammar = english()
    together, everything = states(grammar), tuple(command.name for command in grammar.commands)
    kinds = ("hiss", "ambulance", "blower", "siren", "white") * 4
    sounds = [*noises()]
    for number, kind in enumerate(kinds):
        count = RATE_HZ * (8 + 4 * (number % 2)) // 10
        sound = of_kind(count, np.random.default_rng(number), kind, ())
        assert sound is not None
        sounds.append(np.float32(0.05) * sound)
    found = []
    for number, sound in enumerate(sounds):
        lives = (*(tuple(together[(7 * number + 5 * turn) % len(together)]) for turn in range(2)), everything)
        found += [_best(sound, live).evidence.vector() for live in lives]
    return found


def _sound(job: Job) -> Sound | None:
    if job.spec.startswith("person "):
        said = level(hearing_voices.recording(Path(job.text)))[: 6 * RATE_HZ]
    else:
        said = spoken(job.spec, job.text)
    return in_room(said, f"{job.voice}|{job.text}", job.condition, ("es", "fr"))


def jobs(voices: dict[str, str], *, people: bool) -> list[Job]:
    """Each phrase and stranger in three conditions, with what it answers to, something else, or everything live."""
    grammar = english()
    together = states(grammar)
    everything = [command.name for command in grammar.commands]
    urgent = [command.name for command in grammar.commands if command.risk in {"danger", "stop"}]
    said = [(phrase, command.name) for command in grammar.commands for phrase in command.phrases]
    said += [(text, "") for text in strangers(STRANGERS_NEAR) + strangers(STRANGERS_FAR)]
    todo = []
    for voice, spec in voices.items():
        for text, meant in said:
            rng = np.random.default_rng(zlib.crc32(f"{voice}{text}".encode()))
            own = [live for live in together if meant in live][:1]
            for condition in rng.choice(SEEN, 3, replace=False):
                others = [together[int(rng.integers(len(together)))], everything, urgent]
                sets = [*own, others[int(rng.choice(3, p=(0.7, 0.2, 0.1)))]]
                if not meant:
                    sets += [together[zlib.crc32(f"{text}{condition}".encode()) % len(together)], everything]
                todo += [Job(voice, spec, text, meant or None, tuple(live), str(condition)) for live in sets]
    for language in ("es", "fr") if people else ():
        for number, file in enumerate(hearing_voices.person(language).values()):
            condition = SEEN[number % len(SEEN)]
            more = together[zlib.crc32(f"{file}{condition}".encode()) % len(together)]
            for live in (together[number % len(together)], more, everything):
                todo.append(Job(language, f"person {language}", str(file), None, tuple(live), condition))
    return todo


def gather(todo: list[Job], shares: int) -> Rows:
    """Evidence and truth of all jobs."""
    for job in todo:
        if not job.spec.startswith("person "):
            spoken(job.spec, job.text)  # rendered once, before processes part
    with multiprocessing.get_context("spawn").Pool(shares) as pool:
        found = [one for made in pool.imap_unordered(evidence, todo, chunksize=8) for one in made]
    return np.array([vector for vector, _ in found]), np.array([float(right) for _, right in found])


def fit(rows: Rows) -> tuple[list[float], float]:
    """Weights and offset of a logistic regression with a ridge, by Newton's method."""
    figures, right = rows
    middle, spread = figures.mean(axis=0), figures.std(axis=0) + 1e-9
    plain = np.column_stack([(figures - middle) / spread, np.ones(len(figures))])
    weights, ridge = np.zeros(plain.shape[1]), np.full(plain.shape[1], RIDGE)
    ridge[-1] = 0.0
    for _ in range(100):
        chances = 1 / (1 + np.exp(-np.clip(plain @ weights, -30, 30)))
        slope = plain.T @ (right - chances) - ridge * weights
        step = np.linalg.solve((plain * (chances * (1 - chances))[:, None]).T @ plain + np.diag(ridge), slope)
        weights += step
        if np.abs(step).max() < 1e-9:
            break
    found = weights[:-1] / spread
    return found.tolist(), float(weights[-1] - found @ middle)


def reliability(rows: Rows, weights: list[float], offset: float) -> list[list[float]]:
    """From, to, utterances, mean chance, share right."""
    chances = 1 / (1 + np.exp(-np.clip(rows[0] @ np.array(weights) + offset, -30, 30)))
    found = []
    for low, high in itertools.pairwise(EDGES):
        here = (chances >= low) & (chances < high)
        if here.any():
            figures = (chances[here].mean(), rows[1][here].mean())
            found.append([low, high, int(here.sum()), *(round(float(figure), 3) for figure in figures)])
    return found


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--every", type=int, default=1)
    arguments.add_argument("--shares", type=int, default=1)
    wanted = arguments.parse_args()
    figures, right = gather(jobs(to_hand(NATURAL_TUNING), people=True)[:: wanted.every], wanted.shares)
    noise = np.array(wordless())
    rows = np.vstack([figures, noise]), np.append(right, np.zeros(len(noise)))
    kept_out = gather(jobs(to_hand(NATURAL_HELD_OUT), people=False)[:: wanted.every], wanted.shares)
    kept = [place for place, name in enumerate(chance.names()) if name not in LEFT_OUT]
    some, offset = fit((rows[0][:, kept], rows[1]))
    weights = [0.0] * len(chance.names())
    for place, weight in zip(kept, some, strict=True):
        weights[place] = weight
    data = json.loads(FILE.read_text(encoding="utf-8"))
    data["run"].update({"utterances": len(right), "tuning voices": list(NATURAL_TUNING), "ridge": RIDGE})
    own = data["engines"]["mixed"]
    own["weights"], own["offset"] = [round(weight, 4) for weight in weights], round(offset, 4)
    (key,) = [name for name in own if name.startswith("reliability")]
    own[key] = reliability(kept_out, weights, offset)
    print(*(f"\n  {name}: {weight:.3f}" for name, weight in zip(chance.names(), weights, strict=True)))
    print("  reliability:", own[key])
    FILE.write_text(json.dumps(data, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
