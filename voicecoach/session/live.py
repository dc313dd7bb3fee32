"""What can be meant in a state and step: only this is listened for. Pure."""

from __future__ import annotations

from voicecoach.protocol.model import Step
from voicecoach.session.state import SessionState
from voicecoach.session.way import Rules, breach_rule, step_at
from voicecoach.session.words import DANGERS, INFORMATION, REPLIES

CLOSED = ("closed", "abandoned")
WAYS = ("repeat", "back", "pause", *INFORMATION, "no-audio", "end-session")
OVER_PROMPT = ("repeat", "back", "pause")


def live(rules: Rules, state: SessionState) -> tuple[str, ...]:
    """The command ids that can be meant now, sorted; only such as the grammar has."""
    if state.status in CLOSED:
        return ()
    names = {*danger(rules, state), "stop", *_of_status(rules, state)}
    if in_breach(state):
        names.add("false-alarm")
    if state.status == "asking" and state.question == "near-breach" and state.sounding:
        names = {"stop"}  # the question itself says the word; a voice over it opens the window and then all is live
    return tuple(sorted(name for name in names if rules.grammar.command(name) is not None))


def danger(rules: Rules, state: SessionState) -> frozenset[str]:
    """The breach words that apply: always 'breach', and the kinds that the protocol has for this stage."""
    kinds = {
        kind for kind in DANGERS if (rule := breach_rule(rules.protocol, kind, state.place.stage)) and rule.kind == kind
    }
    if not state.ledger.on():
        kinds.discard("torn")  # nothing is worn that could be
    step = step_at(rules.protocol, state.place)
    answers = {command for command, _ in step.branches} if step and state.status != "asking" else set()
    if state.status == "asking" or state.status == "ducked":
        answers |= set(REPLIES.get(state.question, ()))
    return frozenset({"breach"} | (kinds - answers))


def in_breach(state: SessionState) -> bool:
    """True while a breach is being handled."""
    return state.status == "breached" or any(d.cause.startswith("breach") for d in state.place.detours)


def expected(step: Step | None, status: str) -> tuple[str, ...]:
    """The words that this step waits for in this status (its own role's)."""
    if step is None:
        return ()
    branches = tuple(command for command, _ in step.branches)
    if step.timing and status in {"prompting", "ducked", "awaiting", "acknowledging"}:
        return (step.timing.start, *branches)
    return (*step.answers, *branches)


def _of_status(rules: Rules, state: SessionState) -> tuple[str, ...]:
    step = step_at(rules.protocol, state.place)
    status = state.status
    words: tuple[str, ...] = ()
    if status == "asking" or (status == "ducked" and state.question):
        words = () if state.sounding and status == "asking" else (*REPLIES[state.question], "repeat", "pause")
    elif status in {"prompting", "ducked"}:
        words = (*OVER_PROMPT, *expected(step, status))
    elif status in {"awaiting", "drying"}:
        words = (*WAYS, *expected(step, status), "done")
    elif status == "acknowledging":
        words = (*WAYS, "understood", *expected(step, status))
    elif status == "timing":
        words = (*WAYS, *expected(step, status))
    elif status == "confirming":
        words = (*WAYS, "confirm", "not-clear")
    elif status == "frozen":
        words = ("go-on", "touched", "pause", "repeat", "end-session")
    elif status == "paused":
        words = ("resume", "time", "end-session")
    elif status == "working":
        words = ("start-removal", "pause", "repeat", "time", "help", "no-audio", "end-session")
    return words
