"""Actions of the voice check: each try is remembered, and the verdict announced at the end. Pure."""

from __future__ import annotations

from collections.abc import Callable

from voicecoach.session.effects import SetFloors
from voicecoach.session.events import Heard
from voicecoach.session.interpret.word_tried import this_try
from voicecoach.session.notes import NoteKind
from voicecoach.session.turn import Turn
from voicecoach.session.voice_check import judge, words


def note_try(turn: Turn) -> None:
    """Remember a try."""
    if isinstance(turn.event, Heard):
        turn.set(tries=(*turn.state.tries, this_try(turn.setup, turn.before, turn.event)))


def note_voice(turn: Turn) -> None:
    """Record and announce what the check shows, for this session only. A check before removal lifts nothing."""
    again = turn.before.place.stage == "work"
    turn.set(voice_again=again)
    if turn.intent.word == "skipped":
        turn.set(voice=turn.state.voice if again else "skipped", tries=())
        turn.note(NoteKind.VOICE, result="skipped on request", training_only=turn.state.training_only)
        if not again:
            turn.aside("voice-skipped")
        return
    note_try(turn)
    found = judge(turn.setup, turn.state.tries, loud="noisy" in turn.state.sound_announced)
    lifted = found.met and bool(turn.setup.site.approved) and not again
    turn.set(voice="met" if found.met else "not met", training_only=turn.state.training_only and not lifted)
    turn.note(
        NoteKind.VOICE,
        result="bars met" if found.met else "bars not met",
        words=len(words(turn.setup)),
        tries=len(turn.state.tries),
        when="before removal" if again else "",
        unheard=" ".join(found.unheard),
        better=", ".join(phrase for _, phrase in found.better),
        mixed_up=", ".join(f"{asked} for {taken}" for asked, taken in found.mixed_up),
        noisy="yes" if found.loud else "",
        floors=", ".join(f"{name} {floor:g}" for name, floor in found.floors),
        training_only=turn.state.training_only,
    )
    turn.set(tries=())  # the voice itself is not kept
    if found.floors:
        turn.set(floors=found.floors)
        turn.effects.append(SetFloors(found.floors))
    if found.met or not again:
        turn.aside("voice-met" if found.met else "voice-not-met")
    if found.better or (again and not found.met):
        turn.aside("voice-better")


ACTIONS: dict[str, Callable[[Turn], None]] = {act.__name__: act for act in (note_try, note_voice)}
