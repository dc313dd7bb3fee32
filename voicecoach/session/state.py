"""Where a session stands. Frozen values; every change makes a new one. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from voicecoach.protocol.model import Act

Worn = Literal["never", "on", "off"]
Hands = Literal["bare", "clean", "rubbed", "not-rubbed"]


@dataclass(frozen=True, slots=True)
class Detour:
    """A branch that is being read. then: where it leads when done; cause: why it was taken; due: as in Place."""

    branch: str
    step: int
    then: str
    cause: str
    due: bool = False


@dataclass(frozen=True, slots=True)
class Place:
    """A position in a protocol: stage, index of the step on the main way, and the branches entered from there.

    Step -1 of 'prepare' stands for the questions before the first step. due: the step's own role has answered and the
    observer has not yet; whatever comes in between leads back to the observer, never to the act again.
    """

    stage: str
    step: int
    detours: tuple[Detour, ...] = ()
    due: bool = False

    @property
    def observer_due(self) -> bool:
        """Whether the innermost step, in the last detour or on the main way, waits for the observer alone."""
        return self.detours[-1].due if self.detours else self.due

    def with_due(self, due: bool) -> Place:
        """This place with that set for the innermost step."""
        if not self.detours:
            return replace(self, due=due)
        return replace(self, detours=(*self.detours[:-1], replace(self.detours[-1], due=due)))


@dataclass(frozen=True, slots=True)
class Ledger:
    """What is worn, the state of the hands, and when each item was last found whole.

    items: (item, 'never' | 'on' | 'off') in the protocol's order. clear_at: (item, sample) of the last 'clear' or,
    before one, of putting it on.
    """

    items: tuple[tuple[str, Worn], ...]
    hands: Hands = "bare"
    clear_at: tuple[tuple[str, int], ...] = ()

    def worn(self, item: str) -> Worn:
        """How the item stands; 'never' for one that is unknown."""
        return dict(self.items).get(item, "never")

    def on(self) -> tuple[str, ...]:
        """Items that are worn, in the protocol's order."""
        return tuple(item for item, worn in self.items if worn == "on")

    def put(self, item: str, worn: Worn) -> Ledger:
        """The ledger with one item set."""
        return replace(self, items=tuple((name, worn if name == item else old) for name, old in self.items))

    def found_clear(self, item: str, at: int) -> Ledger:
        """The ledger with `item` known to be whole at sample `at`."""
        rest = tuple(pair for pair in self.clear_at if pair[0] != item)
        return replace(self, clear_at=(*rest, (item, at)))

    def corrected(self, item: str, worn: Worn) -> Ledger:
        """The ledger as a person says it is; if it said otherwise, the hands are not trusted either."""
        return self if self.worn(item) == worn else replace(self.put(item, worn), hands="not-rubbed")

    def unsure(self) -> Ledger:
        """The ledger without what nobody has seen: used where an act is only assumed to be done."""
        return replace(self, hands="not-rubbed")

    def after(self, acts: tuple[Act, ...], at: int) -> Ledger:
        """The ledger when all these acts are done at sample `at`."""
        ledger = self
        for act in acts:
            if act.kind == "don":
                ledger = ledger.put(act.target, "on").found_clear(act.target, at)
            elif act.kind == "doff":
                ledger = replace(ledger.put(act.target, "off"), hands="not-rubbed")
            elif act.kind == "change":
                ledger = ledger.put(act.target, "on").found_clear(act.target, at)
            elif act.kind == "inspect":
                ledger = ledger.found_clear(act.target, at)
            elif act.kind == "hygiene":
                ledger = replace(ledger, hands="clean")
            elif act.kind == "disinfect":
                ledger = replace(ledger, hands="rubbed")
            elif act.kind in {"touch", "wipe", "sit"}:
                ledger = replace(ledger, hands="not-rubbed")
        return ledger


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
