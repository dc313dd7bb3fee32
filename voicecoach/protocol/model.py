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
    """A piece of equipment. Fields from `covers` on are for the checker."""

    name: str
    site: str
    """The body site that it protects."""
    layer: int
    """1 is next to the skin."""
    label: str
    """What the coach calls it: 'outer gloves'."""
    say: str
    """Its word in the grammar, as in 'gloves' for 'gloves removed'."""
    covers: tuple[str, ...] = ()
    """Body zones or 'item.zone' that it lies over, if it is put on after them, and that still get dirty."""
    line: int = 0
    zones: tuple[str, ...] = ()
    """Its surfaces; empty for those of its kind (zones.py)."""
    tight: tuple[str, ...] = ()
    """As `covers`, but what is below stays clean."""
    overlap: tuple[str, ...] = ()
    """As `covers`: a cuff or hem keeps what is below clean, and dirties it when it is pulled away."""
    traits: tuple[str, ...] = ()
    """Some of zones.TRAITS."""
    spared: tuple[str, ...] = ()
    """Zones that this protocol counts as clean after work though nothing covers them: a judgement, which the check
    prints."""


@dataclass(frozen=True, slots=True)
class Act:
    """What a step does to an item, or, for hygiene and sit, to 'hands' or a place."""

    kind: str
    """One of ACTS."""
    target: str
    grip: str = ""
    """The zone of the item that the hand holds."""
    passes: tuple[str, ...] = ()
    """Zones that the item brushes on its way."""
    manner: str = ""
    """One of zones.MANNERS; '' is with care."""
    fresh: bool = False
    """What is put on is a new piece, not the one that came off."""

    @property
    def rubs(self) -> bool:
        """Whether hands or gloves are disinfected by it."""
        return self.kind in {"disinfect", "hygiene"}


@dataclass(frozen=True, slots=True)
class Timing:
    """How long a rub or wipe takes. The answer of its step ends it."""

    agent: str
    """A key of the site file."""
    seconds: float
    """The protocol's own time (s)."""
    start: str
    """The command that starts it: 'rubbing' or 'wiping'."""


@dataclass(frozen=True, slots=True)
class Step:
    """One prompt, one act, one answer."""

    name: str
    """Unique in the protocol."""
    say: str
    """The prompt, at most 12 words."""
    role: str = "wearer"
    """Who acts."""
    warn: str = ""
    """Spoken before `say`."""
    help: str = ""
    """Longer text, on request."""
    acts: tuple[Act, ...] = ()
    answers: tuple[str, ...] = ()
    """Commands of the acting role that lead to the next step, such as ('done',) or ('gown-off',). Empty only with
    `quiet_s`."""
    observer: bool = False
    """An observer, if there is one, must confirm."""
    matters: bool = False
    """The answer is an item with its state, and is read back."""
    timing: Timing | None = None
    quiet_s: float = 0.0
    """If above 0, no speech is asked for during the act: after this many seconds the coach reminds once, and a later
    step asks."""
    asks_for: str = ""
    """The name of the earlier, silent step that this one asks about."""
    branches: tuple[tuple[str, str], ...] = ()
    """(command, branch) for answers that something is wrong, such as 'torn' or 'soiled'."""
    repair: str = ""
    """The branch taken on 'went wrong'."""
    when_on: tuple[str, ...] = ()
    """The step is skipped unless all these items are on."""
    when_off: tuple[str, ...] = ()
    """The step is skipped while one of these items is on."""
    when_any_on: tuple[str, ...] = ()
    """The step is skipped unless one of these items is on; empty for no such condition."""
    pays: str = ""
    """The debt of an exposure that is paid once this step is done, one of DEBTS; '' for none."""
    file: str = ""
    """The file that it is in."""
    also: tuple[str, ...] = ()
    """Further roles that must give the same answer before the step is left, as for a helper's own rub."""
    line: int = 0
    weaker: str = ""
    """Why this step asks for less than the checker computes it should; '' if it does not."""
    alone: bool = False
    """An observer's step that somebody alone is asked for too."""
    optional: bool = False
    """It can be skipped on request, together with the optional steps that follow at once."""
    ends: bool = False
    """The last step of all: its answer ends the session, if nothing is worn or owed."""
    between: bool = False
    """A rub between two pieces: skipped if the hands are rubbed already, and a site may leave it out
    (`Site.fewer_rubs`)."""
    say_alone: str = ""
    """What somebody alone hears instead of `say`; '' for the same."""
    warn_alone: str = ""
    """What somebody alone hears instead of `warn`; '' for the same."""

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
    """Steps apart from the stages, for when something is wrong."""

    name: str
    steps: tuple[Step, ...]
    then: str = "same"
    """Where it leads: 'same' (the step it came from, asked again), 'next', 'missing' (the first step of dressing whose
    piece is not on), 'undress', 'close', or the name of a branch or of a step in a stage."""
    ask: tuple[str, ...] = ()
    """Questions after its steps, in order: 'piece' (which one is torn), 'gloves' (not asked: it is the gloves, as after
    a needle), 'where' (a place on the body), 'skin' (yes or no)."""
    exposed: str = ""
    """The branch taken if the answer is a place or yes; '' for none."""
    line: int = 0
    again: str = ""
    """The branch taken instead when the same step calls this one a second time; '' for this one."""
    file: str = ""
    emergency: str = ""
    """Why it may break rules of contamination, because something else comes first; '' if it may not."""


