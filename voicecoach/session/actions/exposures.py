"""Actions about exposures: recording them, what they owe, and what was touched since the last look. Pure."""

from __future__ import annotations

from collections.abc import Callable

from voicecoach.protocol.navigation.position import leads_out, steps_named
from voicecoach.session.events import CLOCK_HZ
from voicecoach.session.notes import NoteKind
from voicecoach.session.turn import Turn


def record_exposure(turn: Turn, place: str, cause: str) -> None:
    """Record an exposure at the step here, and what is owed for it."""
    step = turn.step_name
    turn.state = turn.state.exposed(place, cause, step)
    turn.note(NoteKind.EXPOSURE, place=place, cause=cause, step=step)
    note_owed(turn)


def note_owed(turn: Turn) -> None:
    """Record what the exposures still owe, or that nothing is owed any more."""
    turn.note(NoteKind.OWED, what=", ".join(turn.state.owed) or "nothing any more")


def note_exposed(turn: Turn, place: str, cause: str) -> None:
    """Record an exposure with its place and time, and say what is owed. Only somebody who can go is sent to wash."""
    record_exposure(turn, place, cause)
    arrival, at_once = turn.intent.arrival, turn.setup.protocol.eyes_at_once
    rinsed_now = arrival is not None and bool(at_once) and at_once in {one.branch for one in arrival.place.detours}
    if turn.state.ledger.on() and not rinsed_now:
        turn.aside("rinsed-later" if place == "eyes" and _rinsed_on_the_way(turn) else "owed-later")


def _rinsed_on_the_way(turn: Turn) -> bool:
    """Whether a second person will rinse the eyes in the course of the removal, not only once everything is off."""
    protocol, arrival = turn.setup.protocol, turn.intent.arrival
    there = turn.state.place if arrival is None else arrival.place
    helped_out = any(leads_out(protocol, one) for one in there.detours)
    return bool(protocol.eyes_at_once) and turn.state.mode == "pair" and there.stage != "dress" and not helped_out


def say_owed(turn: Turn) -> None:
    """After the first words about a needle, say that it is recorded and will be washed; its place is not asked for."""
    state = turn.state
    if state.ledger.on() and any(one.at >= state.incident_at and one.cause == "needle" for one in state.exposures):
        turn.aside("owed-later")


def note_place(turn: Turn) -> None:
    """Record a place named while the incident is handled; it is not asked for again."""
    turn.tone("taken")
    note_exposed(turn, turn.intent.word, "named")


def note_suspects(turn: Turn, kind: str, items: tuple[str, ...]) -> None:
    """Rule 14: date a tear or soil back to the item's last 'clear'; what was touched since is suspect."""
    state = turn.state
    if kind not in {"torn", "soiled"}:
        return
    steps = steps_named(turn.setup.protocol)
    for item in items or state.ledger.on():
        since = dict(state.ledger.clear_at).get(item)
        if since is None:
            continue
        done = [name for at, name in state.since if at > since]
        touched = [act.target for name in done for act in steps[name].acts if act.kind not in {"inspect", "verify"}]
        turn.note(
            NoteKind.SUSPECT,
            item=item,
            kind=kind,
            since_s=round(since / CLOCK_HZ, 1),
            touched=",".join(dict.fromkeys(touched)),
            steps=",".join(done),
        )


ACTIONS: dict[str, Callable[[Turn], None]] = {action.__name__: action for action in (say_owed, note_place)}
