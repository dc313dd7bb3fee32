"""The shortened removal, from whatever may be worn when it begins."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import pytest

from voicecoach.protocol.applies import not_for_now
from voicecoach.protocol.ledger import Hands, Ledger
from voicecoach.protocol.model import Protocol, Step
from voicecoach.runtime.library import load_protocol, names

WITH_TWO_PAIRS = [
    protocol
    for protocol in (load_protocol(file.stem)[0] for file in names("protocols"))
    if {"inner-gloves"} <= {item.name for item in protocol.items}
]


def read(protocol: Protocol, on: tuple[str, ...]) -> Iterator[tuple[Step, Hands]]:
    """The steps that are read with these pieces on, each with the hands before it."""
    ledger = Ledger(tuple((item.name, "on" if item.name in on else "never") for item in protocol.items), "not-rubbed")
    for step in protocol.branch("short-removal").steps:
        if not not_for_now(step, ledger, alone=False, cancelled=False):
            yield step, ledger.hands
            ledger = ledger.after(step.acts, 0)
    assert not ledger.on(), on


def sets(protocol: Protocol) -> Iterator[tuple[str, ...]]:
    """All sets of pieces in which the inner gloves are on."""
    others = [item.name for item in protocol.items if item.name != "inner-gloves"]
    for count in range(len(others) + 1):
        yield from (("inner-gloves", *some) for some in itertools.combinations(others, count))


@pytest.mark.parametrize("protocol", WITH_TWO_PAIRS, ids=lambda protocol: protocol.name)
def test_hands_are_rubbed_before_each_piece_and_never_twice_running(protocol: Protocol) -> None:
    """Hygiene between every two removals: CDC 2014, CDC modules, WHO poster (order X6 of the checker)."""
    for on in sets(protocol):
        rubbed_just_now = False
        for step, hands in read(protocol, on):
            assert not (step.rubs and rubbed_just_now), (step.name, on)
            if any(act.kind == "doff" for act in step.acts):
                assert hands in {"rubbed", "clean"}, (step.name, on)
            rubbed_just_now = step.rubs
