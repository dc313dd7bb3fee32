"""What is seen: a transcript that scrolls, with what is worn. For eyes that have time; the voice does the work."""

from __future__ import annotations

from rich.console import Console
from rich.text import Text

from voicecoach.session.effects import Effect, Note, Say, Tone
from voicecoach.session.events import CLOCK_HZ, Event, Heard, PartBack, PartLost, SpeechUnending
from voicecoach.session.state import SessionState

SHOWN_NOTES = {
    "breach": "bold red",
    "exposure": "bold red",
    "alarm": "bold red",
    "gap": "bold yellow",
    "deviation": "yellow",
    "suspect": "yellow",
    "not-independent": "dim",
    "step-refused": "yellow",
    "jump": "dim",
    "stopped": "bold yellow",
    "false-alarm": "yellow",
}


class Transcript:
    """Prints each step of a session as lines. `voice_ok`: prompts can be heard; without it they stand out more."""

    def __init__(self, console: Console, *, voice_ok: bool = True) -> None:
        self._console = console
        self._voice_ok = voice_ok

    def __call__(self, state: SessionState, event: Event, effects: tuple[Effect, ...]) -> None:
        """Show one step of the session."""
        time = _clock(state.at)
        if isinstance(event, Heard):
            meant = event.command or (f"{event.near}?" if event.near else "not taken")
            style = "green" if event.command else "dim"
            self._line(time, event.role, f"“{event.phrase}”" if event.phrase else "...", style, f"[{meant}]")
        elif isinstance(event, PartLost):
            self._line(time, "lost", f"{event.part}: {event.why}", "bold yellow")
        elif isinstance(event, PartBack):
            self._line(time, "back", event.part, "green")
        elif isinstance(event, SpeechUnending):
            self._line(time, "room", "speech without a pause", "yellow")
        for effect in effects:
            if isinstance(effect, Say):
                self._line(time, "coach", effect.text, "bold" if self._voice_ok else "bold reverse")
            elif isinstance(effect, Tone) and effect.tone != "taken":
                self._line(time, "coach", f"({effect.tone})", "dim")
            elif isinstance(effect, Note):
                self._note(time, effect)

    def _note(self, time: str, note: Note) -> None:
        details = dict(note.details)
        if note.what == "ledger":
            self._line(time, "worn", details.get("on", "") or "nothing", "cyan")
        elif note.what in SHOWN_NOTES:
            told = ", ".join(f"{key} {value}" for key, value in note.details)
            self._line(time, note.what, told, SHOWN_NOTES[note.what])

    def _line(self, time: str, who: str, text: str, style: str, behind: str = "") -> None:
        line = Text(f"{time}  ", style="dim")
        line.append(f"{who:<16}", style="dim")
        line.append(text, style=style)
        if behind:
            line.append(f"  {behind}", style="dim")
        self._console.print(line, soft_wrap=True)


def _clock(at: int) -> str:
    seconds = at / CLOCK_HZ
    return f"{int(seconds // 60):02d}:{seconds % 60:04.1f}"
