"""Every path through a protocol, within stated bounds, and the shortest one that breaks a rule. Pure.

The paths are those of a session, found by the same navigation: the list as written, and at each place whatever may
happen there: an answer that calls a branch, 'went wrong', the observer's 'not clear', a pause, a touch, each kind of
breach, the wearer collapsing, or 'yes' to a question about the skin. At most one or two of these happen on a path. A
breach or a touch may also be a false alarm, which is called off at any moment after it; then nothing else goes wrong.
('Not finished' is left out, since it only repeats a step.) Each path is walked for a wearer alone, with an observer,
and with an assistant, as far as the protocol's roles allow.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from voicecoach.checker.consequences import Consequences
from voicecoach.checker.route import Route
from voicecoach.checker.rules import SEVERITIES
from voicecoach.checker.walk import MAX_STATES, Counterexample, Walk
from voicecoach.protocol.model import Protocol, Step

USUAL = frozenset({"", "work begins", "start removal", "the end"})
"""Events of the list as written; all others are deviations."""


@dataclass(frozen=True, slots=True)
class Explored:
    """The result: broken rules, each with its shortest path; how much was walked; whether a bound cut it short."""

    counters: tuple[Counterexample, ...]
    paths: int
    states: int
    modes: tuple[str, ...]
    bounded: bool


def modes(protocol: Protocol) -> tuple[str, ...]:
    """Who can be there when the protocol is read: 'solo', 'pair' or 'assistant', or several of them."""
    steps = [step for plan in protocol.stages for step in plan.steps]
    if any(step.role == "assistant" or "assistant" in step.also for step in steps):
        return ("assistant",)
    if any(
        step.role == "observer" and any(act.kind not in {"inspect", "verify"} for act in step.acts) for step in steps
    ):
        return ("pair",)  # the observer's hands are needed
    return ("solo", "pair")


@lru_cache(maxsize=64)
def as_written(protocol: Protocol, mode: str) -> tuple[tuple[str, Step], ...]:
    """The steps that are read when nothing goes wrong, each with its stage, and 'work' where work begins."""
    route = Route(protocol, mode)
    found: list[tuple[str, Step]] = []
    stop = route.start()
    while stop.spot.question != "end" and len(found) < MAX_READ:
        spot = stop.spot
        if spot.kind == "step" and spot.step is not None:
            found.append((spot.place.stage, spot.step))
            stop = route.done(stop)
        elif spot.kind == "work":
            found.append(("work", Step("work", "work begins")))
        stop = route.go("start removal" if spot.kind == "work" else "", stop)
    return tuple(found)


MAX_READ = 1_000
"""Most steps of a list as written; more than a file may have."""


def explore(protocol: Protocol, most: int = 1, max_states: int = MAX_STATES) -> Explored:
    """Walk every path with at most `most` deviations.

    Returns:
        Counterexamples, the fewest deviations and the shortest path first, one for each rule, step and surface.
    """
    counters: dict[tuple[str, str, str], Counterexample] = {}
    paths = states = 0
    bounded = False
    consequences = Consequences(protocol)
    for mode in modes(protocol):
        walk = Walk(protocol, mode, most, max_states, consequences)
        walk.run()
        paths += walk.paths()
        states += len(walk.moves)
        bounded |= walk.cut
        for counter in walk.counters.values():
            key = (counter.found.rule, counter.found.step, counter.found.at)
            held = counters.get(key)
            if held is None or (counter.used, len(counter.path)) < (held.used, len(held.path)):
                counters[key] = counter
    order = sorted(
        counters.values(),
        key=lambda c: (c.used, SEVERITIES.index(c.severity), len(c.path)),
    )
    return Explored(tuple(order), paths, states, modes(protocol), bounded)
