"""Whole sessions: one in real time over a virtual sound card, one of full length on the sample clock."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from twin_ear import TwinEar
from virtual_card import VirtualCard

from voicecoach.audio.line import RATE_HZ
from voicecoach.cli.record import machine_of
from voicecoach.debrief.replay import compare
from voicecoach.debrief.timeline import heard_against_said
from voicecoach.listen import registry
from voicecoach.listen.process import RecogniserProcess
from voicecoach.protocol.lint import all_steps
from voicecoach.record.journal import Journal
from voicecoach.record.manifest import Manifest
from voicecoach.record.read import Session, read
from voicecoach.runtime import options, resume
from voicecoach.runtime.loop import Coach, Parts
from voicecoach.session.events import Heard, Opened, PartLost
from voicecoach.session.machine import Machine
from voicecoach.session.setup import Setup
from voicecoach.simulate import demo
from voicecoach.simulate.persona import AGAIN, Reaction, ScriptedPersona, SoundBegan, SoundEnded
from voicecoach.simulate.room import Room, RoomLine
from voicecoach.speak.silent import SilentVoice
from voicecoach.speak.voice import Voice

pytestmark = pytest.mark.flaky(reruns=1)  # real time on a machine that others use: tried once more

VOICE = "en-gb"
LIMIT_S = 900.0
PRACTICE_S = 420.0


def needs_an_engine() -> None:
    states = {state.name: state for state in registry.engines()}
    if not states["phonemes"].can_run:
        pytest.skip(reason=f"the phoneme engine cannot run here: {states['phonemes'].detail}")


class Follower:
    """Reads a record as it grows, and tells a persona what the coach has begun to say and has said."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._file: Any = None
        self._rest = ""
        self._texts: dict[int, str] = {}
        self._queue: list[int] = []
        self.begun_s: float | None = None
        """When the session began, on this process's clock."""

    def news(self) -> list[SoundBegan | SoundEnded]:
        """What happened since the last call."""
        found: list[SoundBegan | SoundEnded] = []
        for line in self._lines():
            if line.get("effect") == "say":
                self._texts[line["prompt"]] = line["text"]
                self._queue.append(line["prompt"])
                if len(self._queue) == 1:
                    found.append(SoundBegan(line["prompt"], line["text"], line["at"]))
            elif line.get("event") == "prompt-ended" and line["prompt"] in self._queue:
                prompt = line["prompt"]
                first = self._queue[0] == prompt
                self._queue.remove(prompt)
                found.append(SoundEnded(prompt, self._texts[prompt], line["at"], line["complete"]))
                if first and self._queue:
                    found.append(SoundBegan(self._queue[0], self._texts[self._queue[0]], line["at"]))
        return found

    def _lines(self) -> Iterator[dict[str, Any]]:
        if self._file is None:
            paths = list(self._root.glob("*/events.jsonl"))
            if not paths:
                return
            self._file = paths[0].open(encoding="utf-8")
            self.begun_s = time.monotonic()
        self._rest += self._file.read()
        *whole, self._rest = self._rest.split("\n")
        yield from (json.loads(line) for line in whole)


@pytest.mark.realtime
def test_a_session_in_real_time_over_a_sound_card_comes_to_its_end(virtual_card: VirtualCard, tmp_path: Path) -> None:
    needs_an_engine()
    setup, _ = options.load_setup("short-practice", "en")
    quick = [
        replace(rule, wait_s=(2.0, 3.0)) if rule.meant == "start-removal" else rule
        for rule in demo.wearer(setup.protocol)
    ]
    persona = ScriptedPersona(quick, np.random.default_rng(1), voices={0: VOICE})
    persona.prepare()
    records = tmp_path / "records"
    log = tmp_path / "screen.txt"
    command = [sys.executable, "-m", "voicecoach", "run", "short-practice", "--out", str(records)]
    command += ["--device", "coach_card", "--speaker", "coach_card"]
    follower = Follower(records)
    said: list[str] = []
    with log.open("w") as screen:
        coach = subprocess.Popen(
            command, env=virtual_card.environment, stdin=subprocess.DEVNULL, stdout=screen, stderr=screen, cwd=tmp_path,
            start_new_session=True,
        )  # fmt: skip
        try:
            end_s = time.monotonic() + LIMIT_S
            while coach.poll() is None and time.monotonic() < end_s:
                time.sleep(0.02)
                news = follower.news()
                if follower.begun_s is None:
                    continue
                end_s = min(end_s, follower.begun_s + PRACTICE_S)
                now = round((time.monotonic() - follower.begun_s) * RATE_HZ)
                for utterance in persona.hear(now, news):
                    virtual_card.says(utterance.samples, wait=False)
                    said.append(utterance.meant or "")
        finally:
            if coach.poll() is None:  # with the process that it keeps
                os.killpg(coach.pid, signal.SIGKILL)
            coach.wait(10)
    output = log.read_text()
    assert coach.returncode == 0, output
    (folder,) = records.glob("[!.]*")
    session = read(folder)
    check_end(session)
    heard = [event.command for event in session.events if isinstance(event, Heard) and event.command]
    print(f"said {len(said)}, heard {len(heard)}, {len(said) - len(heard)} said again or missed")
    assert {"repeat", "back", "breach", "start-removal", "gown-off"} <= set(heard)
    # nothing was ever taken that nobody had said
    assert not set(heard) - set(said)
    # and a working recogniser was never taken for one that hangs
    lost = [event.why for event in session.events if isinstance(event, PartLost) and event.part == "ears"]
    assert not [why for why in lost if "has not answered" in why]


