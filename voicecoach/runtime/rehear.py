"""Runs a session's kept sound through another recogniser, and lists every difference from what was heard then."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import current_process, get_context
from pathlib import Path
from typing import Literal

import numpy as np

from voicecoach.audio.line import RATE_HZ, Block, Samples
from voicecoach.debrief.moments import Moment, moments, samples_of
from voicecoach.debrief.texts import recorded_texts
from voicecoach.errors import InputError, VoicecoachError
from voicecoach.listen import registry
from voicecoach.listen.in_process import InProcessRecogniser
from voicecoach.listen.process import RecogniserProcess
from voicecoach.listen.recogniser import Recogniser
from voicecoach.record.read import Session, read
from voicecoach.session.events import Heard

TAIL_S = 1.0
"""Silence appended to each clip, in which an utterance ends (s)."""
PIECE_S = 0.1
SHIFT_S = 0.25
"""A decision this much earlier or later counts as a difference (s)."""

FLOOR = re.compile(r"\b((?:floor|inside):\s*)(-?\d+(?:\.\d+)?)")
"""A floor in a grammar's text; phrases are never followed by a number."""

DifferenceKind = Literal["otherwise", "earlier", "later", "not at all", "newly"]


@dataclass(frozen=True, slots=True)
class Difference:
    """One utterance that is heard differently. at_s: when it was said (s). was, now: what it was and is taken for."""

    at_s: float
    kind: DifferenceKind
    was: str
    now: str
    by_s: float = 0.0

    def describe(self) -> str:
        """As one line."""
        if self.kind in {"earlier", "later"}:
            return f"{self.was}: {self.by_s:.2f} s {self.kind}"
        return f"{self.kind}: {self.was or 'nothing'} -> {self.now or 'nothing'}"


@dataclass(frozen=True, slots=True)
class Rehearing:
    """The result for one session. said: utterances compared. trouble: why it failed, or ''."""

    folder: str
    said: int
    differences: tuple[Difference, ...]
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class RecogniserChoice:
    """Which recogniser to use. grammar: its text, '' for the session's own. floor: added to every floor."""

    engine: str
    grammar: str = ""
    grammar_file: str = ""
    model: str | None = None
    floor: float = 0.0


def rehear(session: Session, ear: Recogniser) -> Rehearing:
    """Run the kept sound of a session through a recogniser.

    Args:
        session: the record. ear: a recogniser in lockstep; it is given the commands that were live then. The clips
        contain the coach's own voice, and no echo is cancelled, which may confuse it.

    Raises:
        EngineError: the recogniser failed.
    """
    then = [event for event in session.events if isinstance(event, Heard) and event.source == "voice"]
    live = _listening(session)
    now: list[Heard] = []
    clips = moments(session)
    for number, moment in enumerate(clips):
        decided = [one.at for one in then if moment.begin <= one.begin and one.end <= moment.end]
        ear.listen(live(max(decided, default=moment.end)))
        end = clips[number + 1].begin if number + 1 < len(clips) else None
        now += _hear(ear, moment, samples_of(session, moment), end)
    covered = [one for one in then if any(m.begin <= one.begin and one.end <= m.end for m in clips)]
    return Rehearing(str(session.folder), len(covered), tuple(_differences(covered, now)))


def _hear(ear: Recogniser, moment: Moment, sound: Samples, until: int | None) -> Iterator[Heard]:
    tail = round(TAIL_S * RATE_HZ)
    if until is not None and until < moment.end:
        sound = sound[: max(0, until - moment.begin)]
    sound = np.concatenate([sound, np.zeros((tail, sound.shape[1]), np.float32)])
    piece = round(PIECE_S * RATE_HZ)
    for at in range(0, len(sound), piece):
        part = sound[at : at + piece]
        ear.feed(Block(moment.begin + at, part, np.zeros(len(part), np.float32)))
    yield from (event for event in ear.poll() if isinstance(event, Heard))


