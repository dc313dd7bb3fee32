"""Actions that do not advance a step: stop, pause, information, parts lost and found. Pure."""

from __future__ import annotations

from collections.abc import Callable

from voicecoach.protocol.model import STAGES
from voicecoach.session.actions.ask import remember_question
from voicecoach.session.actions.stepping import say_step
from voicecoach.session.actions.wait import wait
from voicecoach.session.actions.wearing import set_wear_timer
from voicecoach.session.events import CLOCK_HZ, Heard, PartBack, PartLost, Reopened
from voicecoach.session.notes import NoteKind
from voicecoach.session.turn import STEP_TIMERS, Turn

STOPPED_S = 6.0
"""How long the coach is silent after 'stop' before it asks what happened (s); common practice, no source."""
WEAR_AGAIN_S = 300.0
"""The wear limit is repeated at this interval (s); common practice, no source."""
WEAR_STEP_MIN = 5
WEAR_MOST_MIN = 240
SAID_WHEN_LOST = ("ears", "disk", "signal", "keys", "supervisor")


def freeze(turn: Turn) -> None:
    """Rule 8: silence, and nothing moves. "I cannot" is no stop but a call for help, which is answered (rule 32)."""
    remember_question(turn, near_too=True)
    turn.cancel(*STEP_TIMERS)
    turn.hush()
    turn.note(NoteKind.STOPPED, step=turn.step_name)
    turn.set(question="", about="", held="", silence=0, waiting_since=None, hinted=False)
    if isinstance(turn.event, Heard) and turn.event.command == "cannot":
        turn.aside("frozen-ask")
    else:
        turn.timer("hold", STOPPED_S)


def ask_what_happened(turn: Turn) -> None:
    """Ask after the silence that 'stop' left."""
    turn.aside("frozen-ask")


def say_sound_trouble(turn: Turn) -> None:
    """Say what is wrong with the sound and what to do about it."""
    what = turn.intent.word
    turn.set(sound_announced=(*turn.state.sound_announced, what))
    turn.note(NoteKind.SOUND, trouble=what)
    turn.aside(f"sound-{what}")


def note_went_on(turn: Turn) -> None:
    """The step starts again from its beginning."""
    turn.note(NoteKind.WENT_ON, step=turn.step_name, cause="went on after stop")
    turn.tone("taken")


def note_touched(turn: Turn) -> None:
    """Record a touch at once; the place is asked for next."""
    turn.note(NoteKind.TOUCHED, step=turn.step_name)
    turn.set(incident_place=turn.state.place, incident_at=turn.state.at, called_at=turn.state.at)
    turn.tone("taken")


def pause(turn: Turn) -> None:
    """Stop everything until somebody resumes."""
    turn.cancel(*STEP_TIMERS)
    turn.hush()
    turn.set(question="", about="", pending=None, held="", silence=0, waiting_since=None, hinted=False)
    turn.note(NoteKind.PAUSED, step=turn.step_name)
    turn.aside("paused")


def note_paced_on(turn: Turn) -> None:
    """Without a recogniser no word can end a stop or a pause: after a while it ends by itself."""
    turn.note(NoteKind.NOT_CONFIRMED, step=turn.step_name, why="no recogniser: goes on by itself")


