"""What a reply to one of the coach's own questions means. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from voicecoach.protocol.model import ANYONE, Step
from voicecoach.protocol.navigation.arrival import arrive
from voicecoach.protocol.navigation.moves import (
    again,
    as_incident,
    asked,
    detour,
    faulted,
    helped,
    onward,
    rejoin,
    repaired,
    torn,
    touched,
    unasked,
    without_optional,
)
from voicecoach.protocol.navigation.position import RINSE, breach_rule, pieces, rinsed_at_once, settled, step_at
from voicecoach.protocol.place import Place
from voicecoach.session.events import Heard
from voicecoach.session.exposure import UNKNOWN, place_meant
from voicecoach.session.interpret.answers import counts_for, not_off, piece_said
from voicecoach.session.interpret.intent import (
    UNCLEAR,
    Intent,
    after_step,
    breached,
    cleared_of_incident,
    resume_interrupted,
)
from voicecoach.session.interpret.live_commands import awaited, piece_word
from voicecoach.session.interpret.word_tried import check_over
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState
from voicecoach.session.vocabulary import ALIKE, ASKED_OF_OBSERVER, PLACES, REASONS, REPLIES
from voicecoach.session.voice_check import VOICE_CHECK

NOT_WELL = "not-well"
"""What 'Is the wearer down?' is about when somebody has answered that they are not all right."""


def reply(setup: Setup, state: SessionState, event: Heard, command: str) -> Intent:
    """The meaning of `command` as a reply to the open question."""
    question = state.question
    if command == "start-removal":
        return removal(setup, state, event)
    if command not in REPLIES.get(question, ()):
        command = ALIKE.get(question, {}).get(command, command)
    if question in ASKED_OF_OBSERVER and state.mode == "pair" and not _observer_may(state, event):
        return UNCLEAR if event.role == "unknown" and state.independent else Intent("wrong_role", word="observer")
    return _REPLIES[question](setup, state, event, command)


def _observer_may(state: SessionState, event: Heard) -> bool:
    # the way back to the patient needs a second person who can be told apart: a channel or a key (rules 12 and 15)
    return event.role == "observer" if state.question == "return" else counts_for(state, event, ("observer",)) != ""


def not_answered(setup: Setup, state: SessionState) -> Intent:
    """Without a recogniser: leave a question by the reply that changes least, recorded as not given."""
    if state.question == VOICE_CHECK:
        return check_over(setup, state, "skipped")
    word, protocol, here = "not answered", setup.protocol, state.position
    question = state.question if state.place.detours or state.question not in {"where", "skin", "torn-piece"} else ""
    if question in {"right", "item"} and state.salvaged and state.place.stage == "work":
        # lead out of what is worn by the last good lines, never further into it (rules 19 and 21)
        return _doubted_item(state, word) if question == "item" else _asked_item(state.ledger.items[0][0], word)
    if question in {"right", "item"}:
        there = rejoin(protocol, here)
    elif question == "touched":
        there = touched(protocol, _dirty(state.exposed(UNKNOWN, "")).position, word)
    elif question in {"where", "skin"}:
        there = asked(protocol, state.exposed(UNKNOWN, "").position, exposed=True)
    elif question == "torn-piece":
        there = torn(protocol, here, torn_meant(setup, state, ""))
    elif question in {"reason", "mirror"}:
        there = arrive(protocol, here.at(Place("prepare", 0)))
    elif question in {"removal-area", "all-clear", "missing"}:
        there = arrive(protocol, here.at(Place("undress", 0)))
    else:
        return resume_interrupted(setup, state, word)
    return Intent("replied", there, word=word)


def _near_breach(setup: Setup, state: SessionState, _: Heard, command: str) -> Intent:
    if command == "yes":
        return breached(setup, state, state.about or "breach")
    return resume_interrupted(setup, state, command)


def _reason(_: Setup, __: SessionState, ___: Heard, command: str) -> Intent:
    assert command in REASONS
    return Intent("asked_on", question="mirror", about=command, word=command)


def _mirror(setup: Setup, state: SessionState, _: Heard, command: str) -> Intent:
    here = state.position.at(Place("prepare", 0))
    if state.about == "practice-run":  # a practice run leaves out what may be left out
        return Intent("replied", without_optional(setup.protocol, here), word=command)
    return Intent("replied", arrive(setup.protocol, here), word=command)


def _right(setup: Setup, state: SessionState, _: Heard, command: str) -> Intent:
    if state.salvaged and state.place.stage == "work":
        sure = command in {"yes", "right"} and state.ledger.on()
        return _out(state, command) if sure else _asked_item(state.ledger.items[0][0], command)
    first = next((item for item, worn in state.ledger.items if worn != "never"), None)
    if command in {"yes", "right"} or first is None:
        return Intent("replied", rejoin(setup.protocol, state.position), word=command)
    return Intent("asked_on", question="item", about=first, word=command)


def _item(setup: Setup, state: SessionState, _: Heard, command: str) -> Intent:
    if state.salvaged:
        return _doubted_item(state, command)
    known = [item for item, worn in state.ledger.items if worn != "never"]
    later = known[known.index(state.about) + 1 :] if state.about in known else []
    if later:
        return Intent("asked_on", question="item", about=later[0], word=command)
    true = state.ledger.corrected(state.about, "on" if command == "yes" else "off")
    if state.place.stage == "work" and settled(setup.protocol, state.place, true) != state.place:
        # something came off beside the patient
        return breached(setup, replace(state, ledger=true), "breach")
    return Intent("replied", rejoin(setup.protocol, state.position, true), word=command)


def _doubted_item(state: SessionState, word: str) -> Intent:
    """Every piece of the protocol is asked about."""
    items = [item for item, _ in state.ledger.items]
    later = items[items.index(state.about) + 1 :] if state.about in items else []
    if later:
        return _asked_item(later[0], word)
    true = state.ledger
    if word in {"yes", "no"}:
        true = true.corrected(state.about, "on" if word == "yes" else "off")
    return _out(replace(state, ledger=true), word)


def _asked_item(item: str, word: str) -> Intent:
    return Intent("asked_on", question="item", about=item, word=word)


def _out(state: SessionState, word: str) -> Intent:
    """To removal, or to the end if nothing is worn."""
    if not state.ledger.on():
        return Intent("asked_on", question="end", word=word)
    return Intent("asked_on", question="all-clear" if state.mode == "pair" else "removal-area", word=word)


def _still_on(setup: Setup, state: SessionState, _: Heard, command: str) -> Intent:
    before = state.behind
    step = step_at(setup.protocol, before) if before is not None else None
    if before is None or step is None:
        return Intent("replied", again(setup.protocol, state.position), word=command)
    true = state.ledger.corrected(state.about, "on") if command == "yes" else state.ledger
    gone = _taken_off(step, replace(state, ledger=true), after=state.about)
    if gone:
        return Intent("asked_on", question="still-on", about=gone, word=command)
    if any(act.kind == "doff" and true.worn(act.target) == "on" for act in step.acts):
        return Intent("replied", arrive(setup.protocol, state.position.at(before, true)), word=command)
    return Intent("replied", again(setup.protocol, state.position, true), word=command)


def _taken_off(step: Step, state: SessionState, after: str = "") -> str:
    """The next item after `after` that this step takes off and that is off; '' if there is none."""
    targets = [act.target for act in step.acts if act.kind == "doff"]
    later = targets[targets.index(after) + 1 :] if after in targets else targets
    return next((item for item in later if state.ledger.worn(item) == "off"), "")


def _back(setup: Setup, state: SessionState, _: Heard, command: str) -> Intent:
    before = state.behind
    step = step_at(setup.protocol, before) if before is not None else None
    if command == "go-on" or before is None or step is None:
        return Intent("replied", again(setup.protocol, state.position), word=command)
    if command == "went-wrong":
        return Intent("replied", repaired(setup.protocol, state.position, step), word=command)
    gone = _taken_off(step, state)
    if gone:
        return Intent("asked_on", question="still-on", about=gone, word=command)
    ledger = state.ledger
    for act in step.acts:
        if act.kind == "don":
            ledger = ledger.put(act.target, "off" if before.stage == "undress" else "never")
    return Intent("replied", arrive(setup.protocol, state.position.at(before, ledger)), word=command)


def _place(setup: Setup, state: SessionState, _: Heard, command: str) -> Intent:
    place = place_meant(command)
    if place:
        state = state.exposed(place, "")
    if not state.place.detours:
        return Intent("replied", again(setup.protocol, state.position), word=command)
    if place == "eyes" and rinsed_at_once(setup.protocol, state.position):
        there = detour(setup.protocol, state.position, setup.protocol.eyes_at_once, cause=RINSE)
        return Intent("replied", there, word=command)
    return Intent("replied", asked(setup.protocol, state.position, exposed=bool(place)), word=command)


def _torn_piece(setup: Setup, state: SessionState, _: Heard, command: str) -> Intent:
    item = torn_meant(setup, state, command)
    return Intent("replied", torn(setup.protocol, state.position, item), about=item, word=command)


def torn_meant(setup: Setup, state: SessionState, command: str) -> str:
    """The piece that was named; for somebody who does not know, the innermost gloves."""
    known = pieces(setup.protocol, state.position)
    named = [item for item in known if piece_word(setup, item) == command]
    gloves = [item for item in known if setup.protocol.item(item).say == "gloves"]
    return (named or sorted(gloves, key=lambda item: setup.protocol.item(item).layer) or list(known))[0]


def _touched(setup: Setup, state: SessionState, _: Heard, command: str) -> Intent:
    place = place_meant(command)
    if place:
        state = state.exposed(place, "")
    elif state.place.stage == "work" and not state.place.detours:
        return resume_interrupted(setup, state, command)  # with the patient, a touch of the equipment changes nothing
    here = _dirty(state).position._replace(placed=place not in {"", UNKNOWN})
    return Intent("replied", touched(setup.protocol, here, command), word=command)


def _dirty(state: SessionState) -> SessionState:
    return replace(state, ledger=replace(state.ledger, hands="not-rubbed"))


def _piece(setup: Setup, state: SessionState, event: Heard, command: str) -> Intent:
    if command in REPLIES["fault"]:
        return _fault(setup, state, event, command)
    if command in {"is-on", "not-finished"}:  # of this step's own piece
        still = not_off(setup, state, "")
        return still or Intent("replied", again(setup.protocol, state.position), word=command)
    said, _, how = command.rpartition("-")
    still = not_off(setup, state, said) if how == "on" else None
    if still is not None:
        return still
    named = [item for item in setup.protocol.items if item.say == said]
    worn = [item for item in named if state.ledger.worn(item.name) == "on"]
    outermost = max(worn or named, key=lambda item: item.layer)
    return Intent("asked_on", question="fault", about=outermost.name, word=command)


def _fault(setup: Setup, state: SessionState, event: Heard, command: str) -> Intent:
    """What the observer sees. A tear leads the same way whoever reports it (rule 29); a place on the body is a touch;
    if nothing is wrong after all, the observer is asked to look again.
    """
    if as_incident(setup.protocol, state.position, command):
        about = state.about if state.ledger.worn(state.about) == "on" else ""
        return breached(setup, state, "torn", piece_said(setup, state, event) or about)
    if command in PLACES:
        there = touched(setup.protocol, _dirty(state.exposed(command, "")).position, command)
        return Intent("replied", there, word=command)
    if command == "confirm":
        return Intent("replied", again(setup.protocol, state.position), word=command)
    return Intent("replied", faulted(setup.protocol, state.position, command), word=command)


def _removal_area(setup: Setup, state: SessionState, _: Heard, command: str) -> Intent:
    if command != "yes":
        return resume_interrupted(setup, state, command)
    if state.mode == "pair":
        return Intent("asked_on", question="all-clear", word=command)
    return Intent("replied", arrive(setup.protocol, state.position.at(Place("undress", 0))), word=command)


def _all_clear(setup: Setup, state: SessionState, _: Heard, command: str) -> Intent:
    if command != "confirm":
        return Intent("asked_on", question="missing", word=command)
    return Intent("replied", arrive(setup.protocol, state.position.at(Place("undress", 0))), word=command)


def _return(setup: Setup, state: SessionState, _: Heard, command: str) -> Intent:
    if command != "yes":
        return resume_interrupted(setup, state, command)
    return Intent(
        "false_alarm",
        arrive(
            setup.protocol, cleared_of_incident(state, setup.protocol).position.at(state.incident_place or state.place)
        ),
        word="observer",
    )


def _end(setup: Setup, state: SessionState, _: Heard, command: str) -> Intent:
    if command == "yes":
        return Intent("ended", word=command)
    if state.owed and state.pending is None and not state.held:  # what is owed comes once more
        return Intent("replied", again(setup.protocol, state.position._replace(owes=True)), word=command)
    return resume_interrupted(setup, state, command)


def _end_both(setup: Setup, state: SessionState, event: Heard, command: str) -> Intent:
    """Both people have to want it."""
    if command != "yes":
        return resume_interrupted(setup, state, command)
    if event.role == "unknown" or state.about in {"", event.role}:
        return Intent(
            "asked_on", question="end-both", about="" if event.role == "unknown" else event.role, word=command
        )
    return Intent("ended", word=command)


def removal(setup: Setup, state: SessionState, event: Heard) -> Intent:
    """To removal. An observer with a channel of their own gives the all-clear by calling the wearer (rule 18)."""
    if state.mode == "solo":
        return Intent("removal_asked", question="removal-area")
    if event.role == "observer" and state.independent:
        return Intent("called_out", arrive(setup.protocol, state.position.at(Place("undress", 0))))
    return Intent("removal_asked", question="all-clear")


def _all_right(setup: Setup, state: SessionState, event: Heard, command: str) -> Intent:
    """The wearer is well or not; if somebody else answers, they are asked what they see."""
    if command == "yes" and counts_for(state, event, ("wearer",)):
        if _another_awaited(setup, state):
            return Intent("asked_on", question="go-alone", word=command)
        return resume_interrupted(setup, state, command)
    if command == "yes":
        return Intent("asked_on", question="down", word=command)
    return Intent("not_all_right", question="down", about=NOT_WELL, word=command)


def _another_awaited(setup: Setup, state: SessionState) -> bool:
    """Whether the answer that is awaited is not the wearer's to give."""
    before = awaited(state)
    if before is None or state.mode != "pair":
        return False
    if before.status == "asking":
        return before.question in ASKED_OF_OBSERVER and before.question != "return"
    if before.status == "confirming":
        return True
    step = step_at(setup.protocol, state.place)
    due = {step.role, *step.also} - {*state.answered, ANYONE} if step else set()
    return bool(due) and "wearer" not in due


