"""The result of a check in ten lines, for those who decide on a protocol; the rest on request. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from voicecoach.checker.assumptions import Assumption
from voicecoach.checker.counterexample import WITH, line_of, what_went_wrong
from voicecoach.checker.detection import FailureMode
from voicecoach.checker.rules import BY_NAME
from voicecoach.checker.verdict import Verdict

WORST = 3
"""How many slips and assumptions the short answer lists."""


def text(verdict: Verdict, rests: Sequence[Assumption], modes: Sequence[FailureMode]) -> str:
    """At most ten lines: the verdict, what it rests on, the worst slips, what differs from the sources.

    Args:
        verdict: of the whole check. rests: its assumptions, the weightiest first. modes: single slips by rank.
    """
    return "\n".join(_lines(verdict, rests, modes))


def _lines(verdict: Verdict, rests: Sequence[Assumption], modes: Sequence[FailureMode]) -> Iterator[str]:
    protocol = verdict.protocol
    yield f"{protocol.name} {protocol.version}: {protocol.title}"
    yield outcome(verdict)
    held = "; ".join(one.says for one in rests[:WORST])
    more = f"; and {len(rests) - WORST} more (--rests)" if len(rests) > WORST else ""
    yield f"Holds only while: {held}{more}." if verdict.good else f"Apart from that it rests on: {held}{more}."
    for number, mode in enumerate(modes[:WORST], start=1):
        where = "there" if mode.noticed_at == mode.step else f"in {mode.noticed_at}"
        seen = f"the {mode.noticed_by} could notice first, {where}" if mode.noticed_by else "nobody would notice"
        yield f"Worst slip {number}: {mode.step}, {mode.slip}: {mode.effect}; {seen}."
    broken = ", ".join(f"{order.name} ({order.says})" for order in verdict.broken)
    orders = f"{len(verdict.checked)} published orders apply"
    yield f"Against its sources: {orders}, " + (f"broken: {broken}." if broken else "none is broken.")
    if verdict.lacks:
        more = f"; and {len(verdict.lacks) - 1} more (--full)" if len(verdict.lacks) > 1 else ""
        yield f"Missing, or said wrongly: {verdict.lacks[0].says}{more}."
    if verdict.short:
        needs = "; ".join(f"{ask.step} needs a {ask.kind}" for ask in verdict.short[:WORST])
        yield f"Asks for less than it should: {needs}."
    if verdict.notes:
        yield f"To be read: {len(verdict.notes)} notes, the first: {verdict.notes[0]}."
    yield "More: --full (everything), --rests, --slips, --repair, --explain STEP, --html FILE, --csv FILE, --json."


def outcome(verdict: Verdict) -> str:
    """The verdict in one sentence."""
    counters = verdict.explored.counters
    if verdict.cut:
        return "CUT SHORT: there are more paths than could be walked, so nothing is proved."
    if not counters and verdict.good:
        wrong = "one thing going wrong (--two: any two)" if verdict.most == 1 else "up to two things going wrong"
        return f"No contact route found with {wrong}."
    if not counters:
        return "NOT GOOD: no contact route found, but see what is missing below."
    first = counters[0]
    rule = BY_NAME[first.found.rule]
    places = "a rule is broken in one place" if len(counters) == 1 else f"rules are broken in {len(counters)} places"
    step = first.found.step or "the end"
    return (
        f"NOT GOOD: {places}; the shortest path ({WITH[first.mode]}: {what_went_wrong(first)}) leads to "
        f"{step}{line_of(verdict.protocol, step)}: {rule.says}"
    )
