"""The state of a session: a frozen value; each change makes a new one. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from voicecoach.protocol.ledger import Ledger
from voicecoach.protocol.navigation.position import RINSE, Position, incident
from voicecoach.protocol.place import Place
from voicecoach.session.exposure import UNKNOWN, Exposure, owed, recorded
from voicecoach.session.voice_check import VoiceTry


@dataclass(frozen=True, slots=True)
class Speech:
    """A prompt that has not ended. skip_s: how much of it was heard before it was cut (s)."""

    prompt: int
    text: str
    skip_s: float = 0.0


@dataclass(frozen=True, slots=True)
class SessionState:
    """Everything that a session remembers. Samples are at CLOCK_HZ."""

    status: str
    """One of the table's states."""
    place: Place
    """The current step."""
    ledger: Ledger
    """What is worn, and the state of the hands."""
    at: int = 0
    """The sample of the newest event."""
    mode: Literal["solo", "pair"] = "solo"
    """Without or with a second person."""
    ear: str = ""
    """The recogniser that listens."""
    audio: Literal["clips", "full", "none"] = "clips"
    """How much of the sound is kept."""
    training_only: bool = True
    """Not for use with a real patient."""
    independent: bool = False
    """The observer can be told from the wearer by a channel or a key."""
    prompts: int = 0
    """Prompts said so far; the next one's number."""
    speech: tuple[Speech, ...] = ()
    """Prompts that have not ended."""
    listening: tuple[str, ...] = ()
    """The live commands."""
    question: str = ""
    """The open question, also while somebody speaks over it; '' for none."""
    about: str = ""
    """What that question is about: an item, or a kind of incident."""
    false_interruptions: int = 0
    """How often this prompt was interrupted for nothing."""
    hinted: bool = False
    hint_at: Place | None = None
    """The step at which a second word that was not understood got its hint."""
    """'Say again' has been said in this step."""
    tries: tuple[VoiceTry, ...] = ()
    """Words said so far in the current voice check."""
    voice: str = ""
    """The result of the voice check: 'met', 'not met' or 'skipped'; '' if there was none."""
    voice_again: bool = False
    """Whether a second voice check, before removal, has been made."""
    floors: tuple[tuple[str, float], ...] = ()
    """Floors set by the voice check."""
    sound_announced: tuple[str, ...] = ()
    """Kinds of poor sound that have been announced."""
    babble_noted: bool = False
    """Endless speech has been noted in this step."""
    silence: int = 0
    """The rung of the silence ladder."""
    waiting_since: int | None = None
    """The sample at which the ladder began; None while it does not run."""
    answers_from: int = 0
    """An answer that began before this sample came too early."""
    paced: bool = False
    """There is no recogniser: steps are read at a set pace."""
    salvaged: bool = False
    """Whether the session started from the last good lines of another: every piece is asked about, and nobody
    dresses."""
    lost: tuple[str, ...] = ()
    """Parts of the equipment that have failed."""
    answered: tuple[str, ...] = ()
    """Roles that have answered this step."""
    trail: tuple[Place, ...] = ()
    """The places of the steps done, newest last, for 'back'."""
    since: tuple[tuple[int, str], ...] = ()
    """(sample, step) of every step done, for dating a tear."""
    worn_since: int | None = None
    """The sample at which the first item went on; None with nothing on."""
    waiting_in: str = ""
    """The state in which an answer was awaited before 'Are you all right?'; that answer still counts."""
    held: str = ""
    """'frozen' or 'paused', if a question came in between."""
    pending: tuple[str, str] | None = None
    """(question, about) of the question that was interrupted."""
    timers: tuple[str, ...] = ()
    """The running timers."""
    incident_place: Place | None = None
    """Where the newest incident happened, as long as 'false alarm' can lead back there."""
    incident_at: int = 0
    """The sample at which the incident happened that is being handled."""
    called_at: int = 0
    """The sample at which the newest one was called out, before the first has been dealt with or after."""
    exposures: tuple[Exposure, ...] = ()
    """All exposures, paid or not."""
    left_alone: bool = False
    """Begun in a pair, but nobody came when called: the wearer goes on alone until the other person speaks."""
    no_entry: str = ""
    """Why the wearer may not go in any more; '' if they may."""
    tried: tuple[tuple[str, str], ...] = ()
    """(step, branch) of each branch that a step has called."""

    @property
    def owed(self) -> tuple[str, ...]:
        """What the exposures still owe: 'wash', 'report'."""
        return owed(self.exposures)

    @property
    def sounding(self) -> bool:
        """Whether a prompt has not ended."""
        return bool(self.speech)

    @property
    def window(self) -> bool:
        """Whether the coach waits for a voice that interrupted it."""
        return "window" in self.timers

    @property
    def position(self) -> Position:
        """The position that navigation starts from."""
        owes = any(one.owed and not one.led for one in self.exposures)
        placed = self.handling and any(
            e.at >= self.incident_at and (e.place != UNKNOWN or e.cause == "needle") for e in self.exposures
        )
        rinsing = any(one.cause == RINSE for one in self.place.detours)
        eyes = not rinsing and any(one.place == "eyes" and "wash" in one.owed and not one.led for one in self.exposures)
        return Position(self.place, self.ledger, self.mode, owes, placed, bool(self.no_entry), self.tried, eyes)

    @property
    def handling(self) -> bool:
        """Whether an incident is being handled: its first words sound, or a detour that it caused is open."""
        return self.status == "breached" or incident(self.place.detours) >= 0

    def exposed(self, place: str, cause: str, step: str = "") -> SessionState:
        """The state with a new exposure, or with the place of the present one; while dressing it ends the entry."""
        since = self.incident_at if self.handling else self.at
        new = Exposure(place, cause, self.place.stage, step, self.at)
        entering = self.place.stage in {"prepare", "dress"}
        asked = self.question in {"where", "skin"}  # of what was before the rub that has been done since
        return replace(
            self,
            exposures=recorded(self.exposures, new, since),
            no_entry=self.no_entry or ("exposure" if entering else ""),
            ledger=self.ledger if asked else replace(self.ledger, hands="not-rubbed"),
        )

    @property
    def behind(self) -> Place | None:
        """The step that 'back' means: the one answered last; None if there is none."""
        if self.place.observer_due:
            return self.place.with_due(False)
        return self.trail[-1] if self.trail else None
