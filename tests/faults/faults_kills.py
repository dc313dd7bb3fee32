"""Sessions that are killed at random moments and started again, until they come to their end.

Each piece runs in a forked process on a line as fast as it is read. What it was told by the journal, and what was
really answered, goes out through a pipe at once: that survives the kill, and is held against the record afterwards.
"""

from __future__ import annotations

import json
import os
import random
import signal
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from faults_driver import cut_off, driver

from voicecoach.audio.line import RATE_HZ, Block
from voicecoach.audio.quiet import QuietLine
from voicecoach.protocol.navigation.position import step_at
from voicecoach.record.journal import Journal, WriteResult
from voicecoach.record.read import Session, read
from voicecoach.runtime import open_sessions as sessions
from voicecoach.runtime import resume
from voicecoach.runtime.loop import Coach, Parts
from voicecoach.session.events import Event, Heard, Reopened, Role
from voicecoach.session.machine import Machine
from voicecoach.session.setup import Setup
from voicecoach.session.table import OVER
from voicecoach.session.vocabulary import ASKED_OF_OBSERVER
from voicecoach.speak.silent import SilentVoice

REPLIES = {
    "reason": "practice-run", "mirror": "yes", "removal-area": "yes", "end": "yes", "right": "right",
    "all-clear": "confirm",
}  # fmt: skip
PATIENCE_S = 0.3
KILL_AFTER_S = (0.0, 0.15)
"""A process is killed after a random time in this range (s), from its start or, mostly, from its first event."""
STARTING = 0.2
"""So many kills strike a process that is still reading its record."""


class Wearer:
    """A recogniser that answers whatever is asked, as the protocol has it, a little after the prompt has been said."""

    engine = "typed"

    def __init__(self, setup: Setup, pipe: int) -> None:
        self._rules, self._pipe = setup, pipe
        self.coach: Coach | None = None
        self._quiet_since = 0
        self._now = 0

    def listen(self, commands: tuple[str, ...]) -> None:
        pass

    def feed(self, block: Block) -> None:
        self._now = block.end
        assert self.coach is not None
        if self.coach.state.sounding or not self._quiet_since:
            self._quiet_since = block.end

    def poll(self) -> list[Event]:
        if self._now - self._quiet_since < PATIENCE_S * RATE_HZ:
            return []
        self._quiet_since = self._now
        word, role = self._word()
        began = self._now - 1600
        return [Heard(self._now, word, word, began, self._now, role=role, source="typed")] if word else []

    def _word(self) -> tuple[str, Role]:
        """What is said next, and by whom."""
        assert self.coach is not None
        state = self.coach.state
        observing = state.mode == "pair" and (state.question in ASKED_OF_OBSERVER or state.status == "confirming")
        if state.status == "confirming":
            return "confirm", "observer"
        if state.status == "asking":
            return REPLIES[state.question], "observer" if observing else "wearer"
        if state.status == "working":
            return "start-removal", "wearer"
        return self._answer(), self._role()

    def _role(self) -> Role:
        assert self.coach is not None
        state = self.coach.state
        step = step_at(self._rules.protocol, state.place)
        if step is None:
            return "wearer"
        return next((role for role in (step.role, *step.also) if role not in state.answered), step.role)

    def _answer(self) -> str:
        assert self.coach is not None
        state = self.coach.state
        step = step_at(self._rules.protocol, state.place)
        if step is not None and step.quiet_s and state.status == "awaiting":
            return "done"
        if step is None or state.status not in {"awaiting", "acknowledging", "drying"}:
            return ""
        if state.status == "acknowledging":
            return "understood"
        if step.timing and state.status != "drying":
            return step.timing.start
        send(self._pipe, said=step.name)
        if step.asks_for:  # its own answer, and that of the quiet step before it
            send(self._pipe, said=step.asks_for)
        return step.answers[0]

    def restart(self) -> None:
        pass

    def close(self) -> None:
        pass


class ToldJournal(Journal):
    """A journal that passes on which events it says are on the disk."""

    pipe = -1

    def write(self, event: Event) -> WriteResult:
        written = super().write(event)
        if not written.late:
            send(self.pipe, saved=[written.seq, event.kind, event.at])
        return written


def send(pipe: int, **what: object) -> None:
    os.write(pipe, json.dumps(what).encode() + b"\n")