def give_information(turn: Turn) -> None:
    """Answer 'help', 'where am I' or 'time'; the session does not move."""
    state, protocol = turn.state, turn.setup.protocol
    turn.hush()
    if turn.intent.word == "help":
        help_text = turn.step.help if turn.step else ""
        turn.say(help_text or turn.own("no-help"))
    elif turn.intent.word == "where-am-i":
        counted = [(s, i) for s in STAGES for i in range(len(protocol.steps(s))) if s != "work"]
        here = (state.place.stage, state.place.step)
        number = counted.index(here) + 1 if here in counted else sum(STAGES.index(s) < 2 for s, _ in counted)
        turn.aside("step-of", number=number, total=len(counted))
        if state.owed:
            turn.aside("still-owed")
    else:
        worn_s = 0 if state.worn_since is None else (state.at - state.worn_since) / CLOCK_HZ
        minutes = min(WEAR_MOST_MIN, int(worn_s // 60 // WEAR_STEP_MIN) * WEAR_STEP_MIN)
        key = "worn-for" if minutes else "nothing-on" if state.worn_since is None else "worn-briefly"
        turn.aside(key, minutes=minutes)


def note_back(turn: Turn) -> None:
    """Rule 9: the step before is read, and a question follows."""
    turn.note(NoteKind.BACK, step=turn.step_name)
    turn.tone("taken")


def say_nothing_before(turn: Turn) -> None:
    """There is no earlier step to go back to."""
    turn.hush()
    turn.aside("nothing-before")
    if turn.state.status == "prompting":
        say_step(turn)


def note_led_out(turn: Turn) -> None:
    """Rule 31: a wearer alone cannot end a session with something on; it has to come off first."""
    turn.note(NoteKind.DEVIATION, step=turn.step_name, what="end session: it comes off first")
    turn.aside("comes-off-first")


def refuse_sound(turn: Turn) -> None:
    """Rule 25: from here on no sound is kept; the edge that keeps it also deletes what it has."""
    said = "intro-audio-none" if turn.state.audio == "none" else "audio-deleted"
    turn.set(audio="none")
    turn.note(NoteKind.NO_AUDIO)
    turn.hush()
    turn.aside(said)


def say_wear_limit(turn: Turn) -> None:
    """Say that the site's wear limit is reached, and set the timer for saying it again."""
    turn.note(NoteKind.WEAR_LIMIT)
    turn.aside("wear-limit")
    turn.timer("wear", WEAR_AGAIN_S)


def say_key_begins_removal(turn: Turn) -> None:
    """Without a recogniser only a key leads from work to removal; each check says so."""
    turn.aside("ears-lost-work")
    turn.timer("check", turn.setup.site.check_s)


def note_part_lost(turn: Turn) -> None:
    """Rule 19: say, show and record that a part is lost, and go on without it."""
    event = turn.event
    assert isinstance(event, PartLost)
    if event.part in turn.state.lost:
        return
    if event.part != "signal":
        turn.set(lost=(*turn.state.lost, event.part))
    turn.note(NoteKind.GAP, part=event.part, why=event.why)
    if event.part == "ears":
        turn.set(paced=True)
        turn.cancel("silence")
    if event.part in SAID_WHEN_LOST:
        turn.aside(f"{event.part}-lost")
    if event.part == "ears" and turn.state.status == "working":
        turn.aside("ears-lost-work")


def note_part_back(turn: Turn) -> None:
    """Say and record that a part works again."""
    event = turn.event
    assert isinstance(event, PartBack)
    if event.part not in turn.state.lost:
        return
    turn.set(lost=tuple(part for part in turn.state.lost if part != event.part))
    turn.note(NoteKind.GAP_OVER, part=event.part)
    if event.part == "ears":
        # nobody could answer meanwhile: that was no silence
        turn.set(paced=False, silence=0, waiting_since=None)
        turn.cancel("pace")
    if event.part in {"ears", "disk", "keys"}:
        turn.aside(f"{event.part}-back")
    wait(turn)


def note_gap(turn: Turn) -> None:
    """Rule 21: record that the session was cut off, and say so."""
    event = turn.event
    gap_s = event.gap_s if isinstance(event, Reopened) else 0.0
    turn.note(NoteKind.GAP, part="session", gap_s=round(gap_s, 1), why=event.why if isinstance(event, Reopened) else "")
    # again: a kill may have come between putting it on and the line about it
    turn.note(NoteKind.LEDGER, on=",".join(turn.state.ledger.on()), hands=turn.state.ledger.hands)
    turn.cancel(*STEP_TIMERS, "wear")
    turn.hush()
    turn.set(held="", pending=None, lost=(), paced=False)
    turn.aside("stopped")
    if isinstance(event, Reopened) and event.shared:
        turn.set(independent=False)
        turn.aside("intro-one-microphone")
        turn.note(NoteKind.NOT_INDEPENDENT, why="one microphone is left: roles are told apart by their words only")
    if turn.state.worn_since is not None:
        set_wear_timer(turn, worn_s=(turn.state.at - turn.state.worn_since) / CLOCK_HZ)


ACTIONS: dict[str, Callable[[Turn], None]] = {
    action.__name__: action
    for action in (
        freeze, ask_what_happened, note_went_on, note_touched, pause, note_paced_on, give_information, note_back,
        say_nothing_before,
        refuse_sound, note_led_out, say_wear_limit, say_key_begins_removal, say_sound_trouble, note_part_lost,
        note_part_back, note_gap,
    )
}  # fmt: skip
