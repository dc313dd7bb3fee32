"""Where a session stands. Frozen values; every change makes a new one. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from voicecoach.protocol.ledger import Ledger
from voicecoach.protocol.navigation import Position
from voicecoach.protocol.place import Place


@dataclass(frozen=True, slots=True)
class Speech:
    """A prompt that has been queued and not yet run out. skip_s: how much of it was heard before it was cut (s)."""

    prompt: int
    text: str
    skip_s: float = 0.0


@dataclass(frozen=True, slots=True)
class SessionState:
    """All that a session remembers. Samples are at CLOCK_HZ.

    status: one of the table's states. place: the step it is about. speech: prompts not yet run out. prompts: how many
    there have been. question: what is asked in 'asking', and `about` what. vain: times a voice came over this prompt
    for nothing. hinted, babbled: said once in this step already. silence: rung of the ladder, and waiting_since the
    sample at which it began. answers_from: an answer that began before this sample was given too early. paced: no ears,
    read at a set pace. answered: roles that answered this step already. trail: steps done, newest last, with the place
    each had. since: (sample, step) of all steps done, for dating back. worn_since: sample of the first item on, or
    None. before: the place at which the breach struck that is being handled. held: 'frozen' or 'paused' when a question
    came in between. pending: (question, about) that something else came in between. timers: names of those running.
    """

    status: str
    place: Place
    ledger: Ledger
    at: int = 0
    mode: Literal["solo", "pair"] = "solo"
    ear: str = ""
    audio: Literal["clips", "full", "none"] = "clips"
    training_only: bool = True
    independent: bool = False
    prompts: int = 0
    speech: tuple[Speech, ...] = ()
    listening: tuple[str, ...] = ()
    question: str = ""
    about: str = ""
    vain: int = 0
    hinted: bool = False
    babbled: bool = False
    silence: int = 0
    waiting_since: int | None = None
    answers_from: int = 0
    paced: bool = False
    lost: tuple[str, ...] = ()
    answered: tuple[str, ...] = ()
    trail: tuple[Place, ...] = ()
    since: tuple[tuple[int, str], ...] = ()
    worn_since: int | None = None
    before: Place | None = None
    held: str = ""
    pending: tuple[str, str] | None = None
    timers: tuple[str, ...] = ()

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
        return Position(self.place, self.ledger, self.mode)

    @property
    def behind(self) -> Place | None:
        """The step that 'back' is about: the one whose answer was taken last; None if there is none."""
        if self.place.observer_due:
            return self.place.with_due(False)
        return self.trail[-1] if self.trail else None
