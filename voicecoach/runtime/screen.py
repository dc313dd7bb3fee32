"""The screen: a scrolling transcript with what is worn. It is for bystanders; the wearer goes by voice."""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections.abc import Callable
from typing import Any, TextIO

from rich.console import Console
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from voicecoach.debrief.story import clock
from voicecoach.debrief.texts import Wording
from voicecoach.debrief.timeline import rows
from voicecoach.errors import printable
from voicecoach.record.read import Session
from voicecoach.runtime.loop import Watch
from voicecoach.session.effects import Effect, Note, Say, Tone
from voicecoach.session.events import CLOCK_HZ, Event, Heard, PartBack, PartLost, SoundTrouble, SpeechUnending
from voicecoach.session.notes import NoteKind, label_of
from voicecoach.session.state import SessionState

STUCK_S = 0.5
"""If printing one step takes longer than this (s), the terminal is stuck."""
WAITING = 200
"""How many steps wait for a screen that is stuck; more are dropped."""
MIN_WIDTH = 20
"""Columns for the text of an entry, however narrow the terminal is."""

SHOWN_NOTES: dict[str, str] = {
    NoteKind.BREACH: "bold red",
    NoteKind.EXPOSURE: "bold red",
    NoteKind.OWED: "bold red",
    NoteKind.PAID: "green",
    NoteKind.ALARM: "bold red",
    NoteKind.GAP: "bold yellow",
    NoteKind.DEVIATION: "yellow",
    NoteKind.SUSPECT: "yellow",
    NoteKind.NOT_INDEPENDENT: "dim",
    NoteKind.STEP_REFUSED: "yellow",
    NoteKind.STOPPED: "bold yellow",
    NoteKind.FALSE_ALARM: "yellow",
}
"""Notes that are shown, and how."""

SOUND_TROUBLES = {
    "silent": "the microphone gives no sound at all: is it switched off, or the wrong one?",
    "quiet": "the voice is faint: bring the microphone nearer",
    "loud": "the voice is too loud for the microphone: move it away, or lower the input level",
    "clipped": "the voice is clipped before it gets here: lower the microphone's own level",
    "noisy": "the voice is hardly louder than the noise: speak close to the microphone, or find a quieter place",
}


class Transcript:
    """Prints each step of a session.

    Args:
        console: where. wording: what steps and items are called. voice_ok: prompts can be heard; if not, they are
        shown larger.
    """

    def __init__(self, console: Console, wording: Wording, *, voice_ok: bool = True) -> None:
        self._console = console
        self._wording = wording
        self._voice_ok = voice_ok

    def __call__(self, state: SessionState, event: Event, effects: tuple[Effect, ...]) -> None:
        """Show one step of the session."""
        time = clock(state.at / CLOCK_HZ)
        if isinstance(event, Heard):
            meant = event.command or (f"{event.near}?" if event.near else "not taken")
            style = "green" if event.command else "dim"
            self._line(time, event.role, f"“{event.phrase}”" if event.phrase else "...", style, f"[{meant}]")
        elif isinstance(event, PartLost):
            self._line(time, "lost", f"{event.part}: {event.why}", "bold yellow")
        elif isinstance(event, PartBack):
            self._line(time, "back", event.part, "green")
        elif isinstance(event, SoundTrouble):
            self._line(time, "sound", SOUND_TROUBLES[event.what], "yellow")
        elif isinstance(event, SpeechUnending):
            self._line(time, "room", "speech without a pause", "yellow")
        for effect in effects:
            if isinstance(effect, Say):
                self._line(time, "coach", effect.text, "bold" if self._voice_ok else "bold reverse")
            elif isinstance(effect, Tone) and effect.tone != "taken":
                self._line(time, "coach", f"({effect.tone})", "dim")
            elif isinstance(effect, Note) and not (isinstance(event, PartLost) and effect.what == NoteKind.GAP):
                self._note(time, effect)  # a lost part has its own line already

    def _note(self, time: str, note: Note) -> None:
        details = dict(note.details)
        if note.what == NoteKind.LEDGER:
            self._line(time, "worn", self._wording.plain(details.get("on", "")) or "nothing", "cyan")
        elif note.what in SHOWN_NOTES:
            particulars = self._wording.particulars(details)
            text = f"{label_of(note.what)}: {particulars}" if particulars else label_of(note.what)
            self._line(time, "record", text, SHOWN_NOTES[note.what])

    def _line(self, time: str, who: str, text: str, style: str, suffix: str = "") -> None:
        """Print one entry; a terminal gets it in lines of its width, a file in one."""
        head, body = f"{time}  {who:<9} ", Text(text, style=style)
        if suffix:
            body.append(f"  {suffix}", style="dim")
        width = max(MIN_WIDTH, self._console.width - len(head))
        for part in body.wrap(self._console, width) if self._console.is_terminal else (body,):
            self._console.print(Text.assemble((head, "dim"), part), soft_wrap=True)
            head = " " * len(head)


