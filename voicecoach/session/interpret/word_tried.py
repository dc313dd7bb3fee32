"""What is heard while the voice check asks for a word. Pure."""

from __future__ import annotations

from dataclasses import replace

from voicecoach.protocol.navigation.arrival import arrive
from voicecoach.protocol.navigation.moves import onward
from voicecoach.protocol.place import Place
from voicecoach.session.events import Heard
from voicecoach.session.interpret.intent import Intent
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState
from voicecoach.session.voice_check import VOICE_CHECK, VoiceTry, next_word

OTHER_WORDS = ("stop", "repeat", "pause")
"""Words that keep their usual meaning, unless they are the word asked for."""


def checked_first(setup: Setup, state: SessionState, found: Intent) -> Intent:
    """The intent, or the voice check first if the site wants one: on the way from dressing to work, and on the way to a
    removal that nothing hurries.
    """
    to = found.arrival
    if to is None or state.paced or state.place.detours or found.trigger == "voice_checked":
        return found
    stage = state.place.stage
    before_work = stage == "dress" and to.kind == "work" and setup.site.voice_check and not state.voice
    calm = stage == "work" and found.trigger == "replied"
    if not before_work and not (calm and _checked_again(setup, state, to.place)):
        return found
    name, _ = next_word(setup, state.tries)
    here = state.place.with_due(False)
    return replace(found, arrival=to._replace(kind="question", place=here, question=VOICE_CHECK, about=name))


def _checked_again(setup: Setup, state: SessionState, to: Place) -> bool:
    """Whether the check is repeated on the way to `to`: not when an incident or doubt about what is worn hurries it."""
    hurried = state.handling or state.owed or state.salvaged
    wanted = setup.site.voice_check_removal and not state.voice_again
    return wanted and to.stage == "undress" and not to.detours and not hurried


def word_tried(setup: Setup, state: SessionState, event: Heard) -> Intent | None:
    """The meaning of an utterance while the check asks for a word; None if it has nothing to do with the check."""
    about, command = state.about, event.command
    other = event.role in {"observer", "assistant"} and state.independent
    if state.sounding or other or (event.near and event.near != about):
        return None
    if command == "skip":
        return check_over(setup, state, "skipped")
    if command != about and command in OTHER_WORDS:
        return None
    name, _ = next_word(setup, (*state.tries, this_try(setup, state, event)))
    if not name:
        return check_over(setup, state, "judged")
    return Intent("tried_word", question=VOICE_CHECK, about=name)


def check_over(setup: Setup, state: SessionState, word: str) -> Intent:
    """On to work, or to removal. word: 'judged', or 'skipped'."""
    if state.place.stage == "work":
        return Intent("voice_checked", arrive(setup.protocol, state.position.at(Place("undress", 0))), word=word)
    return Intent("voice_checked", onward(setup.protocol, state.position, state.ledger), word=word)


def this_try(setup: Setup, state: SessionState, event: Heard) -> VoiceTry:
    """The utterance as a try of the word asked for."""
    _, words = next_word(setup, state.tries)
    return VoiceTry(state.about, words, event.command or "", event.near == state.about, event.score, event.floor)
