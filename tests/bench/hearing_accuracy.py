"""Right, wrong, refused and mistaken, of voices held out of tuning: `python tests/bench/hearing_accuracy.py [--quick]`.

Each utterance goes through the real cut and the real engine, in a live set of a session in which it can be meant;
strangers in one drawn by chance. What is refused may go on after a pause, as in a session. Engines and baselines hear
the same sounds. `--all` leaves every phrase live, `--tuning` uses the voices on which the chances were fitted,
`--shares N` uses N processes, `--drawn 0.3` that share of the utterances (drawn by a checksum, the same every time),
`--aims` the conditions with an aim and the ambulance alone, `--only mixed,phonemes` just those engines, `--pipeline`
sends each utterance, with 9 s of its room before it, through the whole pipeline (only the product's engines can),
`--talk` hears the ordinary sentences alone. Bounds are exact, 95 %, one-sided.

Without `--pipeline` the cut starts just before the word, in a room that it knows, so that the voices around the speaker
get no chance to be taken for one: of 89 utterances of the tuning voices in quiet, behind a mask and among three voices,
10 came out otherwise through the pipeline, 8 of them among voices. Short forms: `--aims --drawn 0.3`, about 1,500
utterances with all baselines, and `--aims --drawn 0.06 --pipeline --only mixed`.
The trade-off between right and wrong is drawn into hearing-tradeoff.svg in the current folder. `--quick`: two voices,
two phrases a command, four conditions. It exits with 1 if more than one in a hundred was wrong or taken with the
product's own engine.
"""

from __future__ import annotations

import argparse
import functools
import multiprocessing
import os
import sys
import zlib
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import hearing_voices
import numpy as np
from hearing_cache import CUT, MAKERS, remembered
from hearing_engines import Take, Taken, engines
from hearing_sounds import (
    CONDITIONS,
    LEAD_S,
    NATURAL_HELD_OUT,
    NATURAL_TUNING,
    STRANGERS_FAR,
    STRANGERS_NEAR,
    Sound,
    english,
    in_room,
    level,
    lower,
    owners,
    spoken,
    strangers,
    table,
    to_hand,
    upper,
)
from hearing_states import can_mean, states
from hearing_tradeoff import draw

from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ
from voicecoach.grammar import URGENT, Grammar
from voicecoach.listen.engines.scorer import Scorer
from voicecoach.listen.pipeline import Pipeline
from voicecoach.listen.segmenter import Segment, Segmenter
from voicecoach.listen.voice_detector import CHUNK
from voicecoach.session.events import Heard as HeardEvent

INTRODUCED_S = 9.0
"""Room before a word that goes through the whole pipeline. A session speaks for longer before it waits for the first
answer; where it begins amid other people's talk, that talk counts as speech that does not stop for the first 3 s."""
BETWEEN = RATE_HZ * 6 // 10
"""Frames between two sentences of one speaker."""
ONLY = "VOICECOACH_BENCH_ONLY"
"""Set for the processes that share the work."""
WHOLE = "VOICECOACH_BENCH_PIPELINE"
"""Set for them too if utterances go through the whole pipeline."""
DRAW = "short form 1"
"""Another text draws other utterances."""
QUICK = ("quiet", "mask, 20 dB", "mask, 10 dB", "three voices, 10 dB")
AIMS = {
    "quiet": (0.98, 0.92, 0.002), "mask, 20 dB": (0.95, 0.88, 0.003), "mask, 10 dB": (0.85, 0.70, 0.005),
    "three voices, 20 dB": (0.93, 0.93, 0.005), "three voices, 10 dB": (0.60, 0.60, 0.005),
}  # fmt: skip
"""Right of two words and of one, and wrong."""
DANGER_AIMS = {"quiet": 0.97, "mask, 10 dB": 0.90, "ambulance, 10 dB": 0.90}
AIMED = (*AIMS, "ambulance, 10 dB")


@dataclass(frozen=True)
class Job:
    """One utterance. meant: the command, None for a stranger. live: command ids."""

    voice: str
    spec: str
    text: str
    meant: str | None
    live: tuple[str, ...]
    condition: str


@dataclass(frozen=True)
class Heard:
    """What an engine made of a job. over: by how much `best` met its floor."""

    engine: str
    job: Job
    got: str | None
    asked: str | None
    over: float
    best: str | None


def cut(sound: Sound) -> Sound | None:
    """The one utterance in a scene; None if it was cut to pieces or not found."""
    return next(iter(cuts(sound)), None)