def show_timeline(session: Session, console: Console, *, incidents_only: bool = False) -> None:
    """Print a record's timeline as a table."""
    table = Table(box=None, pad_edge=False)
    for column in ("time", "who", "what", ""):
        table.add_column(column, overflow="fold")
    for row in rows(session, incidents_only=incidents_only):
        style = "bold red" if row.mark in {"breach", "exposure", "alarm"} else "yellow" if row.mark else ""
        cells = (escape(printable(cell)) for cell in (row.time, row.who, row.what, row.text))
        table.add_row(*cells, style=style)
    console.print(table)


class Outlet:
    """A stream whose writes never raise, for a session that must outlive its terminal.

    Attributes:
        trouble: what was wrong at the last write, in plain words; None if nothing was.
    """

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self.trouble: str | None = None

    def write(self, text: str) -> int:
        """Write, or note why not."""
        try:
            self._stream.write(text)
        except (OSError, ValueError) as error:
            self.trouble = f"the screen cannot be written: {error}"
        return len(text)

    def flush(self) -> None:
        """Flush, or note why not."""
        try:
            self._stream.flush()
        except (OSError, ValueError) as error:
            self.trouble = f"the screen cannot be written: {error}"
        else:
            self.trouble = None

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


class BackgroundScreen:
    """A watch that never delays the session: a stopped or closed terminal blocks only its own thread.

    Attributes:
        trouble: what is wrong with the screen now, in plain words; None if nothing is.
    """

    def __init__(self, watch: Watch) -> None:
        self._watch = watch
        self._steps: queue.Queue[Callable[[], None]] = queue.Queue(WAITING)
        self._busy_since: float | None = None
        self._raised = ""
        threading.Thread(target=self._run, name="screen", daemon=True).start()

    def __call__(self, state: SessionState, event: Event, effects: tuple[Effect, ...]) -> None:
        """Queue one step; a screen that is stuck loses steps."""
        self.later(lambda: self._watch(state, event, effects))

    def later(self, task: Callable[[], None]) -> None:
        """Run another task on the screen's thread, after the steps that are waiting."""
        with contextlib.suppress(queue.Full):
            self._steps.put_nowait(task)

    @property
    def trouble(self) -> str | None:
        """What is wrong with the screen now, in plain words; None if nothing is."""
        since = self._busy_since
        if since is not None and time.monotonic() - since > STUCK_S:
            return "the screen is stuck"
        return self._raised or None

    def close(self, wait_s: float = 1.0) -> None:
        """Show the last lines, but wait no longer than `wait_s`."""
        end_s = time.monotonic() + wait_s
        while (self._busy_since is not None or not self._steps.empty()) and time.monotonic() < end_s:
            time.sleep(0.01)

    def _run(self) -> None:
        while True:
            show = self._steps.get()
            self._busy_since = time.monotonic()
            try:
                show()
            except Exception as error:  # noqa: BLE001 whatever goes wrong in printing, the session continues
                self._raised = f"the screen cannot be written: {error}"
            else:
                self._raised = ""
            self._busy_since = None
