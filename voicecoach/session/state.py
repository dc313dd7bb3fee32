"""Where a session stands. Frozen values; every change makes a new one. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from voicecoach.protocol.ledger import Ledger
from voicecoach.protocol.navigation.position import Position, incident
from voicecoach.protocol.place import Place
from voicecoach.session.exposure import UNKNOWN, Exposure, owed, recorded
from voicecoach.session.voice_check import VoiceTry


@dataclass(frozen=True, slots=True)
class Speech:
    """A prompt that has been queued and not yet run out. skip_s: how much of it was heard before it was cut (s)."""

    prompt: int
    text: str
    skip_s: float = 0.0


@dataclass(frozen=True, slots=True)
class SessionState:
    """All that a session remembers; nothing else does. Samples are at CLOCK_HZ."""

    status: str
    """One of the table's states."""
    place: Place
    """The step that it is about."""
    ledger: Ledger
    """What is worn, and the hands."""
    at: int = 0
    """Sample of the newest event."""
    mode: Literal["solo", "pair"] = "solo"
    """Alone, or with a second person."""
    ear: str = ""
    """Which recogniser listens."""
    audio: Literal["clips", "full", "none"] = "clips"
    """What is kept of the sound."""
    training_only: bool = True
    """Not for a real patient."""
    independent: bool = False
    """The observer can be told from the wearer: by a channel or a key."""
    prompts: int = 0
    """How many prompts there have been."""
    speech: tuple[Speech, ...] = ()
    """Prompts not yet run out."""
    listening: tuple[str, ...] = ()
    """What is listened for."""
    question: str = ""
    """What is asked in 'asking', also while a voice is over it; '' for nothing."""
    about: str = ""
    """What that question is about: an item, a kind of incident."""
    vain: int = 0
    """Times a voice came over this prompt for nothing."""
    hinted: bool = False
    """'Say again' was said in this step already."""
    tries: tuple[VoiceTry, ...] = ()
    """Words said in the voice check that is going on."""
    voice: str = ""
    """What the voice check came to: 'met', 'not met' or 'skipped'; '' if there was none."""
    floors: tuple[tuple[str, float], ...] = ()
    """Floors that it set."""
    sound_told: tuple[str, ...] = ()
    """Troubles with the sound that were said already."""
    babbled: bool = False
    """Voices without a gap were noted in this step already."""
    silence: int = 0
    """Rung of the ladder of silence."""
    waiting_since: int | None = None
    """The sample at which that ladder began."""
    answers_from: int = 0
    """An answer that began before this sample was given too early."""
    paced: bool = False
    """No ears: it reads on at a set pace."""
    doubted: bool = False
    """Begun from the last good lines of another session: every piece is asked for, and nobody is dressed."""
    lost: tuple[str, ...] = ()
    """Parts of the equipment that are gone."""
    answered: tuple[str, ...] = ()
    """Roles that answered this step already."""
    trail: tuple[Place, ...] = ()
    """Steps done, newest last, with the place each had: for 'back'."""
    since: tuple[tuple[int, str], ...] = ()
    """(sample, step) of all steps done, for dating a tear back."""
    worn_since: int | None = None
    """Sample of the first item on; None with nothing on."""
    waiting_in: str = ""
    """Where an answer was waited for when 'Are you all right?' came in between; that answer still counts."""
    held: str = ""
    """'frozen' or 'paused' when a question came in between."""
    pending: tuple[str, str] | None = None
    """(question, about) that something else came in between."""
    timers: tuple[str, ...] = ()
    """Names of those running."""
    before: Place | None = None
    """Where the newest incident struck, while 'false alarm' can still lead back there."""
    struck_at: int = 0
    """The sample at which that was."""
    exposures: tuple[Exposure, ...] = ()
    """All exposures, paid or not."""
    apart: bool = False
    """Begun in a pair; nobody came when they were waited for, and the wearer goes on alone until somebody speaks."""
    no_entry: str = ""
    """Why nobody goes in any more; '' if they may."""
    tried: tuple[tuple[str, str], ...] = ()
    """(step, branch) of the branches that steps have called."""

    @property
    def owed(self) -> tuple[str, ...]:
        """What is still owed for exposures: 'wash', 'report'."""
        return owed(self.exposures)

    @property
    def sounding(self) -> bool:
        """True while a prompt has not run out."""
        return bool(self.speech)

    @property
    def window(self) -> bool:
        """True while a voice that cut a prompt is being waited for."""
        return "window" in self.timers

    @property
    def position(self) -> Position:
        """Where the person is on the way, with what on and with whom: what navigation asks for."""
        owes = any(one.owed and not one.led for one in self.exposures)
        placed = self.handling and any(
            e.at >= self.struck_at and (e.place != UNKNOWN or e.cause == "needle") for e in self.exposures
        )
        return Position(self.place, self.ledger, self.mode, owes, placed, bool(self.no_entry), self.tried)

    @property
    def handling(self) -> bool:
        """True while an incident is being handled: its first words, or a detour that it caused."""
        return self.status == "breached" or incident(self.place.detours) >= 0

    def exposed(self, place: str, cause: str, step: str = "") -> SessionState:
        """The state with an exposure, or with the place of the one at hand; whoever dresses does not go in."""
        since = self.struck_at if self.handling else self.at
        new = Exposure(place, cause, self.place.stage, step, self.at)
        entering = self.place.stage in {"prepare", "dress"}
        return replace(
            self,
            exposures=recorded(self.exposures, new, since),
            no_entry=self.no_entry or ("exposure" if entering else ""),
            ledger=replace(self.ledger, hands="not-rubbed"),
        )

    @property
    def behind(self) -> Place | None:
        """The step that 'back' is about: the one whose answer was taken last; None if there is none."""
        if self.place.observer_due:
            return self.place.with_due(False)
        return self.trail[-1] if self.trail else None
