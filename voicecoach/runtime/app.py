"""Puts a session together from its parts and runs it."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TextIO

from rich.console import Console
from rich.markup import escape

from voicecoach.audio.line import Line
from voicecoach.debrief.texts import Texts, wording_of
from voicecoach.errors import InputError, VoicecoachError
from voicecoach.listen import registry
from voicecoach.listen.deferred import DeferredRecogniser
from voicecoach.listen.keyboard import KeyboardRecogniser
from voicecoach.listen.process import RecogniserProcess
from voicecoach.listen.recogniser import Recogniser
from voicecoach.listen.scripted import ScriptedRecogniser
from voicecoach.record import ended
from voicecoach.record.clips import ClipKeeper
from voicecoach.record.journal import Journal, check_root, new_folder
from voicecoach.record.manifest import Manifest
from voicecoach.runtime import lead_out, prompt_check, supervisor
from voicecoach.runtime import open_sessions as sessions
from voicecoach.runtime.edges import Edges, lockstep, prepare_voice
from voicecoach.runtime.level_meter import LevelMeter, can_show
from voicecoach.runtime.loop import Coach, Parts
from voicecoach.runtime.one_voice import OneVoice
from voicecoach.runtime.options import (
    Options,
    load_setup,
    manifest,
    recorded_options,
    sessions_folder,
)
from voicecoach.runtime.resume import OpenSession, wall_s
from voicecoach.runtime.screen import BackgroundScreen, Transcript
from voicecoach.session.effects import Say
from voicecoach.session.events import CLOCK_HZ, Event, Opened, Reopened, Salvaged
from voicecoach.session.machine import Machine
from voicecoach.session.prompts import RECORD_CODE, over_prompt
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState
from voicecoach.speak.port import Speaker
from voicecoach.speak.silent import SilentVoice
from voicecoach.speak.voice import Voice

KEYBOARD_HINT = "Type what you say; an empty line is the foot-switch (voicecoach help script)."


class Runner:
    """Sets up one session and runs it.

    Args:
        options: of the command line. console: where the session is shown. keyboard: for typed lines, or None.
    """

    def __init__(self, options: Options, console: Console, keyboard: TextIO | None = None) -> None:
        self.edges = Edges(options, console, keyboard)
        self.console = console
        self.coach: Coach | None = None
        self._voice = OneVoice()
        self._screen: BackgroundScreen | None = None
        self._levels: LevelMeter | None = None
        self._check: prompt_check.BackgroundCheck | None = None

    @property
    def options(self) -> Options:
        """The options in force; those of a continued session come from its record."""
        return self.edges.options

    @options.setter
    def options(self, options: Options) -> None:
        self.edges.options = options

    @property
    def live(self) -> bool:
        """As `Options.live`."""
        return self.options.live

    def run(self, *, only_continue: bool = False) -> int:
        """Run a session to its end and return the exit status.

        Args:
            only_continue: continue an open session, and never start another.

        Raises:
            VoicecoachError: the session cannot start.
        """
        if not self.live:
            return self._begin()
        self._voice.take()
        try:
            found = sessions.find(sessions_folder(self.options.out), self.options.key)
            for remark in found.remarks:
                self.console.print(remark, style="dim", markup=False)
            if isinstance(found.open, OpenSession):
                return self._continue(found.open)
            if found.open is not None:
                return self._lead_out(found.open)
            return supervisor.NOTHING_OPEN if only_continue else self._begin()
        finally:
            self._voice.release()

    def end_by_hand(self) -> None:
        """Mark every open session as over, because a person says that nothing is worn any more."""
        root = sessions_folder(self.options.out)
        while (found := sessions.find(root, self.options.key).open) is not None:
            ended.end(found.folder, "a person said that nothing is worn, after it could not be started again")
            self.console.print(f"ended by hand: {found.folder}", markup=False)

    def start_background(self) -> None:
        """Start the check of prompts, which runs beside the session."""
        if self._check is not None:
            self._check.start()

    def stop_background(self) -> None:
        """Stop the check of prompts, and show what is still waiting for the screen."""
        if self._check is not None:
            self._check.close()
        if self._screen is not None:
            self._screen.close()
        if self._levels is not None:
            self._levels.wipe()

    def _begin(self) -> int:
        options = self.options
        setup, texts = load_setup(options.protocol, options.grammar, options.site)
        language = setup.grammar.language
        engine = registry.TYPED if options.script else registry.choose(options.engine, options.model, language).name
        if options.engine == registry.AUTO and (why := registry.passed_over(engine, options.model, language)):
            self.console.print(why, markup=False)
        typed = self.edges.recogniser(setup, texts, engine) if options.script else None
        folder = new_folder(sessions_folder(options.out))
        if not self.live:
            self.edges.line(0).close()  # a bad recording is reported before minutes of work
        check_root(folder.parent)
        if self.live:
            voice: Speaker = SilentVoice() if options.script else Voice()
        else:
            voice = SilentVoice() if options.script else prepare_voice(setup, self.console)
        if typed is not None:
            line, ear = self.edges.line(0), typed
        else:
            line, ear = self.edges.line_and_recogniser(setup, texts, engine)
        source = "live" if self.live else "script" if options.script else "recording"
        made_with = self._made_with(setup, line, engine, source)
        journal = Journal.create(folder, made_with, texts.copies(), key=options.key)
        self.console.print(f"recogniser: {engine}   mode: {options.mode}", markup=False)
        self.console.print(f"record: {folder}", markup=False, soft_wrap=True)
        for sentence in setup.site.overruled(setup.protocol):
            self.console.print(sentence, style="yellow", markup=False)
        if isinstance(typed, KeyboardRecogniser):
            self.console.print(KEYBOARD_HINT, markup=False)
        opened = Opened(
            0, mode=options.mode, ear=engine, audio=options.audio_with(engine), training_only=True,
            independent=options.independent_with(engine),
        )  # fmt: skip
        if self.live and engine != "typed":
            self._check_in_background(setup, voice, texts, engine, opened)
        return self._coach(setup, line, ear, voice, journal).start(opened)

    def _continue(self, found: OpenSession) -> int:
        """Rule 21: continue an open session in its own record."""
        session, setup, texts, state = found.session, found.setup, found.texts, found.state
        folder, now = found.folder, state.at
        gap_s = max(0.0, time.time() - wall_s(session.last_wall))
        now += round(gap_s * CLOCK_HZ)
        self.console.print(f"[bold]Continuing an open session[/] (cut off {gap_s:.0f} s ago): {escape(str(folder))}")
        self.options = recorded_options(self.options, session, state)
        line, shared = self.edges.line_left(now)
        voice: Speaker = SilentVoice() if state.ear == "typed" else Voice()
        ear = self._recogniser_or_later(setup, texts, state.ear)
        journal = Journal.open_existing(folder, key=self.options.key)
        reopened = Reopened(now, round(gap_s, 1), "the program was started again", shared)
        if state.ear != "typed":
            self._check_in_background(setup, voice, texts, state.ear, reopened, state)
        return self._coach(setup, line, ear, voice, journal, state, now).start(reopened)

    def _lead_out(self, found: sessions.DoubtfulSession) -> int:
        """Rule 21: start a new record that leads out of what is worn by the last good lines of a damaged or old one."""
        for sentence, style in lead_out.announcement(found):
            self.console.print(sentence, style=style, markup=False)
        self.options, setup, texts, engine = lead_out.prepare(found, self.options)
        typed = self.options.script == "-"
        line, _ = self.edges.line_left(0)
        ear = self._recogniser_or_later(setup, texts, engine)
        options = self.options
        made_with = self._made_with(setup, line, engine, "live")
        journal = lead_out.new_journal(found.folder.parent, made_with, texts, options.key)
        first = Salvaged(
            0, options.mode, engine, options.audio_with(engine), options.independent_with(engine),
            found.folder.name, found.why, ",".join(found.on), ",".join(found.off),
        )  # fmt: skip
        voice: Speaker = SilentVoice() if typed else Voice()
        running = self._coach(setup, line, ear, voice, journal)
        return running.start(first, lambda: lead_out.mark_taken_over(found, journal))

    def _made_with(self, setup: Setup, line: Line, engine: str, source: str) -> Manifest:
        """The manifest of a new record, from the options in force."""
        options = self.options
        return manifest(
            setup, engine=engine, mode=options.mode, audio=options.audio_with(engine), source=source,
            independent=options.independent_with(engine), channels=line.channels, model=options.model or "",
            people=dict(options.people), room=options.room,
        )  # fmt: skip

    def _recogniser_or_later(self, setup: Setup, texts: Texts, engine: str) -> Recogniser:
        """The recogniser; if it cannot be started, a stand-in that keeps trying while the session runs (rule 19)."""
        try:
            return self.edges.recogniser(setup, texts, engine)
        except VoicecoachError as error:
            return DeferredRecogniser(engine, lambda: self.edges.recogniser(setup, texts, engine), error.line())

    def _check_in_background(
        self, setup: Setup, voice: Speaker, texts: Texts, engine: str, first: Event, state: SessionState | None = None
    ) -> None:
        """Render the first sentences now, and set up rendering and checking the rest while the session runs."""
        machine = Machine(setup)
        _, effects = machine.step(machine.start() if state is None else state, first)
        voice.prepare([effect.text for effect in effects if isinstance(effect, Say)])
        try:
            spec = registry.spec(engine, texts.grammar, setup.grammar.file, model=self.options.model)
            facts = prompt_check.Facts(voice, spec)
        except VoicecoachError:
            return  # without a recogniser nothing can take a prompt for a command
        self._check = prompt_check.BackgroundCheck(
            over_prompt(setup), voice, facts, lambda: lockstep(spec, low_priority=True)
        )

    def _coach(
        self, setup: Setup, line: Line, ear: Recogniser, voice: Speaker, journal: Journal,
        state: SessionState | None = None, now: int = 0,
    ) -> _Running:  # fmt: skip
        audio = state.audio if state is not None else self.options.audio
        clips = (
            ClipKeeper(journal.audio, audio, on_written=journal.sound, on_deleted=journal.sound_gone, box=journal.box)
            if registry.has_sound(ear.engine)
            else None
        )
        keys = (
            KeyboardRecogniser(setup.grammar, self.edges.keyboard)
            if self.edges.keyboard is not None and ear.engine != "keys"
            else None
        )
        shown = Transcript(self.console, wording_of(setup.protocol, setup.site), voice_ok=voice.ok)
        script = ear if isinstance(ear, ScriptedRecogniser) else None
        parts = Parts(Machine(setup), ear, line, voice, journal, clips, keys, shown, ticks=line.live)
        if isinstance(ear, RecogniserProcess):
            parts.set_floors = ear.set_floors
        if self._check is not None:
            parts.taken_for = self._check.taken_for
        if self.live:
            if registry.has_sound(ear.engine) and can_show(self.console):
                self._levels = LevelMeter(self.console, lambda task: screen.later(task))  # noqa: PLW0108 made below
                parts.meter = self._levels.feed
            self._screen = screen = BackgroundScreen(shown if self._levels is None else self._levels.around(shown))
            outlet = self.console.file
            parts.watch = screen
            watch = supervisor.SupervisorWatch(supervisor.supervisor_pid())
            parts.troubles = {
                "screen": lambda: screen.trouble or getattr(outlet, "trouble", None),
                "supervisor": lambda: watch.trouble,
                "keys": lambda: keys.trouble if keys is not None else None,
            }
            self._voice.about(journal.folder)
        self.coach = coach = Coach(parts, state, now)
        if script is not None:
            parts.exhausted = lambda: script.finished or script.stuck is not None
        elif isinstance(ear, KeyboardRecogniser):
            # nobody is left to type; once something is worn, guidance continues all the same
            parts.exhausted = lambda: ear.finished and coach.state.worn_since is None
        return _Running(self, coach)


LINES_LOST = 3
"""Exit status of a session whose record lacks some lines."""


class _Running:
    """A session in progress; closes its parts when it is over."""

    def __init__(self, runner: Runner, coach: Coach) -> None:
        self._runner = runner
        self._coach = coach

    def start(self, first: Opened | Reopened | Salvaged, begun: Callable[[], None] = lambda: None) -> int:
        """Run to the end and return the exit status. begun: called once the first event is on record."""
        coach, parts = self._coach, self._coach.parts
        try:
            coach.begin(first)
            self._runner.start_background()
            begun()
            closed = coach.run()
            if closed and self._runner.live:
                self._say_code()
        finally:
            parts.ear.close()
            coach.line.close()
            if parts.clips is not None:
                parts.clips.close()
            saved = parts.journal.close()
            self._runner.stop_background()
        self._report(saved=saved, closed=closed)
        return 0 if saved else LINES_LOST

    def _report(self, *, saved: bool, closed: bool) -> None:
        """Say where the record is, and what is missing from it or from the session.

        Raises:
            InputError: a line of the script could never be said.
        """
        console, parts = self._runner.console, self._coach.parts
        if not saved:
            console.print(f"{parts.journal.unsaved} lines of the record could not be written.", style="bold yellow")
        console.print(f"record: {parts.journal.folder}", markup=False, soft_wrap=True)
        if (code := parts.journal.code) is not None:
            console.print(f"record code: {code}  (write it down; voicecoach verify --code compares it)", markup=False)
        if not closed:
            console.print("The input ended before the session did.", style="yellow")
        script = parts.ear
        if isinstance(script, ScriptedRecogniser) and (line := script.stuck or script.unsaid) is not None:
            where = f"{self._runner.options.script}:{line.line}"
            if script.stuck is not None:
                raise InputError(
                    "this line can never be said",
                    where=where,
                    expected="a shorter wait: the coach does not stay quiet for that long",
                )
            console.print(f"{where}: the session ended before this line was said.", style="yellow", markup=False)

    def _say_code(self) -> None:
        """End the record while the line can still speak, and say its code."""
        parts = self._coach.parts
        if parts.clips is not None:
            parts.clips.close()
        parts.journal.close()
        sentence = dict(parts.machine.setup.grammar.says).get(RECORD_CODE)
        if parts.journal.code is not None and sentence is not None:
            digits = ", ".join(" ".join(group) for group in parts.journal.code.split())
            self._coach.say_after_end(sentence.format(code=digits))
