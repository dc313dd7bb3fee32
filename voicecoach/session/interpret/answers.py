"""What an answer to a step, or the observer's word on it, comes to. Pure."""

from __future__ import annotations

from voicecoach.protocol.model import ANYONE, DANGERS, Step
from voicecoach.protocol.navigation import answered, branched, onward, step_at
from voicecoach.session.events import Heard
from voicecoach.session.interpret.intent import UNCLEAR, Intent, after_step
from voicecoach.session.interpret.live import expected, tried
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState


def answer(setup: Setup, state: SessionState, event: Heard, command: str) -> Intent:
    """A word that is neither danger nor way nor reply."""
    step = step_at(setup.protocol, state.place)
    if step is None:
        return UNCLEAR
    observing = state.status == "confirming"
    roles = ("observer",) if observing else (step.role, *step.also)
    who = counts_for(state, event, roles)
    if who == "" and event.role != "unknown" and not observing and command in dict(step.branches):
        who = event.role  # what is wrong may be said by anybody
    if who == "":
        # on a channel of nobody's it is a voice in the room; on another's it is that person's mistake
        return UNCLEAR if event.role == "unknown" else Intent("wrong_role", word=roles[0])
    if observing:
        return _observer_says(setup, state, event, command)
    return _acting_role_says(setup, state, event, command, who)


def counts_for(state: SessionState, event: Heard, roles: tuple[str, ...]) -> str:
    """The role of `roles` that what was said counts for; '' if for none (rule 15).

    Alone, all voices are the wearer's. On one microphone for two, a voice counts for whoever is still to answer.
    """
    missing = next((role for role in roles if role not in state.answered), roles[0])
    if ANYONE in roles:
        return event.role if state.mode == "pair" else "wearer"
    if state.mode == "solo":
        return missing
    if event.role in roles:
        return event.role
    return missing if event.role == "unknown" and not state.independent else ""


def too_early(state: SessionState, event: Heard) -> bool:
    """Whether it began before what it answers was said to its end (rule 4)."""
    return event.source != "key" and (event.begin or event.at) < state.answers_from


def _acting_role_says(setup: Setup, state: SessionState, event: Heard, command: str, who: str) -> Intent:
    step = step_at(setup.protocol, state.place)
    assert step is not None
    if command not in expected(step, state.status):
        if command in {"understood", "yes"} and state.status == "acknowledging":
            return Intent("acknowledged")
        return _natural(setup, state, step, command)
    early = state.status in {"prompting", "interrupted", "timing"} or too_early(state, event)
    branch = dict(step.branches).get(command)
    if branch is not None and (command in DANGERS or not early):
        return Intent("branched", branched(setup.protocol, state.position, command), word=command)
    if early:
        return Intent("early", word=command)
    if step.timing and state.status != "drying":
        return Intent("started", word=who)
    return _answered(setup, state, step, who)


def _answered(setup: Setup, state: SessionState, step: Step, who: str) -> Intent:
    others = set() if step.role == ANYONE else {step.role, *step.also} - {*state.answered, who}
    if others and state.mode == "pair":
        return Intent("half_answered", word=who)
    there = answered(setup.protocol, state.position, after_step(setup, state))
    if there.place == state.place.with_due(True):
        return Intent("acted", there, word=who)
    return Intent("answered", there, word=who)


def _natural(setup: Setup, state: SessionState, step: Step, command: str) -> Intent:
    """What people say though the step waits for something else: each leads somewhere (rule 32)."""
    if command == "cannot":
        return Intent("stopped")
    if tried(setup, state):
        return Intent("repeated")
    trouble = next((word for word in ("no", "yes") if word in dict(step.branches)), "")
    if command == "unsure" and trouble:  # who does not know has not looked: the careful way
        return Intent("branched", branched(setup.protocol, state.position, trouble), word=trouble)
    if command in {"no", "not-finished"}:
        return Intent("misplaced", word="take-time")
    return Intent("misplaced", word=hint(step, state.status))


def hint(step: Step, status: str) -> str:
    """The key of the sentence that says what kind of word this step needs, without the word itself (rule 2)."""
    if step.timing:
        return "hint-wait" if status == "drying" else "hint-start"
    if "clear" in step.answers:
        return "hint-look"
    if step.answers and step.answers[0].endswith(("-on", "-off")):
        return "hint-item"
    return "hint-other"


def _observer_says(setup: Setup, state: SessionState, event: Heard, command: str) -> Intent:
    if command == "cannot":
        return Intent("stopped")
    agrees = command == "confirm" or (command == "clear" and event.role == "observer")
    differs = command in {"not-clear", "no", "not-finished", "is-on"}
    if not agrees and not differs:
        return Intent("misplaced", word="hint-observer")
    if too_early(state, event):
        return Intent("early", word=command)
    if differs:
        return Intent("not_clear", question="piece")
    return Intent("confirmed", onward(setup.protocol, state.position, state.ledger), word="observer")
