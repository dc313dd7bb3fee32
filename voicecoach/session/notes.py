"""The kinds of notes in a record, each with a label for people. Pure.

A kind's value is written to the journal and must never change, or older records could not be read. A reader shows an
unknown kind by its value (`label_of`).
"""

from __future__ import annotations

from enum import StrEnum
from typing import Self


class NoteKind(StrEnum):
    """A kind of note: its value in the journal, and its label."""

    label: str

    def __new__(cls, value: str, label: str) -> Self:
        """A member that equals its journal value and has a label."""
        member = str.__new__(cls, value)
        member._value_ = value
        member.label = label
        return member

    # the course through the steps
    OPENED = "opened", "session begins"
    STEP = "step", "step begins"
    ACKNOWLEDGED = "acknowledged", "understood"
    ANSWERED = "answered", "answered"
    TIME_STARTED = "time-started", "time started"
    TIME_UP = "time-up", "time is over"
    STEP_CONFIRMED = "step-confirmed", "step confirmed"
    FOUND_CLEAR = "found-clear", "looked at and clear"
    JUMP = "jump", "step skipped"
    SKIPPED = "skipped", "skipped on request"
    BRANCH = "branch", "branch taken"
    BACK = "back", "went back"
    WORK = "work", "entry: work begins"
    END = "end", "session ends"
    # what is worn
    LEDGER = "ledger", "worn"
    STATUS = "status", "worn, as stated"
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
    STEP_REFUSED = "step-refused", "answer not accepted"
    EARLY_ANSWER = "early-answer", "answered too early"
    NOT_CONFIRMED = "not-confirmed", "not confirmed"
    NOT_INDEPENDENT = "not-independent", "not independently confirmed"
    GAP = "gap", "gap"
    GAP_OVER = "gap-over", "gap is over"
    VOICE = "voice", "voice check"
    SOUND = "sound", "poor sound"
    BABBLE = "babble", "others kept talking"
    # talk with the coach
    STOPPED = "stopped", "stopped"
    WENT_ON = "went-on", "went on"
    PAUSED = "paused", "paused"
    REPLY = "reply", "answer to a question"
    NO_AUDIO = "no-audio", "no sound kept from here on"


KINDS = {str(kind): kind for kind in NoteKind}


def label_of(what: str) -> str:
    """The label of a note by its journal value; an unknown one is shown as it is."""
    kind = KINDS.get(what)
    return kind.label if kind else what.replace("-", " ")
