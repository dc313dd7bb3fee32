"""Actions about what is worn: keeping the ledger, saying it, correcting it, and the wear limit. Pure."""

from __future__ import annotations

from collections.abc import Callable

from voicecoach.protocol.ledger import Ledger, Worn
from voicecoach.protocol.navigation.position import step_at, steps_named
from voicecoach.session.events import CLOCK_HZ
from voicecoach.session.notes import NoteKind
from voicecoach.session.turn import Turn


def update_ledger(turn: Turn, after: Ledger) -> None:
    """Record a changed ledger; the wear clock starts with the first item and ends with the last."""
    state = turn.state
    if after.items != state.ledger.items:
        turn.note(NoteKind.LEDGER, on=",".join(after.on()), hands=after.hands)
        turn.set(incident_place=None)  # nobody goes back to a step with other things on than it was read for
    turn.set(ledger=after)
    if after.on() and state.worn_since is None:
        turn.set(worn_since=state.at)
        set_wear_timer(turn, worn_s=0.0)
    elif not after.on() and state.worn_since is not None:
        turn.note(NoteKind.WEAR_TIME, seconds=round((state.at - state.worn_since) / CLOCK_HZ, 1))
        turn.cancel("wear")
        turn.set(worn_since=None)


def set_wear_timer(turn: Turn, worn_s: float) -> None:
    """Set the timer of the site's wear limit, if the site has one."""
    limit_s = turn.setup.site.wear_limit_s
    if limit_s:
        turn.timer("wear", max(1.0, limit_s - worn_s))


def correct(turn: Turn, item: str, worn: Worn) -> None:
    """The wearer says otherwise than the ledger: follow the wearer, and record a deviation."""
    ledger = turn.state.ledger
    if (ledger.worn(item) == "on") != (worn == "on"):
        turn.note(NoteKind.DEVIATION, item=item, ledger_said=ledger.worn(item), wearer_says=worn)
        update_ledger(turn, ledger.corrected(item, worn))


def say_worn(turn: Turn) -> None:
    """Rule 10: what came off last, what is on, and the hands. Whatever is not named is off."""
    state, protocol = turn.state, turn.setup.protocol
    say_list(turn, _last_off(turn), "off")
    say_list(turn, tuple(reversed(state.ledger.on())), "on")
    if not state.ledger.on():
        turn.aside("nothing-on")
    step = step_at(protocol, state.place)
    if step is not None and step.timing and not state.place.observer_due:
        turn.aside("wipe-unfinished" if step.timing.start == "wiping" else "rub-unfinished")
    elif state.ledger.hands == "not-rubbed":
        turn.aside("hands-unrubbed")
    elif state.ledger.hands != "bare":
        turn.aside("hands-rubbed")


def _last_off(turn: Turn) -> tuple[str, ...]:
    """The items that the last doffing step took off, as far as they are still off."""
    state, protocol = turn.state, turn.setup.protocol
    steps = steps_named(protocol)
    for _, name in reversed(state.since):
        off = tuple(a.target for a in steps[name].acts if a.kind == "doff" and state.ledger.worn(a.target) == "off")
        if off:
            return off
    return tuple(item for item, worn in state.ledger.items if worn == "off")[-1:]


def say_list(turn: Turn, items: tuple[str, ...], how: str) -> None:
    """'Respirator and', 'inner gloves on.': parts rendered ahead that sound as one sentence."""
    labels = [turn.setup.protocol.item(item).label for item in items]
    for number, label in enumerate(labels, start=1):
        left = len(labels) - number
        key = f"item-{how}" if left == 0 else "item-and" if left == 1 else "item-comma"
        turn.say(turn.own(key, label=label) if number == 1 else turn.own_inside(key, label=label))


def note_worn(turn: Turn) -> None:
    """Record what is on and the state of the hands; the question that follows says it."""
    turn.note(NoteKind.STATUS, on=",".join(turn.state.ledger.on()), hands=turn.state.ledger.hands)


ACTIONS: dict[str, Callable[[Turn], None]] = {action.__name__: action for action in (note_worn,)}
