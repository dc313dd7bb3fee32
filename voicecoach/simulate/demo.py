"""A short but complete session with a simulated wearer: a closed loop with real rendering, mixing and recognition."""

from __future__ import annotations

import re
import tempfile
import textwrap
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

import numpy as np
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from voicecoach.audio import player
from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.audio.wav import write_wav
from voicecoach.debrief import report
from voicecoach.debrief.story import clock
from voicecoach.debrief.timeline import ComparedUtterance, heard_against_said, rows
from voicecoach.listen import registry
from voicecoach.listen.process import RecogniserProcess
from voicecoach.protocol.lint import all_steps
from voicecoach.protocol.model import Protocol, Step
from voicecoach.record.clips import ClipKeeper
from voicecoach.record.journal import Journal, check_root, new_folder
from voicecoach.record.read import Session, read
from voicecoach.runtime import options
from voicecoach.runtime.loop import Coach, Parts
from voicecoach.session.effects import Effect
from voicecoach.session.events import Event, Opened
from voicecoach.session.machine import Machine
from voicecoach.session.state import SessionState
from voicecoach.simulate.persona import AGAIN, Reaction, ScriptedPersona
from voicecoach.simulate.room import Room, RoomLine
from voicecoach.speak.voice import Voice
from voicecoach.system.progress import progress

PROTOCOL = "short-practice"
VOICES = ("en-gb", "en-us+f3", "en-gb-scotland", "en-us+m3", "en-us+f2", "en-gb-x-rp")
LIMIT_S = 600.0
BEHIND = 8
"""Blocks of 20 ms that the recogniser may lag behind the room, so that neither process waits for the other."""
WIDTH = 100
"""Longest line, however wide the terminal is."""
GOOD = ("understood", "rightly ignored")

WORDS = {
    "done": "step complete",
    "clear": "all clear",
    "rubbing": "start rubbing",
    "wiping": "start wiping",
    "dry": "hands dry",
    "understood": "i understand",
}
"""The longer forms that the wearer uses where they are recognised better than the plain word."""


def wearer(protocol: Protocol) -> tuple[Reaction, ...]:
    """The wearer's answers. The scenario is invented: a repeat, a step back, a sleeve that brushed an arm."""
    steps = {step.name: step for _, step in all_steps(protocol)}

    def over(step: str) -> str:
        return f"^{re.escape(steps[step].say)}$"

    return (
        Reaction("partner busy, or practice run", "practice run", "practice-run"),
        Reaction("in a mirror", "yes", "yes"),
        Reaction("long enough", WORDS["dry"], "dry"),
        Reaction(over("practice-gown-on"), "repeat", "repeat", nth=1),
        Reaction(over("practice-mask-on"), "", nth=2),  # read again only because the wearer went back
        Reaction(over("practice-gloves-on"), "previous step", "back", nth=1),
        Reaction("not finished, or went wrong", "not finished", "not-finished"),
        Reaction(over("practice-work"), "start removal", "start-removal", wait_s=(19.0, 20.0), also=True, yields=True),
        Reaction("removal area, and", "yes", "yes"),
        Reaction(
            f"^{re.escape(steps['practice-gown-away'].warn)}$", "oh no, breach, breach", "breach", over_s=0.9, nth=1
        ),
        Reaction("breach. yes or no", "false alarm", "false-alarm"),
        Reaction("which place was it", "my arm", "arm"),
        Reaction("shall i end here", "yes", "yes"),
        Reaction("say that again|when you have finished|name a part of the body", AGAIN),
        *answers(tuple(steps.values())),
    )


def answers(steps: tuple[Step, ...]) -> tuple[Reaction, ...]:
    """For each step the word it waits for first: the start of its time, or its answer."""
    found = []
    for step in steps:
        meant = step.timing.start if step.timing else step.answers[0] if step.answers else None
        if step.quiet_s:  # the end of a silent act is marked by the rub that follows
            meant = "rubbing"
        if meant is not None:
            words = WORDS.get(meant, meant.replace("-off", "-removed").replace("-on", "-in-place").replace("-", " "))
            found.append(Reaction(f"^{re.escape(step.say)}$", words, meant, wait_s=(1.0, 2.0)))
    return tuple(found)


