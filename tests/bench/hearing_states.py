"""What is live together in real sessions, for the hearing benches.

Every wait of the shipped protocols when nothing goes wrong, alone and in pairs, and every question of the coach.
"""

from __future__ import annotations

import functools
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import replace

from hearing_sounds import ROOT

from voicecoach.grammar import Grammar
from voicecoach.runtime.library import load_protocol
from voicecoach.session.interpret.live_commands import live
from voicecoach.session.rehearsal import waits
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState
from voicecoach.session.vocabulary import REPLIES

STATUSES = ("frozen", "paused", "working", "confirming")
"""States without a question that may come at any time."""
MODES = ("solo", "pair")


@functools.cache
def states(grammar: Grammar) -> list[list[str]]:
    """The distinct live sets, each sorted."""
    found: dict[tuple[str, ...], None] = {}
    for file in sorted((ROOT / "protocols").glob("*.yaml")):
        setup = Setup(load_protocol(str(file))[0], grammar)
        for mode in MODES:
            for state in _states(setup, [state for state, _ in waits(setup, mode)]):  # type: ignore[arg-type]
                found.setdefault(live(setup, state))
    return [list(names) for names in found if names]


def _states(setup: Setup, waited: Sequence[SessionState]) -> Iterator[SessionState]:
    yield from waited
    worn = next((state for state in waited if len(state.ledger.on()) > 1), None)
    if worn is None:
        return
    for status in STATUSES:
        yield replace(worn, status=status, question="", speech=())
    for question in REPLIES:
        yield replace(worn, status="asking", question=question, about="", speech=())


def can_mean(together: Sequence[Sequence[str]], command: str, key: str) -> list[str] | None:
    """One of the live sets with that command, drawn by `key`; None if it is never listened for."""
    with_it = [names for names in together if command in names]
    return list(with_it[zlib.crc32(key.encode()) % len(with_it)]) if with_it else None
