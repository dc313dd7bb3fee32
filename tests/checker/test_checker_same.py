"""What makes a walk quick changes nothing that it finds: a walk without it is the measure."""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from checker_mutants import Mutant, mutants
from hypothesis import given, settings
from test_checker_explore import small_protocols

from voicecoach.checker import transfer
from voicecoach.checker.explore import modes
from voicecoach.checker.route import Route, Stop
from voicecoach.checker.walk import Walk
from voicecoach.checker.world import World
from voicecoach.protocol.model import Protocol, Step
from voicecoach.runtime.library import load_protocol

Key = tuple[str, str, str]
N95, BAY, SHORT = (load_protocol(name)[0] for name in ("n95-gown", "ambulance-bay", "short-practice"))


class Asking(Route):
    """A route that asks the navigation each time."""

    def go(self, event: str, stop: Stop, about: Step | None = None) -> Stop:
        self._known.clear()
        self._struck.clear()
        return super().go(event, stop, about)


@contextmanager
def whole_worlds() -> Iterator[None]:
    """Everything that is known of the surfaces is kept, whether it can matter or not."""

    def world(run: transfer.Run) -> World:
        return World(bytes(run.levels), tuple(run.worn), tuple(run.since), run.flags, run.gone, run.torn)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(transfer.Run, "world", world)
        yield


def remembered(stop: Stop) -> tuple[object, ...]:
    """The memory of a stop, with the place of a false alarm instead of the stop, of which each route has its own."""
    struck = stop.memory.struck
    return (*stop.memory._replace(struck=None), struck and struck.spot.place)


def found(protocol: Protocol, most: int) -> set[Key]:
    """(rule, step, surface) of all that a walk finds."""
    keys: set[Key] = set()
    for mode in modes(protocol):
        walk = Walk(protocol, mode, most)
        walk.run()
        keys |= set(walk.counters)
    return keys


@pytest.mark.parametrize(
    ("protocol", "most"), [(N95, 1), (BAY, 1), (SHORT, 1)], ids=lambda one: getattr(one, "name", one)
)
def test_a_walk_that_asks_the_navigation_each_time_meets_the_same_points(protocol: Protocol, most: int) -> None:
    for mode in modes(protocol):
        quick, asking = Walk(protocol, mode, most), Walk(protocol, mode, most)
        asking.route = Asking(protocol, mode)
        quick.run()
        asking.run()
        met = [
            {
                (p.spot.kind, p.spot.place, p.spot.question, p.used, p.stop.ledger, remembered(p.stop), p.world)
                for p in walk.moves
            }
            for walk in (quick, asking)
        ]
        assert met[0] == met[1]


@settings(deadline=None, max_examples=40)
@given(small_protocols())
def test_what_is_forgotten_of_the_surfaces_could_break_no_rule_any_more(protocol: Protocol) -> None:
    short = found(protocol, 2)
    with whole_worlds():
        assert found(protocol, 2) == short


def sample(protocol: Protocol, count: int) -> list[Mutant]:
    return random.Random(protocol.name).sample(list(mutants(protocol)), count)  # noqa: S311


@pytest.mark.parametrize("mutant", [*sample(N95, 6), *sample(BAY, 6)], ids=lambda one: f"{one.kind}: {one.where}")
def test_of_a_wrong_protocol_the_same_is_found(mutant: Mutant) -> None:
    short = found(mutant.protocol, 1)
    with whole_worlds():
        assert found(mutant.protocol, 1) == short
