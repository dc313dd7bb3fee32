"""The scenes with sound: each person's words rendered in a voice, mixed with the coach's own, heard by the real
recogniser.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
from scene import Moment, Scene, Stage
from session_driver import grammar

from voicecoach.audio.line import RATE_HZ, Block, Samples
from voicecoach.grammar import match
from voicecoach.listen import registry
from voicecoach.listen.process import RecogniserProcess
from voicecoach.listen.scripted import ScriptedRecogniser, ScriptLine, parse
from voicecoach.runtime.library import load_grammar
from voicecoach.session.effects import Effect
from voicecoach.session.events import Event, Heard, SpeechStarted
from voicecoach.session.state import SessionState
from voicecoach.simulate.room import Room, muffled, room_noise
from voicecoach.speak.voice import Voice, render_text

CHANNELS = {"wearer": 0, "observer": 1, "assistant": 1}
"""Whose microphone is near whom; others in the room are as far from one as from the other."""
VOICES = {"wearer": "en-us+m3", "observer": "en-gb-scotland", "assistant": "en-us+f3", "unknown": "en-gb"}
FULLER = {
    "done": "step complete",
    "dry": "hands dry",
    "rubbing": "start rubbing",
    "right": "that is right",
    "repeat": "repeat that",
    "shield off": "shield removed",
    "gloves off": "gloves removed",
    "gloves on": "gloves in place",
    "gown off": "gown removed",
    "belt off": "belt removed",
    "touched": "i touched it",
    "neck": "my neck",
    "stop": "stop stop",
    "confirm": "i confirm",
    "understood": "i understand",
    "help": "help me please",
    "loose": "too loose",
    "breach breach": "oh no, breach, breach",
    "hood on": "hood in place",
}
"""Forms of the same commands that are heard better; what is meant stays what the scene says."""
ECHO_DB = -14.0
ECHO_S = 0.04
CROSSTALK_DB = -20.0
FAR_DB = -12.0
QUIET_DB = -34.0
"""Noise of a quiet room, against the voices."""
TAIL_S = 1.5
DECIDED_S = 0.8
EARLY_S = 0.1
"""A voice is noticed no sooner than this before it begins (s)."""
Spoken = tuple[float, str]
"""When a line of the scene began (s), and the role of who said it."""


class SpokenEar(ScriptedRecogniser):
    """Says a script aloud into the microphones of a real recogniser, at the moments the script asks for."""

    engine = "recogniser"

    def __init__(self, script: tuple[ScriptLine, ...], scene: Scene, ear: RecogniserProcess, channels: int) -> None:
        super().__init__(grammar(), tuple(_fuller(said) for said in script), f"{scene.name}.txt")
        noise_db = QUIET_DB if scene.noise_db is None else scene.noise_db
        rng = np.random.default_rng(5)
        self._noise = np.stack([room_noise(Room(noise_db=noise_db), rng) for _ in range(channels)], axis=1)
        self._through = scene.through
        self._ear = ear
        self._channels = channels
        self._said = 0
        self.spoken: list[Spoken] = []
        self._sounding: list[tuple[int, Samples, int | None]] = []
        self._past = np.zeros(round(ECHO_S * RATE_HZ), np.float32)

    def listen(self, commands: tuple[str, ...]) -> None:
        super().listen(commands)
        self._ear.listen(commands)

    def feed(self, block: Block) -> None:
        super().feed(block)
        for event in super().poll():
            if isinstance(event, SpeechStarted):
                self._speak(self._script[self._said], event.at)
                self._said += 1
        self._ear.feed(Block(block.at, self._microphones(block), block.played))

    def poll(self) -> list[Event]:
        return self._ear.poll()

    def _speak(self, said: ScriptLine, at: int) -> None:
        through = self._through if said.role == "wearer" else "none"
        samples = muffled(render_text(said.words, voice=VOICES[said.role]), through)
        gain = 10 ** (FAR_DB / 20) if said.role == "unknown" else 1.0
        self._sounding.append((at, samples * np.float32(gain), CHANNELS.get(said.role)))
        self.spoken.append((at / RATE_HZ, said.role))

    def _microphones(self, block: Block) -> Samples:
        played = np.concatenate([self._past, block.played])
        echo = played[: len(block.played)] * np.float32(10 ** (ECHO_DB / 20))
        self._past = played[-len(self._past) :]
        heard = np.repeat(echo[:, np.newaxis], self._channels, axis=1)
        heard += np.take(self._noise, np.arange(block.at, block.end), axis=0, mode="wrap")
        for at, samples, channel in self._sounding:
            begin, end = max(at, block.at), min(at + len(samples), block.end)
            if begin < end:
                gains = np.full(self._channels, 10 ** (CROSSTALK_DB / 20), np.float32)
                if channel is None:
                    gains[:] = 1.0
                else:
                    gains[min(channel, self._channels - 1)] = 1.0
                heard[begin - block.at : end - block.at] += samples[begin - at : end - at, np.newaxis] * gains
        return np.ascontiguousarray(heard, dtype=np.float32)


def _fuller(said: ScriptLine) -> ScriptLine:
    """The same in a fuller form; what waits for the coach waits until the recogniser has decided, too."""
    later_s = DECIDED_S if said.when == "after" else 0.0
    return dataclasses.replace(said, words=FULLER.get(said.words, said.words), time_s=said.time_s + later_s)


class SpokenStage(Stage):
    """A stage whose lead-up is typed and whose scene is spoken."""

    def __init__(self, scene: Scene, folder: Path) -> None:
        super().__init__(scene, folder)
        self._channels = 2 if "observer" in scene.people else 1
        _, text = load_grammar("en")
        roles = {0: "wearer", 1: "observer"} if self._channels == 2 else {0: "wearer"}
        spec = registry.spec(registry.choose("auto").name, text, "en.yaml", roles=roles)  # type: ignore[arg-type]
        self._ear = RecogniserProcess(spec, lockstep=True)
        self._voice = Voice()  # renders what is said when it is said; the scene's clock does not run meanwhile
        self._aloud = True
        self.spoken: list[Spoken] = []

    def play(self) -> list[Moment]:
        try:
            return super().play()
        finally:
            self._ear.close()

    def _watch(self, state: SessionState, event: Event, effects: tuple[Effect, ...]) -> None:
        before = len(self.moments)
        super()._watch(state, event, effects)
        if isinstance(event, Heard) and event.command is None:
            self.moments[before].details["refused"] = "yes"

    def _play(self, script: str, tail_s: float) -> None:
        if not getattr(self, "_aloud", False):
            super()._play(script, tail_s)
            return
        ear = SpokenEar(parse(script, f"{self.scene.name}.txt"), self.scene, self._ear, self._channels)
        ear.listen(self._coach.state.listening)
        self._coach.parts.voice = self._voice
        self._coach.parts.ear = ear
        self._room.part(ear, tail_s + TAIL_S)
        self._coach.run()
        self.spoken += ear.spoken


def as_meant(scene: Scene, moments: list[Moment], spoken: list[Spoken]) -> None:
    """Give each thing heard the words of the scene, so that `check` finds it: taken for the same command, or refused.

    What was refused has no words of its own; the rest of the scene shows whether it ought to have been. Words that mean
    nothing may also have been taken for some that the step refused: nothing has moved. In the noise of S5 the phones of
    "gone" come out as those of "done", and no floor can separate them. Somebody near no microphone need not have been
    noticed at all: a line of which nothing was heard is struck from the scene. spoken: each line of it that was said.
    """
    everything = tuple(command.name for command in grammar().commands)
    heard = [moment for moment in moments if moment.kind == "heard"]
    lines = [line for line in scene.lines if line.kind == "said"]
    ends_s = [*(begin_s for begin_s, _ in spoken[1:]), float("inf")]
    for line, (begin_s, role), end_s in zip(lines, spoken, ends_s, strict=False):
        meant = match(grammar(), line.text, everything)
        then = [one for one in heard if begin_s - EARLY_S <= float(one.details["begin_s"]) < end_s - EARLY_S]
        if not then and role == "unknown":
            scene.lines.remove(line)
        for moment in then:
            nothing = moment.details.get("refused") or (meant is None and _refused_by_step(moments, moment))
            if nothing or match(grammar(), moment.text, everything) == meant:
                moment.text = line.text
                break


def _refused_by_step(moments: list[Moment], heard: Moment) -> bool:
    """Whether what was heard was a word that the step did not take."""
    for moment in moments[moments.index(heard) + 1 :]:
        if moment.kind == "heard":
            return False
        if moment.kind == "note" and moment.text == "step-refused":
            return True
    return False