def _listening(session: Session) -> Callable[[int], tuple[str, ...]]:
    """A function that gives the commands live at a sample: the last list before it."""
    known: list[tuple[int, tuple[str, ...]]] = []
    for line in session.lines:
        commands = line.data.get("commands")
        if line.kind == "effect" and line.data.get("effect") == "listen" and isinstance(commands, list):
            known.append((line.at, tuple(map(str, commands))))
    return lambda at: next((commands for begun, commands in reversed(known) if begun < at), ())


def _differences(then: Sequence[Heard], now: Sequence[Heard]) -> Iterator[Difference]:
    free = list(now)
    found = []
    for was in then:
        same = max(free, key=lambda one: _shared(one, was), default=None)
        if same is None or _shared(same, was) <= 0:
            if was.command is not None:
                found.append(Difference(was.begin / RATE_HZ, "not at all", _named(was), ""))
            continue
        free.remove(same)
        by_s = (same.at - was.at) / RATE_HZ
        if same.command != was.command:
            found.append(Difference(was.begin / RATE_HZ, "otherwise", _named(was), _named(same)))
        elif was.command is not None and abs(by_s) > SHIFT_S:
            kind: DifferenceKind = "later" if by_s > 0 else "earlier"
            found.append(Difference(was.begin / RATE_HZ, kind, _named(was), _named(same), abs(by_s)))
    found += [Difference(one.begin / RATE_HZ, "newly", "", _named(one)) for one in free if one.command is not None]
    yield from sorted(found, key=lambda one: one.at_s)


def _shared(one: Heard, other: Heard) -> int:
    return min(one.end, other.end) - max(one.begin, other.begin)


def _named(heard: Heard) -> str:
    return heard.command or f"refused ({heard.phrase or 'no words'})"


def with_floor(grammar: str, shift: float) -> str:
    """A grammar's text with `shift` added to every floor (log-odds per phone; below 0 accepts more).

    Raises:
        InputError: it has no floors.
    """
    moved, found = re.subn(
        r"\b((?:floor|inside):\s*)(-?\d+(?:\.\d+)?)", lambda m: f"{m[1]}{float(m[2]) + shift:g}", grammar
    )
    if not found:
        raise InputError("has no floors", where="grammar", expected="risks, each with a floor")
    return moved


def rehear_folder(folder: str, chosen: RecogniserChoice, key: bytes | None = None) -> Rehearing:
    """Run one session's sound through a recogniser of its own; failures are part of the result."""
    try:
        session = read(Path(folder), key)
        text = chosen.grammar or recorded_texts(session).grammar
        if chosen.floor:
            text = with_floor(text, chosen.floor)
        made = session.manifest
        name = chosen.grammar_file or "grammar.yaml"
        roles = registry.roles_of(made.mode == "pair", made.channels or 1)
        spec = registry.spec(chosen.engine, text, name, model=chosen.model, roles=roles)
        # a worker of a cluster may not start processes; nobody waits here if a recogniser hangs
        ear: Recogniser = (
            InProcessRecogniser(spec) if current_process().daemon else RecogniserProcess(spec, lockstep=True)
        )
        try:
            return rehear(session, ear)
        finally:
            ear.close()
    except VoicecoachError as error:
        return Rehearing(folder, 0, (), error.line())


def rehear_all(folders: Iterable[Path], chosen: RecogniserChoice, key: bytes | None = None) -> Iterator[Rehearing]:
    """Do this for many sessions, as many at once as there are cores; results are in the order of the folders."""
    names = [str(folder) for folder in folders]
    if len(names) < 2:
        yield from (rehear_folder(name, chosen, key) for name in names)
        return
    with ProcessPoolExecutor(min(len(names), os.cpu_count() or 1), mp_context=get_context("spawn")) as pool:
        yield from pool.map(rehear_folder, names, [chosen] * len(names), [key] * len(names))
