"""Sessions that a simulated wearer really runs: the machine, its timers and the journal are the program's own.

Only the people and the clock are made up. A wearer has a code, a number of sessions behind them, and the slips that a
seed gives them; the more sessions, the quicker and the fewer the slips. Nothing is written by hand and no row copied.
"""

from __future__ import annotations

import math
import random
import wave
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np
from timers import RunningTimers

from voicecoach.grammar import parse
from voicecoach.protocol.model import Step
from voicecoach.protocol.navigation.position import step_at
from voicecoach.protocol.site import load as load_site
from voicecoach.record import disk
from voicecoach.record.journal import Journal
from voicecoach.record.manifest import Manifest
from voicecoach.record.sound import HEADER_BYTES
from voicecoach.runtime.library import load_protocol
from voicecoach.session.effects import Close
from voicecoach.session.events import CLOCK_HZ, Event, Heard, Opened, PromptEnded, Role, SpeechStarted, TimerFired
from voicecoach.session.machine import Machine
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState

ROOT = Path(__file__).parents[2]
BEGUN = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
WORDS_A_SECOND = 2.4
MOST_EVENTS = 20_000
TRIES = 40

SITE = """\
name: Simulated site
tell: Call the shift lead.
check-every-min: 30
"""

REPLIES = {
    "reason": "practice-run", "mirror": "yes", "removal-area": "yes", "all-clear": "confirm", "end": "yes",
    "right": "right", "back": "not-finished", "near-breach": "no", "all-right": "yes", "item": "yes", "still-on": "no",
    "return": "no", "where": "neck", "touched": "arm", "skin": "no", "down": "no",
}  # fmt: skip
FALLBACK = (
    "yes", "right", "done", "clear", "dry", "confirm", "go-on", "resume", "no", "neck", "torn", "loose", "rubbing",
    "breach", "stop",
)  # fmt: skip


class QuickFile(disk.OwnFile):
    """A journal file that is not put on the disk after each line: nobody pulls a plug here."""

    def sync(self) -> None:
        pass


@cache
def texts(protocol: str) -> dict[str, bytes]:
    return {
        "protocol.yaml": load_protocol(protocol)[1].encode(),
        "grammar.yaml": (ROOT / "grammars/en.yaml").read_bytes(),
    }


@cache
def setup(protocol: str, site: str = SITE) -> Setup:
    words = texts(protocol)["grammar.yaml"].decode()
    return Setup(load_protocol(protocol)[0], parse(words, "grammar.yaml"), load_site(site, "site.yaml"))


@dataclass(frozen=True)
class Plan:
    """One session to run. attempt: from 1. slips: chance of each slip at each answer of a first attempt."""

    code: str = "W01"
    attempt: int = 1
    protocol: str = "n95-gown"
    seed: int = 1
    pair: bool = True
    slips: float = 0.03
    room: str = "1"
    begun: datetime = BEGUN
    site: str = SITE
    work_s: float = 900.0
    breach_at: str = ""
    """A step at which "breach" is called, whatever the seed."""
    ends_at: str = ""
    """A step at which the wearer ends the session, whatever is still owed."""
    sound: bool = False
    """Keep a clip of each utterance: a tone whose pitch tells which."""


