"""Everything that was said in a session, by whom, and how clearly it was heard. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

from voicecoach.debrief.story import DANGER, prompts, utterances
from voicecoach.record.read import Session
from voicecoach.session.events import Heard

SURE, WELL = 1.0, 0.3
"""Margins over the floor from which a word counts as heard clearly, and well (log-odds per phone; judgement)."""
SHOWN_MARGIN = 2.0
"""Margin over the floor at which the meter is full."""

SpeechKind = Literal["coach", "taken", "refused", "danger"]
ClipNumbers = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class TranscriptRow:
    """Something said. share: how clearly, 0 to 1; None for keys and typed words. clips: the numbers of its sounds."""

    at_s: float
    end_s: float
    who: str
    text: str
    kind: SpeechKind
    sure: str = ""
    share: float | None = None
    clips: ClipNumbers = ()


def transcript(session: Session, clips: Callable[[float, float], ClipNumbers]) -> tuple[TranscriptRow, ...]:
    """Everything that was said, by time.

    Args:
        session: the record. clips: gives the numbers of the sounds within a stretch (s, s).
    """
    return tuple(sorted(_rows(session, clips), key=lambda row: (row.at_s, row.end_s)))


def _rows(session: Session, clips: Callable[[float, float], ClipNumbers]) -> Iterator[TranscriptRow]:
    for prompt in prompts(session):
        text = prompt.text if prompt.complete or prompt.end_s <= prompt.begin_s else f"{prompt.text} … (cut short)"
        yield TranscriptRow(prompt.begin_s, prompt.end_s, "Coach", text, "coach")
    for one in utterances(session):
        heard = one.heard
        sure, share = sureness(heard)
        yield TranscriptRow(
            one.begin_s,
            one.end_s,
            "Somebody" if heard.role == "unknown" else str(heard.role).capitalize(),
            words(heard),
            "danger" if heard.command in DANGER else "taken" if heard.command else "refused",
            sure,
            share,
            clips(one.begin_s, max(one.end_s, one.begin_s + 0.05)),
        )


def words(heard: Heard) -> str:
    """The words as heard; the best guess if they were refused."""
    if heard.command:
        return heard.phrase or heard.command.replace("-", " ")
    guess = f"sounded like “{heard.phrase}”" if heard.phrase else "unknown words"
    return guess + (f", near “{heard.near}”" if heard.near else "")


def sureness(heard: Heard) -> tuple[str, float | None]:
    """How clearly it was heard, in words and from 0 to 1."""
    if heard.source != "voice":
        return ("by key", None) if heard.source == "key" else ("typed", None)
    margin = heard.score - heard.floor
    if margin != margin:  # noqa: PLR0124  not a number
        return "unknown", None
    share = min(1.0, max(0.0, 0.5 + margin / (2 * SHOWN_MARGIN)))
    if heard.command is None:
        return "not accepted", share
    return ("clearly" if margin >= SURE else "well" if margin >= WELL else "barely"), share
