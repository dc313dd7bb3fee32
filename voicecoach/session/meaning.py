"""What an event means in a state: the name of a trigger, and where it leads. Pure; decides nothing by itself."""

from __future__ import annotations

from dataclasses import dataclass, replace

from voicecoach.session.events import (
    Event,
    Heard,
    Opened,
    PartBack,
    PartLost,
    PromptEnded,
    Reopened,
    SpeechStarted,
    SpeechUnending,
    TimerFired,
)
from voicecoach.session.live import danger, expected, live
from voicecoach.session.state import Ledger, Place, SessionState
from voicecoach.session.way import Arrival, Rules, again, arrive, asked, breach_arrival, detour, onward, step_at
from voicecoach.session.words import ASKED_OF_OBSERVER, FAULTS, INFORMATION, PLACES, REASONS, REPLIES


@dataclass(frozen=True, slots=True)
class Meaning:
    """trigger: a row of the table, '' for nothing. arrival: where it leads. question, about: what is asked next. word: the
    kind, fault, place, role or hint that it carries. ledger: corrected by it."""

    trigger: str
    arrival: Arrival | None = None
    question: str = ""
    about: str = ""
    word: str = ""


NOTHING = Meaning("")


def meaning(rules: Rules, state: SessionState, event: Event) -> Meaning:
    """What `event` means in `state`."""
    found = NOTHING
    if isinstance(event, Heard):
        found = _heard(rules, state, event)
    elif isinstance(event, PromptEnded):
        found = _prompt_ended(rules, state)
    elif isinstance(event, TimerFired):
        found = _timer(rules, state, event) if event.timer in state.timers else NOTHING
    elif isinstance(event, SpeechStarted):
        found = Meaning("voice_over")
    elif isinstance(event, SpeechUnending):
        found = Meaning("babble")
    elif isinstance(event, Opened):
        found = Meaning("opened")
    elif isinstance(event, Reopened):
        found = _reopened(rules, state)
    elif isinstance(event, PartLost):
        found = Meaning("part_lost", word=event.part)
    elif isinstance(event, PartBack):
        found = Meaning("part_back", word=event.part)
    return found


def after_step(rules: Rules, state: SessionState) -> Ledger:
    """The ledger when the acts of the present step are done."""
    step = step_at(rules.protocol, state.place)
    return state.ledger.after(step.acts, state.at) if step else state.ledger


def _prompt_ended(rules: Rules, state: SessionState) -> Meaning:
    if state.speech:
        return NOTHING
    if state.status == "opening":
        if state.mode == "solo":
            return Meaning("introduced", question="reason")
        return Meaning("introduced", again(rules, state))
    if state.status == "breached":
        return Meaning("first_words_over", again(rules, state))
    return Meaning("read_out")


def _reopened(rules: Rules, state: SessionState) -> Meaning:
    if state.status == "opening":
        return Meaning("opened")
    if state.status == "asking" and state.question in {"reason", "mirror"}:
        return Meaning("reopened", question=state.question)
    return Meaning("reopened", question="right")


def _timer(rules: Rules, state: SessionState, event: TimerFired) -> Meaning:
    timer = event.timer
    step = step_at(rules.protocol, state.place)
    if timer == "silence":
        return Meaning("silent", question="all-right")
    if timer == "near":
        return _breach(rules, state, state.about or "breach")
    if timer == "quiet":
        return Meaning("quiet_over", onward(rules, state, after_step(rules, state)))
    if timer == "check":
        return Meaning("check_due", question="all-right")
    if timer == "pace" and state.status == "asking":
        return _paced_question(rules, state)
    if timer == "pace" and step is not None:
        return Meaning("paced", onward(rules, state, after_step(rules, state)))
    names = {"window": "window_over", "rub": "rub_over", "wear": "wear_due", "hold": "hold_asked"}
    return Meaning(names.get(timer, ""))


def _paced_question(rules: Rules, state: SessionState) -> Meaning:
    """Without ears a question is left after its time: by the answer that changes least, recorded as not given."""
    if state.question in {"right", "item"}:
        return Meaning("replied", _rejoin(rules, state), word="not answered")
    if state.question in {"where", "skin"} and state.place.detours:
        return Meaning("replied", asked(rules, state, exposed=True), word="not answered")
    return _back_to_business(rules, state, "not answered")


