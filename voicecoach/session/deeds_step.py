"""Deeds about one step: reading it, taking its answer, timing it, and keeping the ledger. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from voicecoach.session.deeds_aside import set_wear_timer
from voicecoach.session.events import CLOCK_HZ, Heard
from voicecoach.session.state import Ledger, Worn
from voicecoach.session.turn import STEP_TIMERS, Turn
from voicecoach.session.way import Rules

TRAIL = 30
"""How many steps 'back' can go."""
PACE_S = 20.0
"""Without ears: the time given for an untimed step; slow, common practice, no source."""


def say_step(turn: Turn) -> None:
    """The warning first, then the prompt (rule 1)."""
    step = turn.step
    assert step is not None
    turn.say(step.warn, step.say)


def read_step(turn: Turn) -> None:
    """Read the step at the place."""
    step = turn.step
    assert step is not None
    turn.note("step", step=step.name, stage=turn.state.place.stage, branch=_branch(turn))
    say_step(turn)


def _branch(turn: Turn) -> str:
    return turn.state.place.detours[-1].branch if turn.state.place.detours else ""


def take(turn: Turn) -> None:
    """A short tone: taken."""
    turn.tone("taken")
    turn.cancel("silence")
    if turn.meaning.trigger == "acknowledged":
        turn.note("acknowledged", step=turn.step.name if turn.step else "")
        turn.timer("silence", 45.0)


def take_half(turn: Turn) -> None:
    """One of the roles has answered; the other is still due."""
    turn.set(answered=(*turn.state.answered, turn.meaning.word))
    turn.tone("taken")


def early(turn: Turn) -> None:
    """Rule 4: an answer over the prompt, or before the time is up, gets its sound and does not count."""
    turn.tone("early")
    turn.note("early-answer", step=turn.step.name if turn.step else "", word=turn.meaning.word)


def start_time(turn: Turn) -> None:
    """The rub or wipe runs from now."""
    step = turn.step
    assert step is not None
    turn.cancel(*STEP_TIMERS)
    turn.hush()
    turn.tone("taken")
    turn.timer("rub", turn.rules.contact_s(step))


def call_time(turn: Turn) -> None:
    """The coach calls the end of the time."""
    step = turn.step
    assert step is not None
    turn.note("time-up", step=step.name, seconds=turn.rules.contact_s(step))
    turn.tone("time-up")
    turn.say(turn.own("time-up"))


def confirm_step(turn: Turn) -> None:
    """The step is done: on record by whom and how surely, read back if it matters."""
    step, state, event = turn.step, turn.state, turn.event
    assert step is not None
    by = event.role if isinstance(event, Heard) else ""
    command = event.command or "" if isinstance(event, Heard) else ""
    turn.note("step-confirmed", step=step.name, stage=state.place.stage, role=by, answer=command)
    if state.mode == "pair" and step.observer and by != "observer":
        turn.note("not-independent", step=step.name, why="confirmed on a shared microphone")
    if state.mode == "solo" and (step.observer or step.role != "wearer"):
        turn.note("not-independent", step=step.name, why="no observer")
    if step.asks_for:
        turn.note("step-confirmed", step=step.asks_for, stage=state.place.stage, role=by, answer="asked later")
    _left(turn)
    if step.matters and turn.meaning.trigger == "answered" and isinstance(event, Heard):
        turn.say(read_back(turn.rules, command))
    elif turn.meaning.trigger != "confirmed":
        turn.tone("taken")


def read_back(rules: Rules, command: str) -> str:
    """The words of an answer, as the coach gives them back."""
    known = rules.grammar.command(command)
    words = rules.grammar.say("read-back").format(words=known.phrases[0] if known else command)
    return words[:1].upper() + words[1:]


def note_unasked(turn: Turn) -> None:
    """Rule 5: left without a word, since none may be asked for now; a later step asks."""
    step = turn.step
    assert step is not None
    turn.note("jump", step=step.name, cause="no speech is asked for during this act; asked later")
    _left(turn)


def note_unconfirmed(turn: Turn) -> None:
    """Rule 19: read on at a set pace; not confirmed."""
    step = turn.step
    assert step is not None
    turn.note("jump", step=step.name, cause="no ears: read on at a set pace")
    turn.note("not-confirmed", step=step.name, why="no ears: read at a set pace")
    _left(turn)


def _left(turn: Turn) -> None:
    step, state = turn.step, turn.state
    assert step is not None
    turn.set(trail=(*state.trail, state.place)[-TRAIL:], since=(*state.since, (state.at, step.name)))
    if not step.role == "wearer":
        return
    if any(act.kind == "inspect" for act in step.acts) and turn.meaning.trigger != "branched":
        turn.note("found-clear", step=step.name)


def pace(turn: Turn, question_s: float) -> None:
    """Set the pace of a coach without ears."""
    step = turn.step
    asking = turn.state.status == "asking" or step is None
    turn.timer("pace", question_s if asking else PACE_S + turn.rules.contact_s(step))  # type: ignore[arg-type]


def note_branch(turn: Turn) -> None:
    """An answer that calls a detour."""
    step = turn.step
    assert step is not None
    word = turn.meaning.word
    by = turn.event.role if isinstance(turn.event, Heard) else ""
    turn.note("branch", step=step.name, cause=word, role=by)
    turn.note("jump", step=step.name, cause=f"answered {word.replace('-', ' ')}")
    turn.tone("taken")
    turn.set(since=(*turn.state.since, (turn.state.at, step.name)))
    if word in {"torn", "soiled"}:
        note_suspects(turn, word)


def note_suspects(turn: Turn, kind: str) -> None:
    """Rule 14: a tear or soil is dated back to the last 'clear' of the item; what was touched since is suspect."""
    state = turn.state
    targets = [act.target for act in turn.step.acts if act.kind == "inspect"] if turn.step else []
    if kind not in {"torn", "soiled"}:
        return
    for item in targets or list(state.ledger.on()):
        since = dict(state.ledger.clear_at).get(item)
        if since is None:
            continue
        touched = [name for at, name in state.since if at > since]
        turn.note("suspect", item=item, kind=kind, since_s=round(since / CLOCK_HZ, 1), touched=",".join(touched))


def ask_observer(turn: Turn) -> None:
    """The second person is due."""
    event = turn.event
    turn.cancel(*STEP_TIMERS)
    turn.note("answered", step=turn.step.name if turn.step else "", role=event.role if isinstance(event, Heard) else "")
    turn.set(hinted=False, silence=0, vain=0)
    turn.hush()
    turn.say(turn.own("ask-observer"))


def note_not_clear(turn: Turn) -> None:
    """The observer does not agree."""
    turn.note("not-clear", step=turn.step.name if turn.step else "")
    turn.tone("taken")


def keep_books(turn: Turn, after: Ledger) -> None:
    """Put a changed ledger on record; the wear clock starts with the first item and ends with the last."""
    state = turn.state
    if after.items != state.ledger.items:
        turn.note("ledger", on=",".join(after.on()), hands=after.hands)
    if after.on() and state.worn_since is None:
        turn.set(worn_since=state.at)
        set_wear_timer(turn, worn_s=0.0)
    elif not after.on() and state.worn_since is not None:
        turn.note("wear-time", seconds=round((state.at - state.worn_since) / CLOCK_HZ, 1))
        turn.cancel("wear")
        turn.set(worn_since=None)


def correct(turn: Turn, item: str, worn: Worn) -> None:
    """The wearer knows better what is on: the ledger follows, as a deviation."""
    if turn.state.ledger.worn(item) != worn:
        turn.note("deviation", item=item, ledger_said=turn.state.ledger.worn(item), wearer_says=worn)
        turn.set(ledger=replace(turn.state.ledger.put(item, worn), hands="not-rubbed"))
        turn.note("ledger", on=",".join(turn.state.ledger.on()), hands="not-rubbed")


DEEDS: dict[str, Callable[[Turn], None]] = {
    deed.__name__: deed
    for deed in (
        take, take_half, early, start_time, call_time, confirm_step, note_unasked, note_unconfirmed, note_branch, ask_observer,
        note_not_clear,
    )
}  # fmt: skip
