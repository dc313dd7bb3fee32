"""What was said as captions beside the sound: WebVTT (W3C, 2019). Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from voicecoach.debrief.pages.html import clean
from voicecoach.debrief.stretches import of_incidents
from voicecoach.debrief.transcript import TranscriptRow, transcript
from voicecoach.record.read import Session

SHORTEST_S = 1.0
"""Least duration of a caption (s)."""


def to_webvtt(session: Session, *, incidents_only: bool = False) -> str:
    """Everything that was said, one cue each, on the session clock; the cue's voice is the speaker."""
    rows: Iterable[TranscriptRow] = transcript(session, lambda _, __: ())
    if incidents_only:
        rows = of_incidents(session, rows, lambda row: row.at_s)
    return "WEBVTT\n\n" + "\n".join(_cues(rows))


def _cues(rows: Iterable[TranscriptRow]) -> Iterator[str]:
    for number, row in enumerate(rows, start=1):
        end_s = max(row.end_s, row.at_s + SHORTEST_S)
        yield f"{number}\n{_time(row.at_s)} --> {_time(end_s)}\n<v {_text(row.who)}>{_text(row.text)}\n"


def _time(at_s: float) -> str:
    ms = round(max(0.0, at_s) * 1000)
    return f"{ms // 3_600_000:02d}:{ms // 60_000 % 60:02d}:{ms // 1000 % 60:02d}.{ms % 1000:03d}"


def _text(text: str) -> str:
    one_line = " ".join(clean(text).split())
    return one_line.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