def cuts(sound: Sound, begin_s: float = 0.0) -> list[Sound]:
    """The utterance in a scene that lies after `begin_s` of room, if the cut finds just one there."""
    found = remembered(f"{CUT} one {begin_s}", sound, lambda: _cuts(sound, begin_s))
    return [sound[start:stop] for start, stop in found]


def _cuts(sound: Sound, begin_s: float) -> list[tuple[int, int]]:
    """First sample of each and the one after it."""
    found = _segments(sound, begin_s, lambda _: False)
    alone = len(found) == 1 and not found[0].part
    return [(one.start, one.start + len(one.samples)) for one in found] if alone else []


def _segments(sound: Sound, begin_s: float, unfinished: Callable[[Segment], bool]) -> list[Segment]:
    segmenter = Segmenter(unfinished=unfinished)
    quiet = max(round((begin_s - 0.3) * RATE_HZ) // CHUNK * CHUNK, 0)
    segmenter._reset(quiet)
    for at in range(0, quiet, CHUNK):  # what the room is like is learnt without the voice detector, which is slow
        power = float(np.mean(sound[at : at + CHUNK] ** 2))
        segmenter._without.append(power)
        segmenter._powers.append(power)
    return [thing.segment for thing in segmenter.feed(quiet, sound[quiet:]) if thing.what in {"whole", "cut"}]


@functools.cache
def _ready() -> tuple[Grammar, dict[str, Take]]:
    grammar = english()
    return grammar, engines(grammar, os.environ.get(ONLY, ""))


def hear(job: Job) -> list[Heard]:
    """What every engine makes of it; empty if its noise is not to hand."""
    key, whole_way = f"{job.voice}|{job.text}", bool(os.environ.get(WHOLE))
    sound = in_room(spoken(job.spec, job.text), key, job.condition, lead_s=INTRODUCED_S if whole_way else LEAD_S)
    if sound is None:
        return []
    live = list(job.live)
    if whole_way:
        return [
            Heard(name, job, *_worst(through(sound, name, live), job.meant)) for name in _ready()[1] if name in MAKERS
        ]
    whole = cuts(sound, LEAD_S)
    made = []
    for name, take in _ready()[1].items():
        taken = [take(whole[0], live)] if whole else in_pieces(sound, take, live)
        made.append(Heard(name, job, *_worst(taken, job.meant)))
    return made


def through(sound: Sound, engine: str, live: list[str]) -> list[Taken]:
    """What the pipeline makes of a scene from its first sample on."""
    grammar = english()
    ear = Pipeline(_scorer(engine), grammar, {0: "wearer"})
    ear.listen(live)
    blocks = np.pad(sound, (0, -len(sound) % BLOCK_FRAMES)).reshape(-1, BLOCK_FRAMES, 1)
    played = np.zeros(BLOCK_FRAMES, np.float32)
    events = [event for at, block in enumerate(blocks) for event in ear.feed(at * BLOCK_FRAMES, block, played)]
    owner = owners(grammar)
    return [
        (event.command, event.near, event.score - event.floor, owner.get(event.phrase))
        for event in events
        if isinstance(event, HeardEvent)
    ]


@functools.cache
def _scorer(engine: str) -> Scorer:
    return MAKERS[engine]()


def in_pieces(sound: Sound, take: Take, live: list[str]) -> list[Taken]:
    """What an engine takes where the cut finds no utterance or several, as the pipeline does: what means nothing yet
    may go on after a short pause, and is then heard as a whole, and from the pause on.
    """
    urgent = [command.name for command in _ready()[0].urgent if command.name in live]
    taken = []
    for one in _segments(sound, LEAD_S, lambda first: take(first.samples, live)[0] is None):
        got = take(one.samples, urgent if one.part else live)
        if got[0] is None and not one.part and one.resumed > one.begin:
            after = take(one.after_pause().samples, live)
            got = after if after[0] or not got[1] else got
        taken.append(got)
    return taken


def _worst(taken: list[Taken], meant: str | None) -> Taken:
    """The one that counts: something wrong before what is right, and that before what is asked about."""
    order = [got for got in taken if got[0] not in {None, meant}]
    order += [got for got in taken if got[0] is not None] + [got for got in taken if got[1]]
    return next(iter(order), taken[0] if taken else (None, None, -99.0, None))


def jobs(
    grammar: Grammar, voices: dict[str, str], conditions: Sequence[str], *, quick: bool, everything: bool
) -> Iterator[Job]:
    """All utterances to be heard."""
    together = [[command.name for command in grammar.commands]] if everything else states(grammar)
    for voice, spec in voices.items():
        for condition in conditions:
            for command in grammar.commands:
                for phrase in command.phrases[: 2 if quick else None]:
                    if live := can_mean(together, command.name, f"{voice}|{phrase}|{condition}"):
                        yield Job(voice, spec, phrase, command.name, tuple(live), condition)
            for text in strangers(STRANGERS_NEAR) + strangers(STRANGERS_FAR):
                number = zlib.crc32(f"{voice}{condition}{text}".encode())
                yield Job(voice, spec, text, None, tuple(together[number % len(together)]), condition)


def drawn(job: Job, share: float) -> bool:
    """Whether a short form of this share has the utterance."""
    key = f"{DRAW}|{job.voice}|{job.text}|{job.condition}"
    return zlib.crc32(key.encode()) < share * 2**32


def report(heard: Sequence[Heard], grammar: Grammar) -> tuple[int, int]:
    """Print the tables; of the product's own engine, how many were wrong or taken, and of how many."""
    urgent = {command.name for command in grammar.commands if command.risk in URGENT}
    counts: dict[tuple[str, str], Counter[str]] = defaultdict(Counter)
    confused: Counter[tuple[str, str, str, str]] = Counter()
    for one in heard:
        count, meant = counts[one.engine, one.job.condition], one.job.meant
        right = one.got == meant
        if meant is None:
            count["strangers"] += 1
            count["taken for danger" if one.got in urgent else "taken"] += one.got is not None
        elif meant in urgent:
            count["danger"] += 1
            count["danger right"] += right
            count["danger asked"] += not right and one.asked is not None
            count["wrong"] += one.got is not None and not right
        else:
            size = "two" if " " in one.job.text else "one"
            count[size] += 1
            count[f"{size} right"] += right
            count["wrong"] += one.got is not None and not right
        if one.got is not None and not right:
            confused[one.engine, one.job.condition, one.job.text, one.got] += 1
    rows, missed = [], []
    for (engine, condition), count in counts.items():
        said = count["one"] + count["two"] + count["danger"]
        shares = {
            "two words": (count["two right"], count["two"]), "one word": (count["one right"], count["one"]),
            "danger, right or asked": (count["danger right"] + count["danger asked"], count["danger"]),
        }  # fmt: skip
        figures = [f"{part}/{of} {part / max(of, 1):.1%} (>= {lower(part, of):.1%})" for part, of in shares.values()]
        bound = f"{upper(count['wrong'], max(said, 1)):.1%}"
        most = upper(count["taken"], max(count["strangers"], 1))
        taken = f"{count['taken']} (<= {most:.1%}) + {count['taken for danger']}/{count['strangers']}"
        rows.append((engine, condition, *figures, f"{count['wrong']}/{said}", bound, taken))
        if engine == "mixed":
            two, one_word, wrong = AIMS.get(condition, (0.0, 0.0, 1.0))
            aims = {"two words": two, "one word": one_word, "danger, right or asked": DANGER_AIMS.get(condition, 0.0)}
            missed += [
                f"{condition}: {what} {right / of:.1%} of {aims[what]:.0%}"
                for what, (right, of) in shares.items()
                if of and right / of < aims[what]
            ]
            if said and count["wrong"] / said > wrong:
                missed.append(f"{condition}: wrong {count['wrong'] / said:.2%} of {wrong:.1%}")
    rows.sort(key=lambda row: (list(CONDITIONS).index(str(row[1])), str(row[0])))
    table(("engine", "condition", "two words", "one word", "danger", "wrong", "<=", "strangers + to danger"), rows)
    print("\naims missed (mixed): " + ("; ".join(missed) or "none of those measured here"))
    print("\ntaken for something else (mixed)")
    for (engine, condition, text, got), count_of in confused.most_common():
        if engine == "mixed":
            print(f"  {count_of} x {text!r} for {got} ({condition})")
    by_voice(heard, urgent)
    own = [count for (engine, _), count in counts.items() if engine == "mixed"]
    heard_all = sum(count[key] for count in own for key in ("one", "two", "danger", "strangers"))
    return sum(count["wrong"] + count["taken"] for count in own), heard_all


def by_voice(heard: Sequence[Heard], urgent: set[str]) -> None:
    """Print what the product's own engine heard of each voice."""
    rows: dict[tuple[str, str], Counter[str]] = defaultdict(Counter)
    for one in heard:
        if one.engine == "mixed" and one.job.meant not in {None, *urgent}:
            size = "two" if " " in one.job.text else "one"
            row, right = rows[one.job.voice, one.job.condition], one.got == one.job.meant
            row[size] += 1
            row[f"{size} right"] += right
            row["wrong"] += one.got is not None and not right
    print("\nby voice (mixed)")
    table(
        ("voice", "condition", "two words", "one word", "wrong"),
        [
            (*key, *(f"{row[f'{size} right']}/{row[size]}" for size in ("two", "one")), row["wrong"])
            for key, row in rows.items()
        ],
    )


def talk(grammar: Grammar, *, quick: bool) -> None:
    """Ordinary sentences of one person without a stop, each in a state drawn by chance: what is taken in an hour."""
    sentences = list(hearing_voices.sentences().items())[:: 5 if quick else 1]
    if not sentences:
        print("\nnot run: ordinary speech: asterisk-core-sounds-en-g722 is not installed")
        return
    urgent = {command.name for command in grammar.commands if command.risk in URGENT}
    together = states(grammar)
    rng = np.random.default_rng(0)
    rows, hours = [], 0.0
    for engine in ("mixed", "phonemes", "moonshine"):
        if engine not in (os.environ.get(ONLY) or engine).split(","):
            continue
        ear, at, count = Pipeline(MAKERS[engine](), grammar, {0: "wearer"}), 0, Counter[str]()
        for name, file in sentences:
            ear.listen(together[zlib.crc32(name.encode()) % len(together)])
            sound = np.pad(level(hearing_voices.recording(file)), (0, BETWEEN))
            sound = np.resize(sound, len(sound) // BLOCK_FRAMES * BLOCK_FRAMES)
            sound = sound + np.float32(3e-4) * rng.standard_normal(len(sound)).astype(np.float32)
            for block in sound.reshape(-1, BLOCK_FRAMES, 1):
                for event in ear.feed(at, block, np.zeros(BLOCK_FRAMES, np.float32)):
                    if not isinstance(event, HeardEvent):
                        continue
                    got = event.command
                    kind = "danger taken" if got in urgent else "answer taken" if got else "danger asked"
                    count[kind] += got is not None or event.near is not None
                    if got and engine == "mixed":
                        print(f"  mixed took {name!r} for {got}")
                at += BLOCK_FRAMES
        hours = at / RATE_HZ / 3600
        rows.append((engine, *(count[key] for key in ("answer taken", "danger taken", "danger asked"))))
    print(f"\nordinary sentences of one person, {hours:.2f} hours of them, session's live sets")
    table(("engine", "answer taken", "danger taken", "danger asked"), rows)


def main() -> int:
    arguments = argparse.ArgumentParser(description=__doc__)
    for flag in ("--quick", "--all", "--tuning", "--pipeline"):
        arguments.add_argument(flag, action="store_true")
    arguments.add_argument("--shares", type=int, default=1)
    arguments.add_argument("--aims", action="store_true")
    arguments.add_argument("--drawn", type=float, default=1.0)
    arguments.add_argument("--only", default="")
    arguments.add_argument("--talk", action="store_true")
    wanted = arguments.parse_args()
    os.environ[ONLY] = wanted.only
    os.environ[WHOLE] = "1" if wanted.pipeline else ""
    grammar = english()
    if wanted.talk:
        talk(grammar, quick=wanted.quick)
        return 0
    voices = to_hand(NATURAL_TUNING if wanted.tuning else NATURAL_HELD_OUT)
    voices = dict(list(voices.items())[: 2 if wanted.quick else None])
    conditions = QUICK if wanted.quick else AIMED if wanted.aims else tuple(CONDITIONS)
    every = jobs(grammar, voices, conditions, quick=wanted.quick, everything=wanted.all)
    todo = [job for job in every if drawn(job, wanted.drawn)]
    for job in todo:
        spoken(job.spec, job.text)  # rendered once, before processes part
    print(f"voices: {', '.join(voices)}; {len(todo)} utterances")
    if wanted.shares > 1:
        with multiprocessing.get_context("spawn").Pool(wanted.shares) as pool:
            heard = [one for made in pool.imap_unordered(hear, todo, chunksize=8) for one in made]
    else:
        heard = [one for job in todo for one in hear(job)]
    wrong, of = report(heard, grammar)
    talk(grammar, quick=wanted.quick)
    curves = {
        engine: [
            (one.over, one.best is not None and one.best == one.job.meant, one.job.meant is not None)
            for one in heard
            if one.engine == engine
        ]
        for engine in ("mixed", "phonemes", "moonshine")
    }
    Path("hearing-tradeoff.svg").write_text(draw(curves), encoding="utf-8")
    print("drawn: hearing-tradeoff.svg")
    return 1 if of and wrong / of > 0.01 else 0


if __name__ == "__main__":
    sys.exit(main())
