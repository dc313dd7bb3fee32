"""Reassembles a session's sound from the clips that were kept and the prompts in the coach's voice."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.debrief.moments import moments, samples_of
from voicecoach.debrief.story import clock, end_s, prompts
from voicecoach.errors import InputError, RecordError
from voicecoach.record.read import Session
from voicecoach.speak import tones
from voicecoach.speak.port import RenderProgress, Speaker

QUIET_S = 2.0
"""Longer quiet is shortened to this (s), since nothing is kept during twenty minutes of work."""
FADE_S = 0.02


@dataclass(frozen=True, slots=True)
class Conversation:
    """Sound to play. marks: where the sound skips ahead, as (seconds of the sound, seconds of the session). unread:
    clips that could not be read.
    """

    samples: Samples
    marks: tuple[tuple[float, float], ...]
    unread: int = 0

    def session_s(self, sound_s: float) -> float:
        """The session time at a time in the sound (s)."""
        before = (0.0, 0.0)
        for mark in self.marks:
            if mark[0] > sound_s:
                break
            before = mark
        return before[1] + sound_s - before[0]


def moment_s(text: str) -> float:
    """A time in a session, given as 'm:ss' or seconds, in seconds.

    Raises:
        InputError: it is neither.
    """
    minutes, _, seconds = text.rpartition(":")
    try:
        at_s = 60 * int(minutes or 0) + float(seconds)
    except ValueError:
        at_s = -1.0
    if not 0 <= at_s < 1e6:
        raise InputError(f"{text!r} is not a time", where="--from", expected="m:ss, such as 12:30, or seconds")
    return at_s


def conversation(
    session: Session,
    voice: Speaker,
    from_s: float = 0.0,
    quiet_s: float = QUIET_S,
    on_progress: RenderProgress | None = None,
) -> Conversation:
    """Reassemble the sound of a session.

    Args:
        session: the record. voice: renders the prompts. from_s: where to start (s). quiet_s: longer quiet is shortened
        to this (s). on_progress: called while rendering.

    Raises:
        InputError: the session ends before `from_s`.
    """
    if from_s > end_s(session):
        what = f"ends at {clock(end_s(session))}"
        raise InputError(what, where=str(session.folder), expected=f"a time before that, not {clock(from_s)}")
    voice.prepare([prompt.text for prompt in prompts(session) if prompt.end_s > from_s], on_progress)
    unread = 0
    parts: list[tuple[int, Samples]] = [*_prompts(session, voice), *_tones(session)]
    for moment in moments(session):
        try:
            parts.append((moment.begin, samples_of(session, moment).mean(axis=1, dtype=np.float32)))
        except RecordError:
            unread += 1
    start = round(from_s * RATE_HZ)
    parts = sorted(_from(parts, start), key=lambda part: part[0])
    samples, marks = _laid_out(parts, start, round(quiet_s * RATE_HZ))
    return Conversation(samples, marks, unread)


def _prompts(session: Session, voice: Speaker) -> Iterator[tuple[int, Samples]]:
    skipped = {line.data.get("prompt"): line.data.get("skip_s") for line in session.lines if line.kind == "effect"}
    for prompt in prompts(session):
        skip_s = skipped.get(prompt.number)
        sound = voice.sound(prompt.text)[round(float(skip_s if isinstance(skip_s, int | float) else 0) * RATE_HZ) :]
        if not prompt.complete:
            sound = _faded(sound[: round((prompt.end_s - prompt.begin_s) * RATE_HZ)])
        if len(sound):
            yield round(prompt.begin_s * RATE_HZ), sound


def _tones(session: Session) -> Iterator[tuple[int, Samples]]:
    for line in session.lines:
        if line.kind == "effect" and line.data.get("effect") == "tone" and line.data.get("tone") in tones.NAMES:
            yield line.at, tones.sound(str(line.data["tone"]))


def _faded(sound: Samples) -> Samples:
    faded = sound.copy()
    length = min(len(faded), round(FADE_S * RATE_HZ))
    if length:
        faded[-length:] *= np.linspace(1, 0, length, dtype=np.float32)
    return faded


def _from(parts: Sequence[tuple[int, Samples]], start: int) -> Iterator[tuple[int, Samples]]:
    for at, sound in parts:
        if at >= start:
            yield at, sound
        elif at + len(sound) > start:
            yield start, sound[start - at :]


def _laid_out(
    parts: Sequence[tuple[int, Samples]], start: int, quiet: int
) -> tuple[Samples, tuple[tuple[float, float], ...]]:
    """The parts mixed at their times, with long quiet shortened, and the marks at which the sound skips ahead."""
    placed: list[tuple[int, Samples]] = []
    marks = [(0.0, start / RATE_HZ)]
    left_out, end = start, start
    for at, sound in parts:
        if at - end > quiet:
            left_out += at - end - quiet
            marks.append(((at - left_out) / RATE_HZ, at / RATE_HZ))
        placed.append((at - left_out, sound))
        end = max(end, at + len(sound))
    mixed = np.zeros(max((at + len(sound) for at, sound in placed), default=0), np.float32)
    for at, sound in placed:
        mixed[at : at + len(sound)] += sound
    return np.clip(mixed, -1, 1, out=mixed), tuple(marks)