ROOM = tuple(
    Reaction("with the patient", words, over_s=after_s, nth=1, channel=1, gain_db=10.0, also=True, yields=True)
    for after_s, words in (
        (4.0, "the monitor is beeping again"),
        (8.5, "could somebody bring more water"),
        (12.5, "is the lift working today"),
        (16.5, "we are nearly ready in here"),
    )
)
"""What others say, 10 dB below the wearer; it should be ignored."""


@dataclass(frozen=True, slots=True)
class DemoResult:
    """The result of a demo. sound: the conversation as a WAV file beside the record; samples: the same as samples.
    page: the trainer's page. session_s: length on the session clock (s); took_s: on the wall clock (s).
    """

    session: Session
    sound: Path
    page: Path
    samples: Samples
    compared: tuple[ComparedUtterance, ...]
    closed: bool
    engine: str
    voice: str
    session_s: float
    took_s: float

    @property
    def wrong(self) -> tuple[ComparedUtterance, ...]:
        """Commands that were not understood, and chatter that was taken for a command."""
        return tuple(row for row in self.compared if row.verdict not in GOOD)

    @property
    def good(self) -> bool:
        """True if every command was understood, all chatter was ignored, and the session came to its end."""
        return self.closed and not self.wrong


def run(*, seed: int, out: Path | None, engine: str, model: str | None, console: Console, aloud: bool = False) -> bool:
    """Play the demo and show the result; True if everything went as it should.

    Args:
        seed, out, engine, model, console: as for `play`. aloud: play the conversation on the sound card afterwards.

    Raises:
        VoicecoachError: it cannot start, or its sound cannot be played.
    """
    outcome = play(seed=seed, out=out, engine=engine, model=model, console=console)
    for line in conversation(outcome.session, outcome.compared, min(console.width, WIDTH)):
        console.print(line, markup=False, highlight=False, soft_wrap=True)
    console.print()
    console.print(f"wearer {outcome.voice}, seed {seed}, recogniser {outcome.engine}", highlight=False)
    console.print(
        f"{outcome.session_s:.0f} s of session in {outcome.took_s:.0f} s; "
        f"{len(outcome.compared)} utterances, {len(outcome.wrong)} not understood",
        highlight=False,
    )
    if not outcome.closed:
        console.print("[bold red]The session did not come to its end.[/]")
    console.print("next: voicecoach help first-hour, or voicecoach timeline RECORD", highlight=False)
    for what, path in (
        ("conversation", outcome.sound),
        ("trainer's page", outcome.page),
        ("record", outcome.session.folder),
    ):
        console.print(f"{what}: {path}", soft_wrap=True, markup=False, highlight=False)
    if aloud:
        with progress(console, "playing") as shown:
            player.play(outcome.samples, on_progress=lambda done_s, total_s: shown(round(done_s), round(total_s)))
    return outcome.good


def conversation(session: Session, compared: Sequence[ComparedUtterance], width: int) -> Iterator[str]:
    """Who said what, in order, and what it was taken for, in lines of at most `width` characters."""
    spoken = [(row.at_s, "coach", row.text) for row in rows(session) if row.who == "coach" and row.what == "prompt"]
    for one in compared:
        who = "others" if one.meant is None else "wearer"
        mark = "" if one.verdict in GOOD else f"  ** {one.verdict} **"
        heard = "ignored" if one.meant is None and one.verdict in GOOD else f"= {one.heard or 'nothing'}"
        spoken.append((one.at_s, who, f'"{one.said}"  {heard}{mark}'))
    for at_s, who, text in sorted(spoken, key=lambda item: item[0]):
        head = f"{clock(at_s)[:5]}  {who:7} "
        first, *more = textwrap.wrap(text, width - len(head)) or [""]
        yield head + first
        yield from (" " * len(head) + line for line in more)


