"""The live set: which commands can be meant in a state. Nothing else is listened for. Pure."""

from __future__ import annotations

from dataclasses import replace

from voicecoach.protocol.model import DANGERS, Step
from voicecoach.protocol.navigation.position import breach_rule, index_here, pieces, step_at, steps_here
from voicecoach.protocol.steps import TRIED
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState
from voicecoach.session.vocabulary import ALIKE, INFORMATION, NATURAL, PLACES, REPLIES, SAYS_ITSELF, WELL, WHILE_AWAITED
from voicecoach.session.voice_check import VOICE_CHECK, sentences, words

CLOSED = ("closed", "abandoned")
STEERING = ("repeat", "back", "pause", *INFORMATION, "no-audio", "end-session")
OVER_PROMPT = ("repeat", "back", "pause")
ON_ITS_PROMPT = ("prompting", "interrupted", "acknowledging", "awaiting")
_FIXED = {
    "confirming": (*STEERING, "touched", "confirm", "not-clear", "clear", "is-on", "done", *NATURAL),
    "frozen": ("go-on", "touched", "pause", "repeat", "end-session", "clear", "done", "help", *NATURAL),
    "paused": ("resume", "touched", "time", "end-session", "go-on", "clear", "done", "repeat", "help", *NATURAL),
    "working": ("start-removal", "touched", "pause", "repeat", "time", "help", "no-audio", "end-session"),
}


def live(setup: Setup, state: SessionState) -> tuple[str, ...]:
    """The ids of the live commands, sorted; only such as the grammar has."""
    if state.status in CLOSED:
        return ()
    names = {*danger(setup, state), "stop", *_of_status(setup, state)}
    if state.handling or state.incident_place is not None:
        names.add("false-alarm")
    if state.handling and not asking(state):
        names |= set(PLACES)
    if state.left_alone:
        names.add("observer-here")  # the person who was missing may come, and perhaps has no channel to be known by
    if state.left_alone and state.status in {"awaiting", "drying"}:
        names.add("confirm")
    if state.sounding and not state.window:
        names -= said_itself(setup, state.speech[0].text)
    return tuple(sorted(name for name in names if setup.grammar.command(name) is not None))


def danger(setup: Setup, state: SessionState) -> frozenset[str]:
    """The live danger words: always 'breach', and the kinds that the protocol has for this stage.

    A kind that the step or the question expects as an answer counts as that answer.
    """
    kinds = {
        kind for kind in DANGERS if (rule := breach_rule(setup.protocol, kind, state.place.stage)) and rule.kind == kind
    }
    if asking(state):
        answers = set(replies(setup, state))
    elif state.status in {*ON_ITS_PROMPT, "timing", "drying"}:
        answers = set(expected(step_at(setup.protocol, state.place), state.status))
    else:
        answers = set()
    return frozenset(({"breach"} - words_to_try(setup, state)) | (kinds - answers))


def words_to_try(setup: Setup, state: SessionState) -> frozenset[str]:
    """The word that the step or the voice check asks people to try now (rule 38): no alarm then."""
    if asking(state) and state.question == VOICE_CHECK:
        return frozenset(TRIED & {state.about})
    step = step_at(setup.protocol, state.place)
    if step is None or asking(state) or state.status not in {*ON_ITS_PROMPT, "confirming"}:
        return frozenset()
    return frozenset(step.answers) & TRIED


def said_itself(setup: Setup, sentence: str) -> frozenset[str]:
    """What is not listened for while the coach says this sentence."""
    if setup.site.voice_check and (word := sentences(setup).get(sentence)):
        return frozenset({word})
    return frozenset(name for key, names in SAYS_ITSELF.items() if setup.grammar.say(key) == sentence for name in names)


def matters_to_both(step: Step, state: SessionState) -> bool:
    """Whether the wearer acknowledges this step before the act, and the observer confirms it (rule 16)."""
    return step.matters and step.observer and not step.quiet_s and state.mode == "pair" and not state.paced


def asking(state: SessionState) -> bool:
    """Whether a question is open, also while somebody speaks over it."""
    return bool(state.question) and state.status in {"asking", "interrupted"}


