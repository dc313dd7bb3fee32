"""Opens the line, the recogniser and the voice that a session's options ask for."""

from __future__ import annotations

import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TextIO

import psutil
from rich.console import Console

from voicecoach.audio.line import Line
from voicecoach.audio.live import LiveLine
from voicecoach.audio.quiet import QuietLine
from voicecoach.audio.wav import Recording, WavLine
from voicecoach.debrief.texts import Texts
from voicecoach.errors import AudioError, InputError, VoicecoachError
from voicecoach.listen import registry
from voicecoach.listen.keyboard import KeyboardRecogniser
from voicecoach.listen.process import RecogniserProcess
from voicecoach.listen.recogniser import Recogniser
from voicecoach.listen.scripted import ScriptedRecogniser
from voicecoach.listen.scripted import parse as parse_script
from voicecoach.listen.worker import Spec
from voicecoach.runtime import library
from voicecoach.runtime.options import Options
from voicecoach.session.prompts import every_prompt
from voicecoach.session.setup import Setup
from voicecoach.speak.voice import Voice
from voicecoach.system.progress import progress

LOWEST_PRIORITY = 19 if sys.platform != "win32" else 64
"""The lowest priority of a process; on Windows the number of IDLE_PRIORITY_CLASS."""


def prepare_voice(setup: Setup, console: Console) -> Voice:
    """Render every prompt. Failures are counted on the console; the session shows those prompts and plays tones."""
    voice = Voice()
    with progress(console, "rendering prompts") as on_progress:
        failed = voice.prepare(every_prompt(setup), on_progress)
    if failed:
        failure = f"{len(failed)} prompts cannot be spoken ({voice.why}): tones and the screen take their place."
        console.print(failure, style="yellow", markup=False)
    return voice


def lockstep(spec: Spec, *, low_priority: bool = False) -> Recogniser:
    """A recogniser that runs faster than real time. low_priority: it must not slow down the one of a session."""
    made = RecogniserProcess(spec, lockstep=True)
    if low_priority and made.pid is not None:
        with suppress(psutil.Error):
            psutil.Process(made.pid).nice(LOWEST_PRIORITY)
    return made


class Edges:
    """Opens what a session listens and speaks through.

    Args:
        options: of the session; losing a channel changes them. console: where progress is shown. keyboard: for typed
        lines, or None.
    """

    def __init__(self, options: Options, console: Console, keyboard: TextIO | None) -> None:
        self.options = options
        self.console = console
        self.keyboard = keyboard

    def line_left(self, now: int) -> tuple[Line, bool]:
        """A line for a session that is continued, and whether two people now share one microphone."""
        options = self.options
        line = self.line(now, must=False)
        if options.channels == 1 or not getattr(line, "lost", False):
            return line, False
        with suppress(AudioError):
            self.options = replace(options, channels=1)
            one = self.line(now)
            line.close()
            return one, options.pair
        self.options = options
        return line, False

    def line(self, now: int, *, must: bool = True) -> Line:
        """The line, starting at sample `now`. must: raise if a sound card cannot be opened, instead of a lost line."""
        options = self.options
        if options.recording is not None:
            return WavLine(Recording(options.recording, (options.channels,)))
        if options.script:
            return QuietLine(live=options.script == "-", start=now)
        return LiveLine(
            channels=options.channels, microphone=options.microphone, speaker=options.speaker, start=now, must=must
        )

    def line_and_recogniser(self, setup: Setup, texts: Texts, engine: str) -> tuple[Line, Recogniser]:
        """Both, started in parallel, because each takes a second or two."""
        with ThreadPoolExecutor(1) as pool:
            starting = pool.submit(self.recogniser, setup, texts, engine)
            try:
                line = self.line(0)
            except VoicecoachError:
                with suppress(VoicecoachError):
                    starting.result().close()
                raise
            try:
                return line, starting.result()
            except VoicecoachError:
                line.close()
                raise

    def recogniser(self, setup: Setup, texts: Texts, engine: str) -> Recogniser:
        """The recogniser, keyboard or script.

        Raises:
            VoicecoachError: it cannot be started.
        """
        options = self.options
        if options.script == "-":
            if self.keyboard is None:
                raise InputError("there is no keyboard: standard input is closed", expected="a terminal, or a script")
            return KeyboardRecogniser(setup.grammar, self.keyboard, alone=True)
        if options.script:
            path = Path(options.script)
            text = library.read_text(path, "a script, as text")
            return ScriptedRecogniser(setup.grammar, parse_script(text, path.name), path.name)
        roles = registry.roles_of(options.pair, options.channels)
        spec = registry.spec(engine, texts.grammar, setup.grammar.file, model=options.model, roles=roles)
        with self.console.status(f"starting the recogniser ({engine})"):
            return RecogniserProcess(spec, lockstep=not options.live)