def play(*, seed: int, out: Path | None, engine: str, model: str | None, console: Console) -> DemoResult:
    """Play the demo.

    Args:
        seed: of voice, waiting times and noise. out: folder for the record; by default a temporary one.
        engine, model: as for `voicecoach run`. console: where progress is shown.

    Raises:
        VoicecoachError: it cannot start.
    """
    setup, texts = options.load_setup(PROTOCOL, "en")
    chosen = registry.choose(engine, model).name
    root = out if out is not None else Path(tempfile.mkdtemp(prefix="voicecoach-"))
    check_root(root)
    voice = Voice()  # renders prompts as they are needed: about a third of all
    rng = np.random.default_rng(seed)
    speaking = VOICES[seed % len(VOICES)]
    persona = ScriptedPersona(
        (*wearer(setup.protocol), *ROOM), rng, voices={0: speaking, 1: VOICES[(seed + 1) % len(VOICES)]}
    )
    with console.status("rendering the wearer's voice"):
        persona.prepare()
    line = RecordingRoom(persona, Room(mask="none"), seed=seed, limit_s=LIMIT_S)
    made_with = options.manifest(setup, engine=chosen, mode="solo", audio="clips", source="demo")
    journal = Journal.create(new_folder(root), made_with, texts.copies())
    with console.status(f"starting the recogniser ({chosen})"):
        spec = registry.spec(chosen, texts.grammar, "en.yaml", model=model, roles={0: "wearer"})
        ear = RecogniserProcess(spec, lockstep=True, behind=BEHIND)
    clips = ClipKeeper(journal.audio, "clips", on_written=journal.sound, on_deleted=journal.sound_gone)
    began_s = time.monotonic()
    try:
        with _ProgressBar(console, sum(1 for _ in all_steps(setup.protocol))) as shown:
            parts = Parts(Machine(setup), ear, line, voice, journal, clips, watch=shown)
            coach = Coach(parts)
            coach.begin(Opened(0, mode="solo", ear=chosen, audio="clips", training_only=True, independent=False))
            closed = coach.run()
    finally:
        ear.close()
        clips.close()
        journal.close()
    took_s = time.monotonic() - began_s
    session = read(journal.folder)
    said = [(one.begin, one.end, one.text, one.meant) for one in line.said]
    compared = heard_against_said(session, said)
    samples = line.conversation()
    sound = journal.folder.with_suffix(".wav")
    write_wav(sound, samples)
    page = journal.folder.with_suffix(".html")
    page.write_text(report.page(session).html, encoding="utf-8")
    return DemoResult(session, sound, page, samples, compared, closed, chosen, speaking, coach.now / RATE_HZ, took_s)


class RecordingRoom(RoomLine):
    """A room that records its conversation: the coach's voice as played, the others' as heard."""

    def __init__(self, *args: Any, **wanted: Any) -> None:
        super().__init__(*args, **wanted)
        self._blocks: list[Samples] = []

    def _hear(self, at: int, played: Samples) -> tuple[Samples, bool]:
        heard, last = super()._hear(at, played)
        self._blocks.append(np.clip(heard[:, 0] + played, -1.0, 1.0))
        return heard, last

    def conversation(self) -> Samples:
        """Both voices, float32 at RATE_HZ, shape (frames,)."""
        return np.concatenate(self._blocks) if self._blocks else np.zeros(0, np.float32)


class _ProgressBar:
    """Shows where the session is while the demo runs."""

    def __init__(self, console: Console, steps: int) -> None:
        self._bar = Progress(
            TextColumn("session"), BarColumn(), TextColumn("{task.description}"), TimeElapsedColumn(),
            console=console, transient=True,
        )  # fmt: skip
        self._task = self._bar.add_task("", total=steps)

    def __enter__(self) -> Self:
        self._bar.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._bar.stop()

    def __call__(self, state: SessionState, _event: Event, _effects: tuple[Effect, ...]) -> None:
        self._bar.update(self._task, completed=len(state.since), description=f"{state.place.stage}, {state.status}")
