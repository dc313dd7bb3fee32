"""Fits the chance that a command is right, into `voicecoach/listen/chance.json`: `python tests/bench/chance_fit.py`.

Run it when a network, the mixture or the evidence has changed. Both engines together are fitted, and moonshine alone.
The voices are those of NATURAL_TUNING, with words that are no commands, noises, and Spanish and French talk for
strangers; the counts beside the weights are of NATURAL_HELD_OUT, in the conditions with an aim. The floors are not
fitted: they are what a mistake of each risk may cost, and stay as they stand. `--drawn 0.3` takes that share of all
utterances (drawn by a checksum), `--held-out 0.5` that share of the counted ones, `--counts` keeps the weights and
counts only, `--shares N` uses N processes. What was scored in an earlier run, or by the accuracy bench, is not scored
again; with nothing stored, 1,000 utterances take two minutes and a half of one core.
"""

from __future__ import annotations

import argparse
import functools
import itertools
import json
import multiprocessing
import re
import zlib
from dataclasses import dataclass
from pathlib import Path

import hearing_voices
import numpy as np
from hearing_accuracy import AIMED, Job, cuts, drawn
from hearing_accuracy import jobs as bench_jobs
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
from hearing_states import can_mean, states
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
LEFT_OUT = {
    "mixed": ("moonshine under -4", "phones", "phones under -2"),
    "moonshine": (
        "phones", "lead_decoys", "behind", "phones under -2", "behind decoys", "phones by letters", "phones of one word"
    ),
}  # fmt: skip
"""Not fitted: for both engines together a word would become likelier as moonshine's score of it fell, or as the
phonemes found less of it (they count by its letters and for one word); moonshine alone has no phones."""
Rows = tuple[NDArray[np.float64], NDArray[np.float64]]
Vectors = dict[str, list[float]]
"""What speaks for the best command, by engine."""


@functools.cache
def _ready() -> tuple[KeptPhonemes, KeptMoonshine, chance.Weighing, chance.Weighing]:
    grammar, phones, words = english(), KeptPhonemes(), KeptMoonshine()
    phones.prepare(grammar)
    words.prepare(grammar)
    both = chance.Weighing(grammar, chance.MIXED, words.expected)
    return phones, words, both, chance.Weighing(grammar, chance.ALONE)


@dataclass(frozen=True)
class Case:
    """An utterance, and the live sets in which it is weighed. babble: whose talk is around it where talk is."""

    job: Job
    lives: tuple[tuple[str, ...], ...]
    babble: tuple[str, str] = ("es", "fr")


def evidence(case: Case) -> list[tuple[str, list[float], bool]]:
    """Engine, what speaks for the best command, and whether that is right; empty if the cut found no utterance."""
    sound = _sound(case)
    return [
        (engine, top.evidence.vector(), top.command == case.job.meant)
        for samples in (cuts(sound, LEAD_S) if sound is not None else [])
        for live in case.lives
        for engine, top in _best(samples, live).items()
    ]


def _best(samples: Sound, live: tuple[str, ...]) -> dict[str, chance.Candidate]:
    """Each engine's best candidate."""
    phones, words, both, alone = _ready()
    ranking, heard = phones.rank(samples), words.rank(samples).scores
    best: dict[str, float] = {}
    for (_, phrase), score in zip(phones.phrases, ranking.whole.tolist(), strict=True):
        best[phrase] = max(score, best.get(phrase, -np.inf))
    each = np.array([best[phrase] for phrase in both.phrases])
    found = {"mixed": both.candidates(live, heard, each, ranking.decoy), "moonshine": alone.candidates(live, heard)}
    return {engine: max(some, key=lambda candidate: candidate.evidence.lead) for engine, some in found.items()}


def wordless() -> list[Vectors]:
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
        found += [{engine: top.evidence.vector() for engine, top in _best(sound, live).items()} for live in lives]
    return found


def _sound(case: Case) -> Sound | None:
    job = case.job
    if job.spec.startswith("person "):
        said = level(hearing_voices.recording(Path(job.text)))[: 6 * RATE_HZ]
    else:
        said = spoken(job.spec, job.text)
    return in_room(said, f"{job.voice}|{job.text}", job.condition, case.babble)


def tuning() -> list[Case]:
    """Each phrase and stranger in three conditions, with what it answers to, something else, or everything live."""
    grammar, together, todo = english(), states(english()), []
    said = [(phrase, command.name) for command in grammar.commands for phrase in command.phrases]
    said += [(text, "") for text in strangers(STRANGERS_NEAR) + strangers(STRANGERS_FAR)]
    for voice, spec in to_hand(NATURAL_TUNING).items():
        for text, meant in said:
            rng = np.random.default_rng(zlib.crc32(f"{voice}{text}".encode()))
            for condition in map(str, rng.choice(SEEN, 3, replace=False)):
                job = Job(voice, spec, text, meant or None, (), condition)
                todo.append(Case(job, _lives(job, together, grammar)))
    everything = tuple(command.name for command in grammar.commands)
    for language in ("es", "fr"):
        for number, file in enumerate(hearing_voices.person(language).values()):
            condition = SEEN[number % len(SEEN)]
            more = together[zlib.crc32(f"{file}{condition}".encode()) % len(together)]
            job = Job(language, f"person {language}", str(file), None, (), condition)
            todo.append(Case(job, (tuple(together[7 * number % len(together)]), tuple(more), everything)))
    return todo


