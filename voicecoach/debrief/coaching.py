"""What to coach first: the weight of a step, from the checker, times what went wrong there. Pure.

The weights of what went wrong are judgements, like the checker's probabilities; only the resulting order is used.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from voicecoach.checker.rank import rank
from voicecoach.debrief.course import StepRun
from voicecoach.debrief.incidents import exposed_places
from voicecoach.debrief.texts import Wording
from voicecoach.protocol.model import Protocol
from voicecoach.session.notes import NoteKind

MOST = 3
"""A debrief has ten minutes: no more than three things."""
LEAST_WEIGHT = 0.02
"""The weight of a step at which no slip reaches the body; what went wrong there still counts a little."""
SLOW = 3.0
"""A step that took this many times the session's median is slow."""
SLOW_S = 60.0

TROUBLE: dict[str, tuple[float, str, str]] = {
    NoteKind.EXPOSURE: (5.0, "Skin or clothes were exposed", "{n} exposures"),
    NoteKind.BREACH: (4.0, "A breach was called", "{n} breaches were called"),
    NoteKind.TOUCHED: (3.0, "Something was touched", "{n} times something was touched"),
    NoteKind.DEVIATION: (3.0, "It was not done as written", "{n} times it was not done as written"),
    "rub-cut": (3.0, "The rub was cut short", "The rub was cut short {n} times"),
    NoteKind.NOT_CLEAR: (2.0, "The observer said “not clear”", "The observer said “not clear” {n} times"),
    NoteKind.ALARM: (2.0, "Nobody answered and the alarm sounded", "Nobody answered and the alarm sounded {n} times"),
    NoteKind.NOT_CONFIRMED: (
        1.5,
        "The coach read on without an answer",
        "The coach read on without an answer {n} times",
    ),
    NoteKind.BACK: (1.0, "The wearer went back", "The wearer went back {n} times"),
    NoteKind.STOPPED: (1.0, "“Stop” was called", "“Stop” was called {n} times"),
    "early": (1.0, "The answer came before the act could be over", "{n} answers came too early"),
    "refused": (1.0, "An answer was not the one this step needs", "{n} answers were not the ones this step needs"),
    "unheard": (0.5, "Something said was not understood", "{n} things said were not understood"),
    "slow": (0.5, "It took long", "It took long"),
}
"""What went wrong -> its weight (judgement), and the words for one and for several times."""


@dataclass(frozen=True, slots=True)
class StepWeight:
    """The checker's view of a step. value: 0 to 1; the heaviest step of the protocol has 1. why: a sentence."""

    value: float
    why: str


@dataclass(frozen=True, slots=True)
class Coaching:
    """One thing to coach. step: its name in the record. at_s: where to listen (s). score: weight times trouble."""

    step: str
    say: str
    what: tuple[str, ...]
    why: str
    at_s: float
    score: float


@lru_cache(maxsize=32)
def step_weights(protocol: Protocol) -> dict[str, StepWeight]:
    """Step name -> its weight in the checker's ranking, summed over the slips possible there."""
    total: dict[str, float] = {}
    sites: dict[str, tuple[str, ...]] = {}
    for slip in rank(protocol, draws=0).slips:
        name = slip.event.step
        total[name] = total.get(name, 0.0) + slip.criticality
        if slip.outcome.arrives:
            sites.setdefault(name, slip.outcome.sites)
    most = max(total.values(), default=0.0) or 1.0
    return {
        name: StepWeight(max(LEAST_WEIGHT, value / most), _why(sites.get(name, ()))) for name, value in total.items()
    }


def _why(sites: Sequence[str]) -> str:
    if not sites:
        return "According to the check, a slip here takes away a protection."
    named = [site.replace(".front", " (its front)") for site in sites[:3]]
    return f"According to the check, a slip here can carry contamination to the {_listed(named)}."


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


def to_coach(runs: Sequence[StepRun], words: Wording, most: int = MOST) -> tuple[Coaching, ...]:
    """The steps to coach, the most important first; empty if nothing went wrong.

    A step of a branch has the weight of the step that led into it.
    """
    weights = step_weights(words.protocol) if words.protocol is not None else {}
    usual_s = _median([run.took_s for run in runs if run.outcome == "confirmed" and not run.rubs])
    counts: dict[str, dict[str, int]] = {}
    first: dict[str, float] = {}
    heavy: dict[str, StepWeight] = {}
    main = ""
    for run in runs:
        if not run.branch and run.name in weights:
            main = run.name
        found = troubles(run, usual_s)
        if not found:
            continue
        mine = counts.setdefault(run.name, {})
        for kind, count in found.items():
            mine[kind] = mine.get(kind, 0) + count
        first.setdefault(run.name, run.begin_s)
        heavy.setdefault(run.name, weights.get(run.name) or weights.get(main) or StepWeight(LEAST_WEIGHT, ""))
    scored = []
    for name, mine in counts.items():
        trouble = sum(TROUBLE[kind][0] * count for kind, count in mine.items())
        what = tuple(
            _describe(kind, count) for kind, count in sorted(mine.items(), key=lambda pair: -TROUBLE[pair[0]][0])
        )
        weight = heavy[name]
        scored.append(Coaching(name, words.step(name), what, weight.why, first[name], weight.value * trouble))
    return tuple(sorted(scored, key=lambda one: (-one.score, one.at_s))[:most])


def troubles(run: StepRun, usual_s: float = 0.0) -> dict[str, int]:
    """What went wrong in one reading of a step: key of TROUBLE -> how often. usual_s: median time; 0 to ignore it."""
    found: dict[str, int] = {}
    for note in run.notes:
        if note.what in TROUBLE:
            found[note.what] = found.get(note.what, 0) + 1
    if NoteKind.EXPOSURE in found:
        recorded = (note.details.get("place", "") for note in run.notes if note.what == NoteKind.EXPOSURE)
        found[NoteKind.EXPOSURE] = len(exposed_places(recorded))
    counted = {"early": run.early, "refused": run.refused, "unheard": run.unheard, "rub-cut": run.rubs_cut}
    found |= {kind: count for kind, count in counted.items() if count}
    if usual_s and run.took_s > max(SLOW_S, SLOW * usual_s) and run.outcome == "confirmed" and not run.rubs:
        found["slow"] = 1
    return found


def _describe(kind: str, count: int) -> str:
    _, once, often = TROUBLE[kind]
    return once if count == 1 else often.format(n=count)


def _median(values: Sequence[float]) -> float:
    ordered = sorted(values)
    return ordered[len(ordered) // 2] if ordered else 0.0
