"""The kinds of notes that a session records, each with a label for people. Pure.

A kind's value is what the journal holds and never changes, or older records could not be read. A reader shows a kind
that it does not know by that value (`label_of`).
"""

from __future__ import annotations

from enum import StrEnum
from typing import Self


class NoteKind(StrEnum):
    """A kind of note: its value in the journal, and its label."""

    label: str

    def __new__(cls, value: str, label: str) -> Self:
        """A member that is its journal value and carries a label."""
        member = str.__new__(cls, value)
        member._value_ = value
        member.label = label
        return member

    # the way through the steps
    OPENED = "opened", "session begins"
    STEP = "step", "step begins"
    ACKNOWLEDGED = "acknowledged", "understood"
    ANSWERED = "answered", "answered"
    TIME_STARTED = "time-started", "time runs"
    TIME_UP = "time-up", "time is over"
    STEP_CONFIRMED = "step-confirmed", "step confirmed"
    FOUND_CLEAR = "found-clear", "looked at and clear"
    JUMP = "jump", "step passed over"
    SKIPPED = "skipped", "left out on a word"
    BRANCH = "branch", "another way taken"
    BACK = "back", "went back"
    WORK = "work", "entry: work begins"
    END = "end", "session ends"
    # what is worn
    LEDGER = "ledger", "worn"
    STATUS = "status", "worn, as told"
    WEAR_TIME = "wear-time", "wear time"
    WEAR_LIMIT = "wear-limit", "wear limit reached"
    # what went wrong
    BREACH = "breach", "breach"
    FALSE_ALARM = "false-alarm", "false alarm"
    EXPOSURE = "exposure", "exposure"
    OWED = "owed", "owed for exposures"
    PAID = "paid", "done for an exposure"
    SUSPECT = "suspect", "may be contaminated"
    TOUCHED = "touched", "touched"
    DEVIATION = "deviation", "deviation"
    NOT_CLEAR = "not-clear", "observer: not clear"
    ALARM = "alarm", "alarm sounded"
    # what cannot be relied on
    STEP_REFUSED = "step-refused", "answer not taken"
    EARLY_ANSWER = "early-answer", "answered too early"
    NOT_CONFIRMED = "not-confirmed", "not confirmed"
    NOT_INDEPENDENT = "not-independent", "not independently confirmed"
    GAP = "gap", "gap"
    GAP_OVER = "gap-over", "gap is over"
    VOICE = "voice", "voice check"
    SOUND = "sound", "the sound was poor"
    BABBLE = "babble", "others kept talking"
    # talk with the coach
    STOPPED = "stopped", "stopped"
    WENT_ON = "went-on", "went on"
    PAUSED = "paused", "paused"
    REPLY = "reply", "answer to a question"
    NO_AUDIO = "no-audio", "no sound kept from here"


KINDS = {str(kind): kind for kind in NoteKind}


def label_of(what: str) -> str:
    """The label of a note by its journal value; an unknown one is shown as it is."""
    kind = KINDS.get(what)
    return kind.label if kind else what.replace("-", " ")
