"""What an answer to a step means, and the observer's confirmation of it. Pure."""

from __future__ import annotations

from dataclasses import replace

from voicecoach.protocol.model import ANYONE, DANGERS, Step
from voicecoach.protocol.navigation.arrival import arrive
from voicecoach.protocol.navigation.moves import answered, branched, onward
from voicecoach.protocol.navigation.position import pieces, step_at, steps_here
from voicecoach.protocol.place import Place
from voicecoach.session.events import Heard
from voicecoach.session.interpret.intent import UNCLEAR, Intent, after_step
from voicecoach.session.interpret.live_commands import expected, signs, words_to_try
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState


def answer(setup: Setup, state: SessionState, event: Heard, command: str) -> Intent:
    """The meaning of a word that is neither danger, navigation nor a reply to a question."""
    step = step_at(setup.protocol, state.place)
    if step is None:
        return UNCLEAR
    observing = state.status == "confirming"
    roles = ("observer",) if observing else _roles(state, step)
    who = counts_for(state, event, roles)
    wrong = command in dict(step.branches) or (step.asks_for and _not_off_yet(command))
    if who == "" and event.role != "unknown" and not observing and wrong:
        who = event.role  # anybody may say what is wrong
    if who == "":
        # on nobody's channel it is a voice in the room; on another's, that person's mistake
        return UNCLEAR if event.role == "unknown" else Intent("wrong_role", word=roles[0])
    if observing:
        return _observer_says(setup, state, event, command)
    return _acting_role_says(setup, state, event, command, who)


def _roles(state: SessionState, step: Step) -> tuple[str, ...]:
    """Who may answer this step. Once everything is off, whoever had an incident answers for it: it may be the observer,
    in their own removal.
    """
    if state.place.stage == "close" and state.place.detours and step.role == "wearer":
        return (ANYONE,)
    return (step.role, *step.also)


def piece_said(setup: Setup, state: SessionState, event: Heard) -> str:
    """The piece that was named with "torn", as in "gown is torn"; '' if none was, or if several may be meant."""
    named = setup.grammar.piece_in(event.phrase) if event.command == "torn" else ""
    known = pieces(setup.protocol, state.position)
    meant = [item for item in known if named in {item, setup.protocol.item(item).say}]
    return meant[0] if len(meant) == 1 else ""


def looked_at(setup: Setup, state: SessionState, item: str) -> bool:
    """Whether the step here looks at that piece, so that "torn" is an answer to it."""
    step = step_at(setup.protocol, state.place)
    if step is None or state.question or "torn" not in dict(step.branches):
        return False
    return any((act.kind, act.target) == ("inspect", item) for act in step.acts)


