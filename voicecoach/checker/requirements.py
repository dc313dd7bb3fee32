"""Which steps need a named answer, the observer, or a spoken warning. Pure.

Computed from single slips and pairs. A protocol may ask for more; for less only with a reason (`weaker`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from voicecoach.checker.rank import weight
from voicecoach.checker.slips import Outcome, SlipPaths, pairs, single
from voicecoach.protocol.model import Protocol, Step

GRAVE = 0.5
"""Weight of an outcome (weights.WEIGHT) from which a step must be answered for by name."""
ROUTINE = frozenset({"done", "understood"})
_HEAD = frozenset({"head", "face", "eyes", "hair"})


@dataclass(frozen=True, slots=True)
class Requirement:
    """What one step needs. kind: 'named' (an answer that is not routine), 'observer' or 'warning'. why: the slip that
    demands it. met: whether the step has it.
    """

    step: str
    kind: str
    why: str
    met: bool


def requirements(protocol: Protocol, paths: SlipPaths | None = None) -> list[Requirement]:
    """The needs of every step of the list as written, in order."""
    paths = paths or SlipPaths(protocol)
    outcomes = [*single(protocol, paths), *pairs(protocol, paths)]
    found: list[Requirement] = []
    for place, (stage, step) in enumerate(paths.steps):
        if stage == "work":
            continue
        mine = [outcome for outcome in outcomes if any(event.place == place for event in outcome.events)]
        found += _of(protocol, step, place, mine, protocol.steps(stage))
    return found


def _of(
    protocol: Protocol, step: Step, place: int, outcomes: Sequence[Outcome], asking: Sequence[Step]
) -> list[Requirement]:
    found = []
    alone = [o for o in outcomes if len(o.events) == 1 and o.arrives and weight(o) >= GRAVE]
    for outcome in alone:
        if outcome.events[0].kind in {"omitted", "short"}:
            hard = step.quiet_s > 0 or not set(step.answers) <= ROUTINE
            found.append(Requirement(step.name, "named", _why(outcome), hard))
            break
    for outcome in alone:
        if outcome.events[0].kind in {"omitted", "swapped", "grip", "short"} and not outcome.catch:
            asked = [one for one in asking if one.asks_for == step.name]
            watched = step.observer or any(one.observer or one.role == "observer" for one in asked)
            found.append(Requirement(step.name, "observer", _why(outcome) + ", and nothing would notice", watched))
            break
    grips = [o for o in outcomes if o.arrives and any(e.kind == "grip" and e.place == place for e in o.events)]
    near = [act.target for act in step.acts if act.kind == "doff" and protocol.item(act.target).site in _HEAD]
    if grips:
        found.append(Requirement(step.name, "warning", _why(grips[0]), bool(step.warn)))
    elif near:
        found.append(Requirement(step.name, "warning", "the hands are at the head", bool(step.warn)))
    return found


def _why(outcome: Outcome) -> str:
    slips = " with ".join(f"{event.step} {event.kind}" for event in outcome.events)
    return f"{slips} reaches {' and '.join(outcome.sites)} at {outcome.arrival}"


def text(found: Sequence[Requirement]) -> str:
    """The needs as text, a line each."""
    lines = ["what the coach must ask, computed:"]
    lines += [f"  {ask.step}: {ask.kind}{'' if ask.met else ' (missing)'}, as {ask.why}" for ask in found]
    return "\n".join(lines)
