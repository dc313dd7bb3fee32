"""Deeds beside the steps: stop and pause, information, hints, silence and alarm. Pure."""

from __future__ import annotations

from collections.abc import Callable

from voicecoach.protocol.model import STAGES
from voicecoach.session.events import CLOCK_HZ
from voicecoach.session.turn import STEP_TIMERS, Turn

STOPPED_S = 6.0
"""How long 'stop' keeps quiet before the coach asks what happened."""
WEAR_STEP_MIN = 10
WEAR_MOST_MIN = 240


def say_again(turn: Turn) -> None:
    """One request a step at most; the next ones are left to the repeated prompt."""
    turn.set(hinted=True)
    if turn.state.status in {"frozen", "paused"} or (
        turn.step is not None and turn.step.quiet_s and not turn.state.question
    ):
        return
    turn.tone("again")
    turn.say(turn.own("say-again"))


def note_babble(turn: Turn) -> None:
    """Speech that never stops is said and shown once a step."""
    first = not turn.state.babbled
    turn.set(babbled=True)
    if not first:
        return
    turn.note("babble")
    if not turn.state.sounding:
        turn.say(turn.own("babble"))


def hush(turn: Turn) -> None:
    """A voice over something said in passing: let the voice have the floor."""
    turn.hush()


def hint(turn: Turn) -> None:
    """A word that is no answer to this step gets the reason, and nothing moves."""
    turn.note("step-refused", step=turn.step.name if turn.step else "", why="not the word this step needs")
    turn.cancel("silence")
    turn.hush()
    turn.say(turn.own(turn.meaning.word))


def refuse(turn: Turn) -> None:
    """Another role's answer does not count (rule 15)."""
    turn.note(
        "step-refused", step=turn.step.name if turn.step else "", why=f"only the {turn.meaning.word} answers this"
    )
    turn.hush()
    turn.say(turn.own(f"{turn.meaning.word}-must"))


def hold(turn: Turn) -> None:
    """A question comes in between: remember what it interrupts."""
    state = turn.state
    if state.question and state.question not in {"all-right", "near-breach", "end"}:
        turn.set(pending=(state.question, state.about))
    if turn.before.status in {"frozen", "paused"}:
        turn.set(held=turn.before.status)


def freeze(turn: Turn) -> None:
    """Rule 8: silence and nothing moves."""
    turn.cancel(*STEP_TIMERS)
    turn.hush()
    turn.note("stopped", step=turn.step.name if turn.step else "")
    turn.set(question="", about="", pending=None, held="", silence=0, hinted=False)
    turn.timer("hold", STOPPED_S)


def ask_what_happened(turn: Turn) -> None:
    """After a while of silence: what happened?"""
    turn.say(turn.own("frozen-ask"))


def note_went_on(turn: Turn) -> None:
    """The step goes on from its beginning."""
    turn.note("jump", step=turn.step.name if turn.step else "", cause="went on after stop")
    turn.tone("taken")


def hands_still(turn: Turn) -> None:
    """An act before the question (rule 11's habit for a touch)."""
    turn.note("touched", step=turn.step.name if turn.step else "")
    turn.tone("taken")


def pause(turn: Turn) -> None:
    """Everything waits."""
    turn.cancel(*STEP_TIMERS)
    turn.hush()
    turn.set(question="", about="", pending=None, held="", silence=0, hinted=False)
    turn.note("paused", step=turn.step.name if turn.step else "")
    turn.say(turn.own("paused"))


def tell_worn(turn: Turn) -> None:
    """Rule 10: what is off, what is on, and the state of the hands. The question follows in `ask`."""
    turn.note("status", on=",".join(turn.state.ledger.on()), hands=turn.state.ledger.hands)