def check_end(session: Session) -> None:
    """It was closed by its own words, with nothing worn, and it replays."""
    events = [line for line in session.lines if line.event is not None]
    closing = session.effects[events[-1].seq]
    assert any(effect["effect"] == "close" for effect in closing), closing
    worn = [dict(e["details"])["on"] for made in session.effects.values() for e in made if e.get("what") == "ledger"]
    assert any(worn)
    assert worn[-1] == ""
    result = compare(session, machine_of)
    assert result.same, result.difference


def by_the_book(setup: Setup) -> tuple[Reaction, ...]:
    """A wearer who answers each step as the protocol wants it, and the coach's own questions."""
    say = setup.grammar.say
    return (
        Reaction(re.escape(say("ask-reason")), "practice run", "practice-run"),
        Reaction(re.escape(say("ask-mirror")), "yes", "yes"),
        Reaction(re.escape(say("time-up")), "hands dry", "dry"),
        Reaction(re.escape(say("ask-removal-area")), "yes", "yes"),
        Reaction(re.escape(say("ask-end")), "yes", "yes"),
        *(
            Reaction(
                f"^{re.escape(step.say)}$", "start removal", "start-removal", wait_s=(5.0, 6.0), also=True, yields=True
            )
            for plan in setup.protocol.stages
            if plan.stage == "work"
            for step in plan.steps
        ),
        Reaction("say that again|needs a different word", AGAIN),
        *demo.answers(tuple(step for _, step in all_steps(setup.protocol))),
    )


def play(setup: Setup, texts: resume.Texts, folder: Path, ear: str) -> tuple[Session, Coach, RoomLine]:
    """The whole protocol, alone, on the sample clock."""
    persona = ScriptedPersona(by_the_book(setup), np.random.default_rng(7), voices={0: VOICE})
    persona.prepare()
    line = RoomLine(persona, Room(mask="none"), seed=7, limit_s=2400)
    made_with = Manifest(ear, "solo", "none", f"{setup.protocol.name} 1", "en 1", source="demo")
    journal = Journal.create(folder, made_with, texts.copies())
    made: Any
    if ear == "typed":
        voice, made = SilentVoice(), TwinEar(line)
    else:
        voice = Voice()  # renders what is said when it is said; the sample clock does not run meanwhile
        made = RecogniserProcess(registry.spec(ear, texts.grammar, "en.yaml", roles={0: "wearer"}), lockstep=True)
    coach = Coach(Parts(Machine(setup), made, line, voice, journal))
    try:
        coach.begin(Opened(0, mode="solo", ear=ear, audio="none", training_only=True, independent=False))
        coach.run()
    finally:
        made.close()
        journal.close()
    return read(folder), coach, line


def check_said(setup: Setup, session: Session) -> None:
    """Every step was begun in the protocol's order and confirmed, be it later (rule 5)."""
    steps = [step.name for plan in setup.protocol.stages for step in plan.steps]
    notes = [effect for made in session.effects.values() for effect in made if effect["effect"] == "note"]
    begun = [dict(note["details"])["step"] for note in notes if note["what"] == "step"]
    assert [name for name in dict.fromkeys(begun) if name in steps] == [name for name in steps if name in begun]
    confirmed = {dict(note["details"])["step"] for note in notes if note["what"] == "step-confirmed"}
    work = {step.name for plan in setup.protocol.stages if plan.stage == "work" for step in plan.steps}
    left_out = {step.name for plan in setup.protocol.stages for step in plan.steps if step.optional}
    assert set(steps) - work - left_out <= confirmed


def test_the_full_protocol_on_the_sample_clock_comes_to_its_end(tmp_path: Path) -> None:
    setup, texts = options.load_setup("n95-gown", "en")
    session, coach, line = play(setup, texts, tmp_path / "record", "typed")
    assert coach.closed, (coach.state.status, coach.state.place, line.said[-3:])
    check_end(session)
    check_said(setup, session)
    assert coach.state.ledger.on() == ()


@pytest.mark.long
def test_the_full_protocol_is_heard_as_audio_to_its_end(tmp_path: Path) -> None:
    needs_an_engine()
    setup, texts = options.load_setup("n95-gown", "en")
    session, coach, line = play(setup, texts, tmp_path / "record", "phonemes")
    said = [(one.begin, one.end, one.text, one.meant) for one in line.said]
    compared = heard_against_said(session, said)
    for row in compared:
        if row.verdict not in demo.GOOD:
            print(f"{row.at_s:.1f} s {row.verdict}: {row.said!r} heard as {row.heard}")
    assert coach.closed, (coach.state.status, coach.state.place, line.said[-3:])
    check_end(session)
    check_said(setup, session)
    # what was not heard was asked for again; nothing was taken for another command
    assert [row for row in compared if row.verdict in {"wrong", "nothing said"}] == []