def _heard(rules: Rules, state: SessionState, event: Heard) -> Meaning:
    command = event.command
    if command is None and event.near and state.status not in {"breached", "opening"}:
        return Meaning("near_breach", question="near-breach", about=event.near)
    if command is None or command not in live(rules, state):
        return Meaning("unclear")
    if command in danger(rules, state):
        return _breach(rules, state, command)
    if command == "stop":
        return Meaning("stopped")
    if command == "false-alarm":
        return _false_alarm(rules, state)
    if state.status == "asking" or (state.status == "ducked" and state.question):
        if command in REPLIES.get(state.question, ()):
            return _reply(rules, state, event, command)
    return _way(rules, state, event, command)


def _breach(rules: Rules, state: SessionState, kind: str) -> Meaning:
    return Meaning("breach", breach_arrival(rules, state, kind), word=kind)


def _false_alarm(rules: Rules, state: SessionState) -> Meaning:
    if state.status == "asking" and state.question == "near-breach":
        return _back_to_business(rules, state, "false-alarm")
    place = state.before or state.place
    if place.stage == "work" and state.mode == "pair":
        return Meaning("return_asked", question="return")
    return Meaning("false_alarm", arrive(rules, place, state.ledger, state.mode))


def _way(rules: Rules, state: SessionState, event: Heard, command: str) -> Meaning:
    """Words that are no answer to a question and no danger."""
    simple = {
        "repeat": Meaning("repeated"),
        "pause": Meaning("paused"),
        "resume": Meaning("resumed", question="right"),
        "go-on": Meaning("went_on", again(rules, state)),
        "touched": Meaning("touched", question="touched"),
        "start-removal": Meaning("removal_asked", question="removal-area"),
        "end-session": Meaning("end_asked", question="end"),
        "no-audio": Meaning("sound_refused"),
        "back": Meaning("back_asked", question="back"),
    }
    if command in simple:
        return simple[command]
    if command in INFORMATION:
        return Meaning("told", word=command)
    return _answer(rules, state, event, command)


def _answer(rules: Rules, state: SessionState, event: Heard, command: str) -> Meaning:
    step = step_at(rules.protocol, state.place)
    if step is None:
        return Meaning("unclear")
    if state.status == "confirming":
        return _observer_says(rules, state, event, command)
    if step.quiet_s and state.status == "awaiting":
        return Meaning("unclear")
    if event.role not in {step.role, "unknown", *step.also} and state.mode == "pair":
        return Meaning("wrong_role", word=step.role)
    if command not in expected(step, state.status):
        acknowledged = command == "understood" and state.status == "acknowledging"
        return (
            Meaning("acknowledged")
            if acknowledged
            else Meaning("misplaced", word=_hint(step.answers, bool(step.timing)))
        )
    if state.status in {"prompting", "ducked", "timing"}:
        return Meaning("early", word=command)
    branch = dict(step.branches).get(command)
    if branch is not None:
        return Meaning(
            "branched", detour(rules, state, branch, rules.protocol.branch(branch).then, command), word=command
        )
    if step.timing and state.status != "drying":
        return Meaning("started")
    answered = {*state.answered, event.role if event.role in {step.role, *step.also} else step.role}
    if not answered >= {step.role, *step.also} and state.mode == "pair":
        return Meaning("half_answered", word=event.role)
    return Meaning("answered", onward(rules, state, after_step(rules, state)))


def _hint(answers: tuple[str, ...], timed: bool) -> str:
    if timed:
        return "hint-start"
    if "clear" in answers:
        return "hint-look"
    if answers and answers[0].endswith(("-on", "-off")):
        return "hint-item"
    return "hint-other"


def _observer_says(rules: Rules, state: SessionState, event: Heard, command: str) -> Meaning:
    if event.role not in {"observer", "unknown"}:
        return Meaning("wrong_role", word="observer")
    if command == "not-clear":
        return Meaning("not_clear", question="what")
    if command == "confirm":
        return Meaning("confirmed", onward(rules, state, after_step(rules, state)))
    return Meaning("unclear")


def _back_to_business(rules: Rules, state: SessionState, word: str) -> Meaning:
    """After a question that came in between: what it interrupted."""
    if state.pending is not None:
        return Meaning("asked_on", question=state.pending[0], about=state.pending[1], word=word)
    if state.held:
        return Meaning("held_on", word=word)
    return Meaning("replied", again(rules, state), word=word)


def _rejoin(rules: Rules, state: SessionState, ledger: Ledger | None = None) -> Arrival:
    """After a pause, a stop or a restart the way begins with the hands (rule 10); a place inside it is begun anew."""
    now = state.ledger if ledger is None else ledger
    worn_or_worked = any(worn != "never" for _, worn in now.items)
    if rules.protocol.rejoin and worn_or_worked and state.place.stage in {"dress", "undress"}:
        return detour(rules, replace(state, ledger=now), rules.protocol.rejoin, "same", "rejoin")
    return again(rules, state, now)