@dataclass(frozen=True, slots=True)
class BreachRule:
    """What a kind of breach leads to in some stages."""

    kind: str
    """One of DANGERS."""
    stages: tuple[str, ...]
    """Where the rule holds."""
    first: str
    """The first words: an act, in at most 6 words."""
    branch: str = ""
    """The branch that follows; '' to go on at once."""
    then: str = "same"
    """As in Branch."""
    ask: tuple[str, ...] = ()
    """Questions asked after the first acts, as in Branch."""
    line: int = 0
    first_alone: str = ""
    """The first words for somebody alone; '' for the same."""
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
    """A whole protocol."""

    name: str
    title: str
    version: str
    sources: tuple[Source, ...]
    items: tuple[Item, ...]
    stages: tuple[StagePlan, ...]
    branches: tuple[Branch, ...]
    breaches: tuple[BreachRule, ...]
    rejoin: str = ""
    """The branch read after a pause, stop or restart; it begins with disinfecting the gloved hands."""
    touched: str = ""
    """The branch after a touch with a dirty hand."""
    wearer_down: str = ""
    """The branch when the wearer is down; '' for none."""
    wash: str = ""
    """The branch that pays the debts of an exposure, taken as soon as nothing is worn."""
    eyes_at_once: str = ""
    """The branch in which a second person rinses the wearer's eyes, where the site wants that."""
    undo: str = ""
    """The branch in which a wearer who does not go in takes off what is on."""
    torn: tuple[tuple[str, str, str], ...] = ()
    """(item, stage, branch) for torn pieces."""
    scope: tuple[str, ...] = ()
    """Labels, of SCOPES, by which the published orders that apply are chosen."""
    file: str = ""
    room: tuple[tuple[str, str], ...] = ()
    """(surface, state) at the start for surfaces of the room (zones.ROOM_STATES)."""
    exposed: tuple[str, ...] = ()
    """Body zones that this ensemble leaves bare on purpose."""
    orders: tuple[str, ...] = ()
    """Published orders that hold for some sources only, and that this protocol declares."""
    practice: bool = False
    """Never for a real patient."""
    hose: str = field(init=False, repr=False, compare=False)
    """The item that brings air into a powered hood; '' for none."""
    _branches: dict[str, Branch] = field(init=False, repr=False, compare=False)
    _steps: dict[str, tuple[Step, ...]] = field(init=False, repr=False, compare=False)
    _changes: dict[tuple[str, int], dict[str, tuple[str, int, bool]]] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        named: dict[str, Branch] = {}
        for branch in self.branches:
            named.setdefault(branch.name, branch)
        # asked very often while a protocol is checked
        object.__setattr__(self, "_branches", named)
        object.__setattr__(self, "_changes", {})
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

    def last_changes(self, stage: str, step: int) -> dict[str, tuple[str, int, bool]]:
        """For each item that goes on or comes off before that step of a stage, whatever is worn: the stage and index
        of the last step that does it, and whether the item is on then.
        """
        known = self._changes.get((stage, step))
        if known is None:
            known = self._changes[stage, step] = {}  # asked very often while a protocol is checked
            for name in STAGES[: STAGES.index(stage) + 1]:
                done = self.steps(name)[: max(0, step)] if name == stage else self.steps(name)
                for index, one in enumerate(done):
                    for act in one.acts:
                        if act.kind in {"don", "change", "doff"} and not one.when_on and not one.when_off:
                            known[act.target] = (name, index, act.kind != "doff")
        return known

    def steps(self, stage: str) -> tuple[Step, ...]:
        """The steps of a stage; empty if the protocol does not have it."""
        return self._steps.get(stage, ())
