"""A scene played by the machine alone: in no time, and as a script that `voicecoach run --typed` plays.

    python tests/scenes/quick.py SCENE.txt [PROTOCOL] > script.txt

Words that are said as written ('as written until') become words of the script, like those of the way to where the scene
begins. A cut cannot be typed, so that a scene with one ends there.
"""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1] / "session"), str(Path(__file__).parents[1])]

from scene import CUTS, PEOPLE, Line, Moment, Scene, load_scenes, moments_of  # noqa: E402
from session_driver import Session, grammar  # noqa: E402

from voicecoach.grammar import match  # noqa: E402
from voicecoach.session.effects import Effect  # noqa: E402
from voicecoach.session.events import (  # noqa: E402
    CLOCK_HZ,
    Event,
    Heard,
    PartBack,
    PartLost,
    Reopened,
    SpeechStarted,
)

SAID = re.compile(r"(?P<sign>[+@])(?P<time>[\d.]+) (?P<role>\w+): (?P<words>[^~]*?)(?: ~(?P<near>.*))?")
WORD_S = 0.35
MOST_ANSWERS = 250
LONGEST_WAIT_S = 40.0
"""Shorter than the coach bears silence."""


class Watched(Session):
    """A session that keeps its moments, as a stage does."""

    moments: list[Moment]

    def happens(self, event: Event) -> list[Effect]:
        if not hasattr(self, "moments"):
            self.moments = []
        effects = super().happens(event)
        self.moments += moments_of(self.at, self.state, event, effects)
        return effects


class Quick:
    """A scene on its way."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        mode, independent = PEOPLE[scene.people]
        self.session = Watched(scene.setup, mode, independent=independent)  # type: ignore[arg-type]
        self.script: list[str] = []
        self.session.said_out()
        self._written(scene.begins_at)
        self.begun = len(self.session.moments)

    def play(self) -> list[Moment]:
        """Play it; what happened, from the scene's begin on."""
        for line in self.scene.lines:
            if line.kind == "said":
                self._say(line)
            elif line.kind == "quiet":
                self.session.said_out()
                self.session.pass_s(line.within_s or 0.0)
            elif line.kind == "until":
                self.session.said_out()
                self._written(line.text)
                self.session.moments.append(Moment(self.session.at / CLOCK_HZ, "until", line.text, self.session.state))
            elif line.kind == "cut":
                self._cut(line.text)
        self.session.said_out()
        self.session.pass_s(4.0)
        return self.session.moments[self.begun :]

    def _written(self, until: str) -> None:
        """Answer as written, up to that step, to work or to the end."""
        session = self.session
        for _ in range(MOST_ANSWERS):
            state = session.state
            here = session.step == until and state.status in {"awaiting", "acknowledging"}
            if here or (until == "work" and state.status == "working"):
                return
            if state.status in {"closed", "abandoned"}:
                assert until == "the end", f"{self.scene.name}: {until} was not reached"
                return
            first = len(session.events)
            session.go_one()
            self._keep(first)
        raise AssertionError(f"{self.scene.name}: {until} was not reached; {session.step} {session.state.question}")

    def _keep(self, first: int) -> None:
        """Words of the driver's own as lines of the script."""
        wait_s = 0.0
        for number in range(first, len(self.session.events)):
            event = self.session.events[number]
            wait_s += self.session.waited_s.get(number, 0.0)
            if isinstance(event, Heard):
                command = grammar().command(event.command or "")
                assert command is not None
                while wait_s > LONGEST_WAIT_S:  # the coach speaks when a time is over, and a wait starts over then
                    self.script.append(f"+{LONGEST_WAIT_S:.1f} wearer: time")
                    wait_s -= LONGEST_WAIT_S
                role = "wearer" if event.role == "anyone" else event.role  # type: ignore[comparison-overlap]
                self.script.append(f"+{wait_s + 0.7:.1f} {role}: {command.phrases[0]}")
                wait_s = 0.0

    def _say(self, line: Line) -> None:
        said = SAID.fullmatch(line.script)
        assert said, line
        session, words = self.session, said["words"]
        self.script.append(line.script)
        if said["sign"] == "+":
            session.said_out()
            session.pass_s(float(said["time"]))
            session.said_out()
        else:
            assert session.state.speech, f"{self.scene.name}.txt:{line.number}: the coach says nothing just then"
            session.at += round(float(said["time"]) * CLOCK_HZ)
            session.happens(SpeechStarted(session.at))
        begin = session.at
        session.at += round(WORD_S * len(words.split()) * CLOCK_HZ)
        command = match(grammar(), words, session.state.listening)
        session.happens(
            Heard(session.at, command, words, begin, session.at, role=said["role"], near=said["near"], source="typed")  # type: ignore[arg-type]
        )

    def _cut(self, what: str) -> None:
        session = self.session
        if what == "killed":
            session.due.clear()
            session.state = replace(session.state, timers=(), speech=())
            session.happens(Reopened(session.at, 2.0, "killed"))
            return
        part, back = CUTS[what]
        session.happens(PartBack(session.at, part) if back else PartLost(session.at, part, what))  # type: ignore[arg-type]


def script(scene: Scene) -> str:
    """The scene as a script for `voicecoach run --typed`, with the way to where it begins."""
    quick = Quick(scene)
    quick.play()
    pair = " --pair --channels 2" if scene.people.startswith("with") else ""
    head = f"# {scene.name}: voicecoach run {scene.protocol}{pair} --typed THIS_FILE"
    return "\n".join([head, *quick.script]) + "\n"


if __name__ == "__main__":
    scenes = load_scenes(Path(sys.argv[1]))
    wanted = sys.argv[2] if len(sys.argv) > 2 else scenes[0].protocol
    sys.stdout.write(script(next(one for one in scenes if one.protocol == wanted)))
