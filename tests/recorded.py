"""Records written event by event, for the tests of the record and of the debrief."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from voicecoach.record.journal import Journal
from voicecoach.record.manifest import Manifest
from voicecoach.record.read import Session, read
from voicecoach.session.effects import Close, Effect, Note, Say, StopSpeaking, Tone
from voicecoach.session.events import (
    CLOCK_HZ,
    Event,
    Heard,
    Opened,
    PartBack,
    PartLost,
    PromptEnded,
    Role,
    TimerFired,
)


class Wall:
    """A wall clock that the test owns: a second a look."""

    def __init__(self) -> None:
        self.now = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now


@pytest.fixture
def wall() -> Wall:
    return Wall()


@pytest.fixture
def made_with() -> Manifest:
    return Manifest("typed", "pair", "clips", "gown 1", "en 1", ("wearer", "observer"), {"voicecoach": "0.1.0"})


Steps = list[tuple[Event, tuple[Effect, ...]]]


@pytest.fixture
def record(tmp_path: Path, made_with: Manifest, wall: Wall) -> Callable[[Steps], Session]:
    """Writes a session of these events and effects, and reads it back."""

    def make(steps: Steps, name: str = "session") -> Session:
        copies = {"protocol.yaml": b"protocol: gown\n"}
        journal = Journal.create(tmp_path / name, made_with, copies, wall=wall, patience_s=30)
        for event, effects in steps:
            journal.write_effects(journal.write(event).seq, effects)
        assert journal.close()
        return read(tmp_path / name)

    return make


class Play:
    """Puts a session together moment by moment, as the coach would have recorded it."""

    def __init__(self) -> None:
        self.steps: Steps = []
        self.now_s = 0.0
        self._prompt = 0

    def put(self, event: Event, *effects: Effect) -> None:
        self.steps.append((event, effects))

    def at(self) -> int:
        return int(self.now_s * CLOCK_HZ)

    def say(self, text: str, *, cut_s: float | None = None) -> None:
        """The coach says it, to the end or cut short after some seconds."""
        self._prompt += 1
        event, effects = self.steps[-1]
        self.steps[-1] = (event, (*effects, Say(self._prompt, text)))
        length_s = cut_s if cut_s is not None else 0.3 + len(text) / 15
        self.now_s += length_s
        self.put(PromptEnded(self.at(), self._prompt, length_s, cut_s is None))

    def hear(
        self, command: str | None, phrase: str, *effects: Effect, after_s: float = 0.8, role: Role = "wearer"
    ) -> None:
        """Somebody says it."""
        begin_s = self.now_s + after_s
        end_s = begin_s + 0.2 + len(phrase) / 16
        self.now_s = end_s + 0.4
        begin, end = int(begin_s * CLOCK_HZ), int(end_s * CLOCK_HZ)
        score = -0.4 if command else -3.1
        self.put(Heard(self.at(), command, phrase, begin, end, role=role, score=score, floor=-2.0), *effects)


def note(what: str, **details: str) -> Note:
    return Note(what, tuple(details.items()))


@pytest.fixture
def scene(record: Callable[[Steps], Session]) -> Session:
    """A removal with chatter, a breach over a prompt, a deaf stretch, a deviation and a confirmation of no worth."""
    play = Play()
    worn = ["boot covers", "gown", "respirator", "hood", "shield", "inner gloves", "outer gloves"]
    play.put(Opened(0, "pair", "phonemes", "clips", True, False), note("ledger", on=", ".join(worn)))
    play.say("This is training only. I keep short clips of your voice.")
    play.say("Hand rub, all over both outer gloves.")
    play.hear(None, "where did I put that")
    play.hear("rubbing", "rubbing", Tone("taken"))
    play.now_s += 30
    play.put(TimerFired(play.at(), "rub"), Tone("time-up"))
    play.hear("dry", "dry", Tone("taken"), note("step-confirmed", step="disinfect-outer-gloves", role="wearer"))
    play.say("Take off the outer gloves. Roll them, don't snap.")
    play.hear(
        "gloves-off", "gloves off", note("step-refused", step="outer-gloves-off", why="wrong role"), role="observer"
    )
    worn.remove("outer gloves")
    play.hear("gloves-off", "gloves off", note("step-confirmed", step="outer-gloves-off", role="wearer"))
    play.put(play.steps.pop()[0], note("ledger", on=", ".join(worn)), note("step-confirmed", step="outer-gloves-off"))
    play.say("Look at both inner gloves, all over. Clear, torn, or", cut_s=2.1)
    play.hear("breach", "breach breach", StopSpeaking(), note("breach", kind="breach", step="inspect"), after_s=-0.4)
    play.say("Stop. Hands away. Disinfect.")
    play.hear("dry", "dry", note("step-confirmed", step="breach-rub", role="wearer"))
    play.put(PartLost(play.at(), "ears", "the recogniser died"), note("gap", part="ears"))
    play.now_s += 4.5
    play.put(PartBack(play.at(), "ears"))
    play.say("I hear again. Shield off, please, from behind.")
    worn.remove("shield")
    play.hear("shield-off", "shield off", note("ledger", on=", ".join(worn)))
    play.hear(
        "confirm", "confirm", note("not-independent", step="shield-off"), note("step-confirmed", step="shield-off")
    )
    play.put(
        Heard(play.at(), "done", role="assistant", source="key"), note("deviation", step="hood", why="went on alone")
    )
    play.say("Hood off.")
    worn.remove("hood")
    play.hear("hood-off", "hood off", note("ledger", on=", ".join(worn)), note("step-confirmed", step="hood-off"))
    play.put(Heard(play.at(), "end-session", source="key"), note("wear-time", minutes="3"), note("end", worn="gown"))
    play.put(TimerFired(play.at(), "end"), note("something-new", a="<b>"), Close("ended"))
    return record(play.steps)