def held_out() -> list[Case]:
    """The accuracy bench's utterances in the conditions with an aim."""
    grammar, together = english(), states(english())
    found = bench_jobs(grammar, to_hand(NATURAL_HELD_OUT), AIMED, quick=False, everything=False)
    return [Case(job, _lives(job, together, grammar), ("it", "ru")) for job in found]


def _lives(job: Job, together: list[list[str]], grammar: Grammar) -> tuple[tuple[str, ...], ...]:
    """For a command, a set in which it can be meant, and another, or everything, or the danger words; for a stranger,
    two sets and everything.
    """
    key = f"{job.voice}|{job.text}|{job.condition}"
    rng = np.random.default_rng(zlib.crc32(key.encode()))
    everything = [command.name for command in grammar.commands]
    others = [together[int(rng.integers(len(together)))], everything, [command.name for command in grammar.urgent]]
    sets = [others[int(rng.choice(3, p=(0.7, 0.2, 0.1)))]]
    if job.meant:
        own = can_mean(together, job.meant, key)
        sets += [own] if own else []
    else:
        sets += [together[zlib.crc32(key.encode()) % len(together)], everything]
    return tuple(tuple(live) for live in sets)


def gather(cases: list[Case], shares: int) -> dict[str, Rows]:
    """Evidence and truth of all, by engine."""
    for case in cases:
        if not case.job.spec.startswith("person "):
            spoken(case.job.spec, case.job.text)  # rendered once, before processes part
    with multiprocessing.get_context("spawn").Pool(shares) as pool:
        found = [one for made in pool.imap(evidence, cases, chunksize=8) for one in made]
    by_engine: dict[str, Rows] = {}
    for engine in LEFT_OUT:
        own = [(vector, float(right)) for name, vector, right in found if name == engine]
        by_engine[engine] = np.array([vector for vector, _ in own]), np.array([right for _, right in own])
    return by_engine


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
    arguments.add_argument("--drawn", type=float, default=1.0)
    arguments.add_argument("--held-out", type=float, default=1.0)
    arguments.add_argument("--counts", action="store_true")
    arguments.add_argument("--shares", type=int, default=1)
    wanted = arguments.parse_args()
    data = json.loads(FILE.read_text(encoding="utf-8"))
    if not wanted.counts:
        every = tuning()
        cases = [case for case in every if drawn(case.job, wanted.drawn)]
        rows, noise = gather(cases, wanted.shares), wordless()
        for engine, (figures, right) in rows.items():
            own = data["engines"][engine]
            silent = np.array([one[engine] for one in noise])
            weights, offset = fitted((np.vstack([figures, silent]), np.append(right, np.zeros(len(silent)))), engine)
            own["weights"], own["offset"] = [round(weight, 4) for weight in weights], round(offset, 4)
            print(engine, *(f"\n  {name}: {weight:.3f}" for name, weight in zip(chance.names(), weights, strict=True)))
        data["run"].update({
            "utterances": len(cases), "of": len(every), "weighed in live sets": len(rows["mixed"][1]),
            "drawn": f"by a checksum of voice, words and condition (--drawn {wanted.drawn})",
            "tuning voices": list(NATURAL_TUNING), "ridge": RIDGE,
        })  # fmt: skip
    counted = [case for case in held_out() if drawn(case.job, wanted.held_out)]
    voices = ", ".join(NATURAL_HELD_OUT)
    data["run"]["reliability"] = f"{len(counted)} utterances of {voices}, with live sets as in the fit"
    for engine, found in gather(counted, wanted.shares).items():
        own = data["engines"][engine]
        (key,) = [name for name in own if name.startswith("reliability")]
        own[key] = reliability(found, own["weights"], own["offset"])
        print(f"  reliability of {engine}:", own[key])
    FILE.write_text(_plain(data), encoding="utf-8")


def fitted(rows: Rows, engine: str) -> tuple[list[float], float]:
    """As `fit`, with 0 for what is left out."""
    kept = [place for place, name in enumerate(chance.names()) if name not in LEFT_OUT[engine]]
    some, offset = fit((rows[0][:, kept], rows[1]))
    weights = [0.0] * len(chance.names())
    for place, weight in zip(kept, some, strict=True):
        weights[place] = weight
    return weights, offset


def _plain(data: object) -> str:
    """JSON with each list of numbers on one line."""
    text = json.dumps(data, indent=1)
    numbers = re.compile(r"\[[-\d.,\s]+\]")
    return numbers.sub(lambda found: json.dumps(json.loads(found[0])), text) + "\n"


if __name__ == "__main__":
    main()