def replies(setup: Setup, state: SessionState) -> tuple[str, ...]:
    """The replies to the open question."""
    if state.question == VOICE_CHECK:
        # a danger word is a try only while it is asked for
        return tuple(name for name in (*words(setup), "skip") if name == state.about or name not in (*DANGERS, "stop"))
    known = (*REPLIES.get(state.question, ()), *ALIKE.get(state.question, {}))
    if state.question == "torn-piece":
        return (*known, *(piece_word(setup, item) for item in pieces(setup.protocol, state.position)))
    if state.question in WELL and state.place.stage == "work" and not state.place.detours:
        return (*known, "start-removal")  # leaving is an answer to a check at work
    if state.question == "piece":
        return (*known, *(f"{item.say}-{how}" for item in setup.protocol.items for how in ("on", "off")))
    return known


def _taken_off(setup: Setup, state: SessionState, step: Step) -> tuple[str, ...]:
    """The words for the pieces that an asking step asks about."""
    asked = [one for one in steps_here(setup.protocol, state.place) if one.name == step.asks_for]
    return tuple(setup.protocol.item(act.target).say for one in asked for act in one.acts if act.kind == "doff")


def piece_word(setup: Setup, item: str) -> str:
    """The command that names an item: its own name, or the word for its kind."""
    own = setup.grammar.command(item)
    return item if own is not None else f"the-{setup.protocol.item(item).say}"


def signs(setup: Setup, state: SessionState) -> tuple[str, ...]:
    """Words that end a silent act: the next step's first word, or that the piece is off."""
    here = steps_here(setup.protocol, state.place)
    step, index = step_at(setup.protocol, state.place), index_here(state.place)
    if step is None or not step.quiet_s:
        return ()
    asked = [answer for later in here if later.asks_for == step.name and not later.timing for answer in later.answers]
    begun = [one.timing.start for one in here[index + 1 : index + 2] if one.timing]
    return ("done", "is-off", *asked, *begun)


def awaited(state: SessionState) -> SessionState | None:
    """The state in which an answer was awaited before 'Are you all right?' came in between."""
    if state.question not in WHILE_AWAITED or state.status not in {"asking", "interrupted"}:
        return None
    if state.pending is not None:
        question, about = state.pending
        return replace(state, status="asking", question=question, about=about, pending=None, speech=(), silence=0)
    if not state.waiting_in:
        return None
    return replace(state, status=state.waiting_in, question="", about="", speech=(), silence=0, waiting_since=None)


def expected(step: Step | None, status: str) -> tuple[str, ...]:
    """The words that this step, in this state, waits for from its own role."""
    if step is None:
        return ()
    branches = tuple(command for command, _ in step.branches)
    if step.timing and status in ON_ITS_PROMPT:
        return (step.timing.start, *branches)
    return (*step.answers, *branches)


def _of_status(setup: Setup, state: SessionState) -> tuple[str, ...]:
    step = step_at(setup.protocol, state.place)
    status = state.status
    if asking(state):
        closed = state.sounding and status == "asking"
        before = awaited(state)
        also = _of_status(setup, before) if before is not None else ()
        return () if closed else (*replies(setup, state), "repeat", "pause", *also)
    if status in {"prompting", "interrupted"}:
        # while the coach is silent, so that no prompt of its own is taken for it
        said: tuple[str, ...] = ("touched",) if status == "interrupted" and state.ledger.on() else ()
        return (*OVER_PROMPT, *said, *expected(step, status))
    if status in {"awaiting", "drying", "acknowledging", "timing"}:
        asked = () if step is None or step.quiet_s or status == "timing" else ("done",)
        more: tuple[str, ...] = ("understood",) if status == "acknowledging" else ()
        more += ("skip",) if status == "awaiting" and step is not None and step.optional else ()
        natural: tuple[str, ...] = () if status == "timing" or (step is not None and step.quiet_s) else NATURAL
        if status != "timing" and step is not None and (step.asks_for or any(act.kind == "doff" for act in step.acts)):
            natural += ("is-on", *(f"{word}-on" for word in _taken_off(setup, state, step)))
            natural += ("not-clear",) if step.asks_for else ()
        more += signs(setup, state) if status == "awaiting" else ()
        more += ("touched",) if state.ledger.on() or state.place.stage == "close" else ()
        return (*STEERING, *more, *expected(step, status), *asked, *natural)
    if status == "working" and state.paced:
        return (*_FIXED[status], "done")  # so that a foot-switch alone can begin the removal
    return _FIXED.get(status, ())
