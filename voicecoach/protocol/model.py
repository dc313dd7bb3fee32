"""A protocol as frozen values: items, stages, steps, branches, breach rules. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Stage = Literal["prepare", "dress", "work", "undress", "close"]
STAGES: tuple[Stage, ...] = ("prepare", "dress", "work", "undress", "close")
ROLES = ("wearer", "observer", "assistant")
ANYONE = "anyone"
"""The role of a step that anybody present may answer: help for somebody who cannot."""
ACTS = ("don", "doff", "change", "inspect", "disinfect", "wipe", "hygiene", "touch", "sit", "verify")
SCOPES = (
    "ebola-level", "precautions", "practice", "cdc", "who", "msf", "ems", "uk", "hk", "n95", "papr", "mask", "gown",
    "coverall",
)  # fmt: skip
"""Labels of an ensemble: its level, whose order it follows, and what it consists of."""
DANGERS = ("breach", "splash", "needle", "no-air", "torn", "unwell", "collapse")
"""Incidents that are always listened for: command ids, kinds of breach rules, and causes in the record."""
OWED_AT_ONCE = ("splash", "needle")
"""Kinds of incident that are an exposure even before a place is named."""
ENDS_ENTRY = (*OWED_AT_ONCE, "unwell", "collapse")
"""Kinds of incident after which the wearer does not go in any more."""
DEBTS = ("wash", "report")
"""What an exposure leaves owed, in the order in which it is done."""
BASES = ("read", "second-hand", "from memory", "common practice, no source")


@dataclass(frozen=True, slots=True)
class Source:
    """Where an order or figure comes from. basis: how it is known, one of BASES."""

    title: str
    year: str
    used_for: str
    basis: str
    where: str = ""


@dataclass(frozen=True, slots=True)
class Item:
    """One piece worn. site: body site it protects; layer: 1 is next to the skin; say: its spoken name, as the grammar's
    item words have it (the grammar key, e.g. 'gloves'); label: how the coach names it ('outer gloves').

    For the checker: zones are the surfaces of the item (empty: those of its kind, see zones.py). covers, tight and
    overlap name body zones or 'item.zone' that it lies over when it is put on after them: covers leaks, tight does not,
    overlap is kept clean by a cuff or hem and dirtied when that is pulled away. spared: zones that this protocol counts
    as clean after work though nothing covers them (a judgement that the check prints). traits: of zones.TRAITS.
    """

    name: str
    site: str
    layer: int
    label: str
    say: str
    covers: tuple[str, ...] = ()
    line: int = 0
    zones: tuple[str, ...] = ()
    tight: tuple[str, ...] = ()
    overlap: tuple[str, ...] = ()
    traits: tuple[str, ...] = ()
    spared: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Act:
    """What a step does to an item (or, for hygiene and sit, to 'hands' or a place).

    grip: the zone of the item that the hand holds. passes: zones that the item brushes on its way. manner: how, one of
    zones.MANNERS ('' is with care). fresh: what is put on is a new piece, not the one that came off.
    """

    kind: str
    target: str
    grip: str = ""
    passes: tuple[str, ...] = ()
    manner: str = ""
    fresh: bool = False

    @property
    def rubs(self) -> bool:
        """Whether hands or gloves are disinfected by it."""
        return self.kind in {"disinfect", "hygiene"}


@dataclass(frozen=True, slots=True)
class Timing:
    """How long a rub or wipe takes. start: the command that starts it ('rubbing', 'wiping'); the step's answer ('dry')
    ends it. agent: a key of the site file. seconds: the protocol's own time (s).
    """

    agent: str
    seconds: float
    start: str


@dataclass(frozen=True, slots=True)
class Step:
    """One prompt, one act, one answer.

    name: unique in the protocol. say: the prompt, at most 12 words. warn: spoken before `say`. help: longer text, on
    request. role: who acts. answers: command ids of the acting role that go on to the next step, e.g. ('done',),
    ('clear',), ('gown-off',); empty only when `quiet_s` > 0: no speech is asked for while this step's act goes on, the
    coach moves on after quiet_s seconds and a later step asks (`asks_for` there names this step).
    observer: True when an observer, if there is one, must confirm. matters: the answer is an item with its state and is
    read back. branches: command id -> branch name (e.g. torn, soiled). repair: branch taken on 'went wrong'.
    also: further roles that must give the same answer before the step is left (a helper's own rub).
    when_on / when_off: the step is only for when these items are on / are not on; otherwise it is passed over.
    when_any_on: only for when at least one of these is on (empty: no such condition).
    pays: what is no longer owed for an exposure once this step is done, one of DEBTS, or ''. file: where it stands.
    weaker: why this step asks for less than the checker computes it should ('' when it does not).
    say_alone, warn_alone: what somebody alone hears instead of `say` and `warn` ('' for the same).
    alone: an observer's step that somebody alone is asked for too. optional: a word may leave it out, with all such
    steps that follow it at once. ends: the last step of all; its answer ends the session, if nothing is worn or owed.
    between: a rub between two pieces that is passed over when the hands are rubbed already, and that a site may leave
    out (`Site.fewer_rubs`).
    """

    name: str
    say: str
    role: str = "wearer"
    warn: str = ""
    help: str = ""
    acts: tuple[Act, ...] = ()
    answers: tuple[str, ...] = ()
    observer: bool = False
    matters: bool = False
    timing: Timing | None = None
    quiet_s: float = 0.0
    asks_for: str = ""
    branches: tuple[tuple[str, str], ...] = ()
    repair: str = ""
    when_on: tuple[str, ...] = ()
    when_off: tuple[str, ...] = ()
    when_any_on: tuple[str, ...] = ()
    pays: str = ""
    file: str = ""
    also: tuple[str, ...] = ()
    line: int = 0
    weaker: str = ""
    alone: bool = False
    optional: bool = False
    ends: bool = False
    between: bool = False
    say_alone: str = ""
    warn_alone: str = ""

    @property
    def rubs(self) -> bool:
        """Whether one of its acts disinfects hands or gloves."""
        return any(act.rubs for act in self.acts)

    def words(self, mode: str) -> tuple[str, str]:
        """Warning and prompt in this mode, 'solo' or 'pair'; the warning may be ''."""
        alone = mode == "solo"
        return (self.warn_alone if alone else "") or self.warn, (self.say_alone if alone else "") or self.say


@dataclass(frozen=True, slots=True)
class Branch:
    """A detour.

    then: 'same' (the step it came from, asked anew), 'next', 'missing' (the first step of dressing whose piece is not
    on), 'undress', 'close', or the name of a branch or of a step on the main way.
    ask: questions when its steps are done, in order: 'piece' (which one is torn), 'gloves' (nothing is asked: it is the
    gloves, as after a needle), 'where' (a place of the body), 'skin' (yes or no). exposed: branch taken when the answer
    is a place or yes, else ''. again: the branch taken instead when the same step calls this one a second time ('' for
    itself). emergency: why it may break rules of contamination ('' where it may not): something else comes first.
    """

    name: str
    steps: tuple[Step, ...]
    then: str = "same"
    ask: tuple[str, ...] = ()
    exposed: str = ""
    line: int = 0
    again: str = ""
    file: str = ""
    emergency: str = ""


@dataclass(frozen=True, slots=True)
class BreachRule:
    """What a kind of breach leads to in some stages.

    kind: one of DANGERS. stages: where it holds. first: the first words, an act, at most 6 words; first_alone: those
    for somebody who is alone ('' for the same). branch: the branch that follows (may be empty: go on at once). then: as
    in Branch. ask: questions asked after the first acts, as in Branch.
    """

    kind: str
    stages: tuple[str, ...]
    first: str
    branch: str = ""
    then: str = "same"
    ask: tuple[str, ...] = ()
    line: int = 0
    first_alone: str = ""
    file: str = ""

    def words(self, mode: str) -> str:
        """The first words in this mode, 'solo' or 'pair'."""
        return self.first_alone if mode == "solo" and self.first_alone else self.first


@dataclass(frozen=True, slots=True)
class StagePlan:
    """The steps of one stage. `work` has only notes, which are read when it begins."""

    stage: Stage
    steps: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class Protocol:
    """A whole protocol. rejoin: branch read after a pause, stop or restart (it begins with gloved-hand disinfection).
    touched: branch after a touch with a dirty hand. wearer_down: branch when the wearer is down ('' if none).
    wash: branch that pays what is owed for an exposure, taken as soon as nothing is worn. eyes_at_once: branch in which
    a second person rinses the eyes, where the site wants that. undo: branch in which somebody who does not go in takes
    off what is on. torn: (item, stage, branch): the way when it is torn.
    scope: names of the ensemble's kind that published orders are checked for. room: surfaces of the room and how they
    are at the start (zones.ROOM_STATES). exposed: body zones that this ensemble leaves bare on purpose. orders:
    published orders that hold for some sources only and that this one declares. practice: never for a real patient.
    hose: the item that brings air into a powered hood, '' if there is none.
    """

    name: str
    title: str
    version: str
    sources: tuple[Source, ...]
    items: tuple[Item, ...]
    stages: tuple[StagePlan, ...]
    branches: tuple[Branch, ...]
    breaches: tuple[BreachRule, ...]
    rejoin: str = ""
    touched: str = ""
    wearer_down: str = ""
    wash: str = ""
    eyes_at_once: str = ""
    undo: str = ""
    torn: tuple[tuple[str, str, str], ...] = ()
    scope: tuple[str, ...] = ()
    file: str = ""
    room: tuple[tuple[str, str], ...] = ()
    exposed: tuple[str, ...] = ()
    orders: tuple[str, ...] = ()
    practice: bool = False
    hose: str = field(init=False, repr=False, compare=False)
    _branches: dict[str, Branch] = field(init=False, repr=False, compare=False)
    _steps: dict[str, tuple[Step, ...]] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        named: dict[str, Branch] = {}
        for branch in self.branches:
            named.setdefault(branch.name, branch)
        # asked very often while a protocol is checked
        object.__setattr__(self, "_branches", named)
        object.__setattr__(self, "_steps", {plan.stage: plan.steps for plan in reversed(self.stages)})
        object.__setattr__(self, "hose", next((item.name for item in self.items if item.say == "hose"), ""))

    def branch(self, name: str) -> Branch:
        """The branch of that name, which the loader has checked to exist."""
        return self._branches[name]

    def then_of(self, name: str) -> str:
        """Where the branch of that name leads; '' if there is none."""
        branch = self._branches.get(name)
        return branch.then if branch else ""

    def item(self, name: str) -> Item:
        """The item of that name, which the loader has checked to exist."""
        return next(item for item in self.items if item.name == name)

    def torn_branch(self, item: str, stage: str) -> str:
        """The branch for a torn `item` in `stage`; '' if there is none."""
        return next((branch for name, where, branch in self.torn if (name, where) == (item, stage)), "")

    def steps(self, stage: str) -> tuple[Step, ...]:
        """The steps of a stage; empty if the protocol does not have it."""
        return self._steps.get(stage, ())