def worn_sentences(turn: Turn) -> tuple[str, ...]:
    """The sentences of rule 10."""
    state, protocol = turn.state, turn.rules.protocol
    off = [item for item, worn in state.ledger.items if worn == "off"]
    sentences = [turn.own("item-off", label=protocol.item(item).label) for item in off]
    sentences += [turn.own("item-on", label=protocol.item(item).label) for item in state.ledger.on()]
    if turn.step is not None and turn.step.timing:
        sentences.append(turn.own("rub-unfinished"))
    elif state.ledger.hands == "not-rubbed":
        sentences.append(turn.own("hands-unrubbed"))
    return tuple(sentences)


def tell(turn: Turn) -> None:
    """Help, where am I, time: nothing moves."""
    state, protocol = turn.state, turn.rules.protocol
    turn.hush()
    if turn.meaning.word == "help":
        help_text = turn.step.help if turn.step else ""
        turn.say(help_text or turn.own("no-help"))
    elif turn.meaning.word == "where-am-i":
        counted = [(s, i) for s in STAGES for i in range(len(protocol.steps(s))) if s != "work"]
        here = (state.place.stage, state.place.step)
        number = counted.index(here) + 1 if here in counted else len([c for c in counted if STAGES.index(c[0]) < 2])
        turn.say(turn.own("step-of", number=number, total=len(counted)))
    else:
        worn_s = 0 if state.worn_since is None else (state.at - state.worn_since) / CLOCK_HZ
        minutes = min(WEAR_MOST_MIN, int(worn_s // 60 // WEAR_STEP_MIN) * WEAR_STEP_MIN)
        turn.say(turn.own("worn-for", minutes=minutes) if minutes else turn.own("worn-briefly"))


def read_before(turn: Turn) -> None:
    """Rule 9: the step before is read; the question follows in `ask`."""
    turn.note("back", step=turn.step.name if turn.step else "")
    turn.tone("taken")


def tell_no_trail(turn: Turn) -> None:
    """There is no step before."""
    turn.hush()
    turn.say(turn.own("nothing-before"))


def refuse_sound(turn: Turn) -> None:
    """Rule 25: no sound is kept from now on; the edge stops keeping it on this note."""
    turn.set(audio="none")
    turn.note("no-audio")
    turn.say(turn.own("intro-audio-none"))


def hold_on(turn: Turn) -> None:
    """Back to frozen or paused."""
    turn.cancel(*STEP_TIMERS)
    held = turn.state.held
    turn.set(question="", about="", held="", pending=None, silence=0)
    turn.say(turn.own("frozen-ask" if held == "frozen" else "paused"))


def tell_observer(turn: Turn) -> None:
    """Another's silence is told to the observer and is that role's deviation."""
    role = turn.step.role if turn.step else ""
    turn.note("deviation", step=turn.step.name if turn.step else "", by=role, what="went on without answering")
    turn.set(silence=turn.state.silence + 1)
    turn.say(turn.own("role-silent"))


def alarm(turn: Turn) -> None:
    """Rule 20: a loud outward alarm with words for bystanders; the step does not move."""
    turn.note("alarm", step=turn.step.name if turn.step else "")
    turn.tone("outward-alarm")
    turn.say(turn.own("alarm-words"))
    turn.timer("silence", 15.0)


def tell_wear(turn: Turn) -> None:
    """The site's wear limit."""
    turn.note("wear-limit")
    turn.say(turn.own("wear-limit"))


def set_wear_timer(turn: Turn, worn_s: float) -> None:
    """Set the timer of the site's wear limit, if it has one."""
    limit_s = turn.rules.site.wear_limit_s
    if limit_s:
        turn.timer("wear", max(1.0, limit_s - worn_s))


DEEDS: dict[str, Callable[[Turn], None]] = {
    deed.__name__: deed
    for deed in (
        say_again, note_babble, hush, hint, refuse, hold, freeze, ask_what_happened, note_went_on, hands_still, pause, tell_worn,
        tell, read_before, tell_no_trail, refuse_sound, hold_on, tell_observer, alarm, tell_wear,
    )
}  # fmt: skip