def piece(root: Path, pipe: int) -> None:
    """One life of the program, which continues the open session until its end."""
    ToldJournal.pipe = pipe
    found = sessions.find_whole(root)
    if found is None:
        send(pipe, ended=True)
        return
    setup, now = found.setup, found.state.at
    journal = ToldJournal.open_existing(found.folder)
    ear = Wearer(setup, pipe)
    coach = Coach(Parts(Machine(setup), ear, QuietLine(start=now), SilentVoice(), journal), found.state, now)
    ear.coach = coach
    coach.begin(Reopened(now, 0.0, "the program was started again"))
    coach.run()
    journal.close()
    send(pipe, ended=True)


@dataclass
class Tally:
    """What was counted. kills: of processes that were still running. lost: events said to be on the disk that are not
    there. unsaid: steps on record as confirmed more often than they were answered. broken: records with a broken chain.
    """

    kills: int = 0
    sessions: int = 0
    events: int = 0
    confirmed: int = 0
    lost: int = 0
    unsaid: int = 0
    broken: int = 0
    not_ended: int = 0
    resumed: int = 0
    which: list[str] = field(default_factory=list)


def life(root: Path, kill_after_s: float | None, *, starting: bool = False) -> tuple[bool, list[dict[str, Any]]]:
    """Run a piece in a process of its own; whether it was killed, and what it reported.

    kill_after_s: counted from its start when `starting`, otherwise from its first event.
    """
    mine, theirs = os.pipe()
    pid = os.fork()
    if pid == 0:
        status = 1
        try:
            os.close(mine)
            piece(root, theirs)
            status = 0
        finally:
            os._exit(status)
    os.close(theirs)
    with os.fdopen(mine, "rb", buffering=0) as reports:
        lines = reports.readline() if kill_after_s is not None and not starting else b""
        if kill_after_s is not None:
            time.sleep(kill_after_s)
            os.kill(pid, signal.SIGKILL)
        lines += reports.read()
    _, how = os.waitpid(pid, 0)
    assert os.WIFSIGNALED(how) or os.WEXITSTATUS(how) == 0, "the session crashed"
    return os.WIFSIGNALED(how), [json.loads(line) for line in lines.splitlines(keepends=True) if line.endswith(b"\n")]


def kill_and_continue(root: Path, kills: int, rng: random.Random, each: int = 10, mode: str = "solo") -> Tally:
    """Kill until so many processes died of it, about `each` times a session, and carry every session on to its end.

    A session begins at a random step at which something is worn.
    """
    tally = Tally()
    steps = [step.name for stage in ("dress", "undress") for step in driver.setup().protocol.steps(stage)][1:]
    starts = [step for step in steps if step != "practice-mask-away"]  # quiet: not asked there
    while tally.kills < kills:
        tally.sessions += 1
        place = root / f"session-{tally.sessions}"
        cut_off(place / "cut-off", rng.choice(starts), mode=mode)
        reports: list[dict[str, Any]] = []
        wanted = min(kills, tally.kills + each)
        while not any("ended" in one for one in reports):
            after_s = rng.uniform(*KILL_AFTER_S) if tally.kills < wanted else None
            killed, more = life(place, after_s, starting=rng.random() < STARTING)
            reports += more
            tally.kills += killed
        session = read(place / "cut-off")
        count(tally, session, reports)
        # a kill between the last event and its effects leaves no line that says so, but the events do
        tally.not_ended += resume.replayed(driver.setup(), session).status not in OVER
    return tally


def count(tally: Tally, session: Session, reports: list[dict[str, Any]]) -> None:
    """Compare what was reported with the record."""
    first = next(n for n, line in enumerate(session.lines) if line.data.get("event") == "reopened")
    there = {(line.seq, line.event.kind, line.event.at) for line in session.lines if line.event is not None}
    saved = {tuple(one["saved"]) for one in reports if "saved" in one}
    said = Counter(one["said"] for one in reports if "said" in one)
    confirmed: Counter[str] = Counter()
    for line in session.lines[first:]:
        tally.resumed += line.data.get("event") == "reopened"
        if line.data.get("what") == "step-confirmed":
            confirmed[dict(line.data["details"])["step"]] += 1
    tally.broken += session.broken_at is not None
    tally.events += len(saved)
    tally.confirmed += confirmed.total()
    tally.lost += len(saved - there)
    tally.unsaid += (confirmed - said).total()
    tally.which += (confirmed - said).elements()