class Simulated:
    """Runs one plan into a folder."""

    def __init__(self, plan: Plan, folder: Path) -> None:
        self.plan = plan
        self.rng = random.Random(f"{plan.seed} {plan.code} {plan.attempt}")  # noqa: S311
        self.setup = setup(plan.protocol, plan.site)
        self.machine = Machine(self.setup)
        self.state: SessionState = self.machine.start()
        self.at = 0
        self.due = RunningTimers()
        self.heard = 0
        self.worked = False
        self.breached: set[str] = set()
        self.ended = False
        roles = ("wearer", "observer") if plan.pair else ("wearer",)
        made_with = Manifest(
            "typed", "pair" if plan.pair else "solo", "clips" if plan.sound else "none",
            f"{self.setup.protocol.name} {self.setup.protocol.version}",
            f"{self.setup.grammar.name} {self.setup.grammar.version}",
            roles, {"voicecoach": "0.1.0"}, source="script",
        )  # fmt: skip
        people = {"wearer": plan.code, **({"observer": "T1"} if plan.pair else {})}
        made_with = replace(made_with, people=people, room=plan.room)
        copies = {**texts(plan.protocol), "site.yaml": plan.site.encode()}
        self.journal = Journal.create(folder, made_with, copies, opener=QuickFile, wall=self.wall, patience_s=30)

    def wall(self) -> datetime:
        return self.plan.begun + timedelta(seconds=self.at / CLOCK_HZ)

    def run(self) -> Path:
        plan = self.plan
        self.happens(
            Opened(0, "pair" if plan.pair else "solo", "typed", "clips" if plan.sound else "none", True, plan.pair)
        )
        self.said_out()
        for _ in range(MOST_EVENTS):
            if self.ended:
                break
            before = (self.state, self.at)
            self.act()
            assert (self.state, self.at) != before, self.state
        assert self.ended, self.state
        assert self.journal.close()
        return self.journal.folder

    def happens(self, event: Event) -> None:
        self.at = max(self.at, event.at)
        if isinstance(event, TimerFired):
            self.due.pop(event.timer, None)
        written = self.journal.write(event)
        self.state, effects = self.machine.step(self.state, event)
        self.journal.write_effects(written.seq, effects)
        for effect in effects:
            self.due.take(effect, self.at)
            self.ended = self.ended or isinstance(effect, Close)

    def said_out(self) -> None:
        while self.state.speech and not self.ended:
            speech = self.state.speech[0]
            length_s = 0.3 + len(speech.text.split()) / WORDS_A_SECOND
            self.at += round(length_s * CLOCK_HZ)
            self.happens(PromptEnded(self.at, speech.prompt, length_s, complete=True))

    def pass_s(self, seconds: float) -> None:
        end = self.at + round(seconds * CLOCK_HZ)
        while self.due and not self.ended:
            name, due = self.due.first()
            if due > end:
                break
            self.at = max(self.at, due)
            self.happens(TimerFired(self.at, name))
            self.said_out()
        self.at = max(self.at, end)

    def say(self, command: str | None, role: Role = "wearer", *, early: bool = False, phrase: str = "") -> None:
        """Somebody says it and is heard; what the coach then says runs out."""
        begin = self.at
        if not early:
            self.happens(SpeechStarted(self.at, 0 if role == "wearer" else 1))
        self.at += round((0.25 + 0.3 * self.rng.random()) * CLOCK_HZ)
        score = -0.3 - self.rng.random() if command else -2.5 - self.rng.random()
        words = phrase or (command or "mumble").replace("-", " ")
        channel = 0 if role == "wearer" else 1
        self.happens(
            Heard(self.at, command, words, begin, self.at, channel, role, "typed", "typed", score, -2.0)
        )  # fmt: skip
        if self.plan.sound and self.journal.folder.is_dir():
            self._clip(begin, self.at)
        self.said_out()

    def _clip(self, begin: int, end: int) -> None:
        self.heard += 1
        pad = CLOCK_HZ // 2
        begin, end = max(0, begin - pad), end + pad
        t = np.arange(end - begin) / CLOCK_HZ
        tone = 0.3 * np.sin(2 * math.pi * (200 + 25 * (self.heard % 20)) * t)
        name, raw = f"clip-{begin:012d}-{end:012d}.wav", (tone * 32767).astype("<i2").tobytes()
        with wave.open(str(self.journal.folder / "audio" / name), "wb") as file:
            file.setparams((1, 2, CLOCK_HZ, 0, "NONE", "not compressed"))
            file.writeframes(raw)
        self.journal.sound(name, HEADER_BYTES, raw)

    def slip(self, part: float = 1.0) -> bool:
        return self.rng.random() < part * self.plan.slips / self.plan.attempt**0.5

    def act(self) -> None:
        """What the people do next."""
        state = self.state
        if state.status == "working" and not self.worked:
            self.worked = True
            self.pass_s(self.plan.work_s * (0.8 + 0.4 * self.rng.random()))
            return
        if state.status == "working":
            self.say("start-removal")
            return
        if state.question:
            self._reply()
        elif state.status in {"frozen", "paused"}:
            self.say("go-on" if state.status == "frozen" else "resume")
        elif step_at(self.setup.protocol, state.place) is not None:
            self._step()
        else:
            self._anything()

    def _reply(self) -> None:
        question = self.state.question
        self.pass_s(1.0 + self.rng.random())
        if self.state.question != question:
            return
        answer = REPLIES.get(question, "")
        role: Role = "observer" if question in {"all-clear", "return"} and self.plan.pair else "wearer"
        if answer in self.state.listening:
            before = self.state
            self.say(answer, role)
            if self.state.question == question and self.state.place == before.place:
                self._anything()
        else:
            self._anything()

    def _anything(self) -> None:
        live = self.state.listening
        answer = next((word for word in FALLBACK if word in live), live[0] if live else None)
        before = self.state
        roles: tuple[Role, ...] = ("wearer", "observer") if self.plan.pair else ("wearer",)
        for role in roles:
            self.say(answer, role)
            if (self.state.status, self.state.question, self.state.place) != (
                before.status,
                before.question,
                before.place,
            ):
                return
        self.pass_s(50)

    def _step(self) -> None:
        """The answer that a step waits for, with the slips that the seed gives."""
        state, plan = self.state, self.plan
        step = step_at(self.setup.protocol, state.place)
        assert step is not None
        if plan.breach_at == step.name and step.name not in self.breached:
            self.breached.add(step.name)
            self.say("breach")
        elif plan.ends_at == step.name and "end-session" in state.listening:
            self.say("end-session")
        elif step.quiet_s:
            self.pass_s(step.quiet_s + 0.1)
            self.say("done")
        elif state.status == "confirming":
            self._confirm()
        elif state.status == "acknowledging":
            self.pass_s(0.8)
            self.say("understood", step.role)  # type: ignore[arg-type]
        elif step.timing and state.status != "drying":
            self._time(step)
        else:
            self._answer(step)

    def _confirm(self) -> None:
        self.pass_s(1.5)
        if self.slip(0.5) and "not-clear" in self.state.listening:
            self.say("not-clear", "observer")
        else:
            self.say("confirm", "observer" if self.plan.pair else "wearer")

    def _quickness(self) -> float:
        """Power law of practice, with a spread."""
        return float(self.plan.attempt**-0.25 * self.rng.lognormvariate(0, 0.35))

    def _time(self, step: Step) -> None:
        role: Role = step.role  # type: ignore[assignment]
        assert step.timing is not None
        if self.state.status == "timing":
            if self.slip():
                self.say(step.answers[0], role, early=True)  # before the time is up
            if self.slip(0.6) and "pause" in self.state.listening:
                self.say("pause")
            else:
                self.pass_s(max(0.0, min(self.due.values(), default=self.at) - self.at) / CLOCK_HZ + 0.1)
            return
        self.pass_s(3.0 * self._quickness())
        if self.slip():
            self.say("done", role)  # not the word that starts a time
        if self.state.status not in {"timing", "drying"}:
            self.say(step.timing.start, role)

    def _answer(self, step: Step) -> None:
        state, plan = self.state, self.plan
        self.pass_s(min(40.0, (2.0 if step.timing else 6.0) * self._quickness()))
        if self.slip():
            self.say(None, step.role, phrase="what was that")  # type: ignore[arg-type]
        if self.slip() and "breach" in self.state.listening and state.place.stage == "undress":
            self.say("breach")
            return
        if self.slip(0.5) and "back" in self.state.listening:
            self.say("back")
            return
        here = (self.state.place, self.state.status)
        roles: tuple[Role, ...] = (step.role, *step.also) if plan.pair else (step.role,)  # type: ignore[assignment]
        for role in roles:
            if (self.state.place, self.state.status) == here or self.state.place.step == here[0].step:
                self.say(step.answers[0], role)


def run(plan: Plan, folder: Path) -> Path:
    """Run one plan; the folder of its record."""
    return Simulated(plan, folder).run()


def programme(
    sessions: int, *, wearers: int = 12, protocols: tuple[str, ...] = ("n95-gown", "short-practice")
) -> list[Plan]:
    """The plans of a programme: each wearer comes again about once a month."""
    plans = []
    for number in range(sessions):
        wearer, attempt = number % wearers, number // wearers + 1
        begun = BEGUN + timedelta(days=14 * (attempt - 1) + wearer % 12, hours=wearer % 7)
        plans.append(
            Plan(
                f"W{wearer + 1:02d}", attempt, protocols[(wearer + attempt // 7) % len(protocols)], seed=number,
                slips=0.02 + 0.01 * (wearer % 5), room=str(1 + wearer % 3), begun=begun, pair=number % 4 != 0,
            )
        )  # fmt: skip
    return plans