def counts_for(state: SessionState, event: Heard, roles: tuple[str, ...]) -> str:
    """The role, of `roles`, for which this utterance counts; '' for none (rule 15).

    A wearer alone owns every voice. With two people on one microphone, a voice counts for whoever still has to answer.
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
    """Whether it began before its prompt had ended (rule 4)."""
    return event.source != "key" and (event.begin or event.at) < state.answers_from


def _acting_role_says(setup: Setup, state: SessionState, event: Heard, command: str, who: str) -> Intent:
    step = step_at(setup.protocol, state.place)
    assert step is not None
    ended = _act_ended(setup, state, step, command)
    if ended is not None:
        return ended
    if command not in expected(step, state.status):
        if command in {"understood", "yes"} and state.status == "acknowledging":
            return Intent("acknowledged")
        return _natural(setup, state, step, command)
    return _expected(setup, state, event, command, who)


def _act_ended(setup: Setup, state: SessionState, step: Step, command: str) -> Intent | None:
    """Rule 36: a sign that a silent act is over, or a word that it is not; None for any other word."""
    if state.status not in {"awaiting", "acknowledging", "drying"}:
        return None
    if step.quiet_s and command in signs(setup, state):
        return _signed(setup, state, command)
    if command == "is-on" or (step.asks_for and command in {"not-finished", "not-clear"}):
        return not_off(setup, state, "")
    if step.asks_for and command.endswith("-on"):
        return not_off(setup, state, command.removesuffix("-on"))
    return None


def _not_off_yet(command: str) -> bool:
    """Whether this word says that the piece asked about is still on."""
    return command in {"is-on", "not-finished", "not-clear"} or command.endswith("-on")


def _expected(setup: Setup, state: SessionState, event: Heard, command: str, who: str) -> Intent:
    """An answer that the step waits for, from a role that may give it."""
    step = step_at(setup.protocol, state.place)
    assert step is not None
    early = state.status in {"prompting", "interrupted", "timing"} or too_early(state, event)
    branch = dict(step.branches).get(command)
    if branch is not None and (command in DANGERS or not early):
        item = piece_said(setup, state, event)
        there = branched(setup.protocol, state.position, command, item)
        return Intent("branched", there, about=item, word=command)
    if early:
        return Intent("early", word=command)
    if step.timing and state.status != "drying":
        return Intent("started", word=who)
    return _answered(setup, state, step, who)


def _answered(setup: Setup, state: SessionState, step: Step, who: str) -> Intent:
    roles = _roles(state, step)
    others = set() if ANYONE in roles else {*roles} - {*state.answered, who}
    if others and state.mode == "pair":
        return Intent("half_answered", word=who)
    there = answered(setup.protocol, state.position, after_step(setup, state))
    if there.place == state.place.with_due(True):
        return Intent("observer_due", there, word=who)
    if step.ends and there.question == "end" and not there.ledger.on() and not state.owed:
        return Intent("finished", there, word=who)  # nothing is left to ask
    return Intent("answered", there, word=who)


def not_off(setup: Setup, state: SessionState, said: str) -> Intent | None:
    """Back to the act, if a piece of this step, or one that it asks about, did not come off; else None.

    said: the word for the piece; '' for any of them.
    """
    here = state.place.with_due(False)
    step = step_at(setup.protocol, here)
    if step is not None and step.asks_for:
        names = [one.name for one in steps_here(setup.protocol, here)]
        here = _at_index(here, names.index(step.asks_for))
        step = step_at(setup.protocol, here)
    if step is None:
        return None
    taken = [act.target for act in step.acts if act.kind == "doff"]
    meant = [item for item in taken if not said or setup.protocol.item(item).say == said]
    if not meant:
        return None
    ledger = state.ledger
    for item in meant:
        ledger = ledger.corrected(item, "on")
    return Intent("not_off", arrive(setup.protocol, state.position.at(here, ledger)), about=meant[0])


def _at_index(place: Place, index: int) -> Place:
    if not place.detours:
        return replace(place, step=index)
    return replace(place, detours=(*place.detours[:-1], replace(place.detours[-1], step=index)))


def _signed(setup: Setup, state: SessionState, command: str) -> Intent:
    """The wearer's own sign that a silent act is over (rule 36)."""
    there = onward(setup.protocol, state.position, after_step(setup, state))
    step = step_at(setup.protocol, there.place) if there.kind == "step" else None
    if step is not None and step.timing and step.timing.start == command:
        return Intent("signed_on", there, word=step.role)
    return Intent("signed", there, word=command)


def _natural(setup: Setup, state: SessionState, step: Step, command: str) -> Intent:
    """A word that people say although the step waits for another: each leads somewhere (rule 32)."""
    if command == "cannot":
        return Intent("stopped")
    if words_to_try(setup, state):
        return Intent("repeated")
    trouble = next((word for word in ("no", "yes") if word in dict(step.branches)), "")
    if command == "unsure" and trouble:  # whoever does not know has not looked: take the careful branch
        return Intent("branched", branched(setup.protocol, state.position, trouble), word=trouble)
    if command in {"no", "not-finished"}:
        return Intent("misplaced", word="take-time")
    return Intent("misplaced", word=hint(step, state.status))


def hint(step: Step, status: str) -> str:
    """The key of the sentence that names the kind of word this step needs, but not the word (rule 2)."""
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