def _reply(rules: Rules, state: SessionState, event: Heard, command: str) -> Meaning:
    question = state.question
    if question in ASKED_OF_OBSERVER and state.mode == "pair" and event.role not in {"observer", "unknown"}:
        return Meaning("wrong_role", word="observer")
    yes = command in {"yes", "right"}
    if question in {"near-breach"}:
        return _breach(rules, state, state.about or "breach") if yes else _back_to_business(rules, state, command)
    if question in {"reason", "mirror"}:
        return _reply_at_start(rules, state, command)
    if question in {"right", "item", "still-on", "back"}:
        return _reply_about_worn(rules, state, command, yes)
    if question in {"where", "skin"}:
        return Meaning("replied", asked(rules, state, exposed=yes or command in PLACES), word=command)
    if question == "touched":
        branch = rules.protocol.touched
        there = detour(rules, state, branch, "same", f"touched {command}") if branch else again(rules, state)
        return Meaning("replied", there, word=command)
    if question == "what":
        return _reply_fault(rules, state, command)
    return _reply_about_way(rules, state, command, yes)


def _reply_at_start(rules: Rules, state: SessionState, command: str) -> Meaning:
    if command in REASONS:
        return Meaning("asked_on", question="mirror", word=command)
    return Meaning("replied", again(rules, state), word=command)


def _reply_about_worn(rules: Rules, state: SessionState, command: str, yes: bool) -> Meaning:
    question = state.question
    if question == "right":
        if yes:
            return Meaning("replied", _rejoin(rules, state), word=command)
        first = next((item for item, worn in state.ledger.items if worn != "never"), None)
        if first is None:
            return Meaning("replied", again(rules, state), word=command)
        return Meaning("asked_on", question="item", about=first, word=command)
    if question == "item":
        known = [item for item, worn in state.ledger.items if worn != "never"]
        later = known[known.index(state.about) + 1 :] if state.about in known else []
        if later:
            return Meaning("asked_on", question="item", about=later[0], word=command)
        corrected = state.ledger.put(state.about, "on" if yes else "off")
        return Meaning("replied", _rejoin(rules, state, corrected), word=command)
    if question == "still-on":
        ledger = state.ledger.put(state.about, "on") if yes else state.ledger
        place = state.trail[-1] if yes and state.trail else state.place
        return Meaning("replied", arrive(rules, place, ledger, state.mode), word=command)
    return _reply_back(rules, state, command)


def _reply_back(rules: Rules, state: SessionState, command: str) -> Meaning:
    before = state.trail[-1] if state.trail else state.place
    step = step_at(rules.protocol, before)
    if command == "go-on" or step is None:
        return Meaning("replied", again(rules, state), word=command)
    if command == "went-wrong":
        branch = step.repair or rules.protocol.rejoin
        there = detour(rules, state, branch, "same", f"went wrong: {step.name}") if branch else again(rules, state)
        return Meaning("replied", there, word=command)
    gone = next((a.target for a in step.acts if a.kind == "doff" and state.ledger.worn(a.target) == "off"), "")
    if gone:
        return Meaning("asked_on", question="still-on", about=gone, word=command)
    ledger = state.ledger
    for act in step.acts:
        if act.kind == "don":
            ledger = ledger.put(act.target, "never")
    return Meaning("replied", arrive(rules, before, ledger, state.mode), word=command)


def _reply_fault(rules: Rules, state: SessionState, command: str) -> Meaning:
    step = step_at(rules.protocol, state.place)
    branches = dict(step.branches) if step else {}
    branch = branches.get(command) or (step.repair if step else "")
    if branch and command in FAULTS:
        return Meaning("replied", detour(rules, state, branch, "confirm", f"not clear: {command}"), word=command)
    return Meaning("replied", Arrival("confirm", state.place, state.ledger), word=command)


def _reply_about_way(rules: Rules, state: SessionState, command: str, yes: bool) -> Meaning:
    question = state.question
    if question == "removal-area" and yes and state.mode == "pair":
        return Meaning("asked_on", question="all-clear", word=command)
    if (question == "removal-area" and yes) or (question == "all-clear" and command == "confirm"):
        return Meaning("replied", arrive(rules, Place("undress", 0), state.ledger, state.mode), word=command)
    if question == "return" and yes:
        return Meaning("false_alarm", arrive(rules, state.before or state.place, state.ledger, state.mode))
    if question == "end" and yes:
        return Meaning("ended", word=command)
    if question == "all-right" and not yes:
        return Meaning("silent", question="all-right")
    return _back_to_business(rules, state, command)