def _go_alone(setup: Setup, state: SessionState, _: Heard, command: str) -> Intent:
    """Nobody came: leave out what only they can say, and ask the wearer the rest (rule 33)."""
    if command != "yes":
        return resume_interrupted(setup, state, command)
    if state.pending is not None and state.pending[0] in {"all-clear", "missing"}:
        return Intent("asked_alone", question="removal-area", word=command)
    here = replace(state, mode="solo").position
    if state.place.observer_due:
        there = onward(setup.protocol, here.at(state.place.with_due(False)), state.ledger)
    elif state.answered:
        there = onward(setup.protocol, here, after_step(setup, state))
    else:
        there = again(setup.protocol, here)
    return Intent("went_alone", there, word=command)


def _down(setup: Setup, state: SessionState, _: Heard, command: str) -> Intent:
    if command != "yes" and state.about == NOT_WELL and breach_rule(setup.protocol, "unwell", state.place.stage):
        return breached(setup, state, "unwell")  # not all right, and not down
    if command != "yes":
        return resume_interrupted(setup, state, command)
    if not setup.protocol.wearer_down:
        return Intent("not_all_right", question="all-right", word=command)
    struck = state.exposed(UNKNOWN, cut_off) if (cut_off := unasked(setup.protocol, state.position, "")) else state
    return Intent("replied", helped(setup.protocol, struck.position), word=command)


_REPLIES: dict[str, Callable[[Setup, SessionState, Heard, str], Intent]] = {
    "near-breach": _near_breach,
    "reason": _reason,
    "mirror": _mirror,
    "right": _right,
    "item": _item,
    "still-on": _still_on,
    "back": _back,
    "where": _place,
    "skin": _place,
    "touched": _touched,
    "torn-piece": _torn_piece,
    "piece": _piece,
    "fault": _fault,
    "removal-area": _removal_area,
    "all-clear": _all_clear,
    "return": _return,
    "end": _end,
    "end-both": _end_both,
    "missing": _all_clear,
    "all-right": _all_right,
    "down": _down,
    "go-alone": _go_alone,
}
"""Question -> the meaning of its answer; a test checks that every question of `vocabulary.REPLIES` is here."""
