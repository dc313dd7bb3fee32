from collections.abc import Callable
from pathlib import Path

import pytest

from voicecoach.debrief.replay import read_copy, replay
from voicecoach.errors import RecordError
from voicecoach.record.read import Session
from voicecoach.session.effects import Close, Effect, Note, Say, SetTimer
from voicecoach.session.events import Event, Heard, Reopened, TimerFired


class CountingMachine:
    """A toy machine: says how often it heard anything."""

    def __init__(self, word: str = "Heard", *, more: bool = False, mute: bool = False) -> None:
        self._word, self._more, self._mute = word, more, mute

    def start(self) -> int:
        return 0

    def step(self, state: int, event: Event) -> tuple[int, tuple[Effect, ...]]:
        if not isinstance(event, Heard):
            return state, ()
        state += 1
        made: tuple[Effect, ...] = (
            Say(state, f"{self._word} {state}."),
            Note("count", (("n", str(state)), ("score", str(event.score)))),
            SetTimer("silence", 20.0),
        )
        if self._mute:
            made = made[:1]
        return state, (*made, Close("x")) if self._more else made


def play(events: list[Event], cut: dict[int, int] | None = None) -> list[tuple[Event, tuple[Effect, ...]]]:
    machine, state, found = CountingMachine(), 0, []
    for index, event in enumerate(events):
        state, made = machine.step(state, event)
        found.append((event, made[: (cut or {}).get(index, 99)]))
    return found


EVENTS: list[Event] = [Heard(100, "done", score=-0.1), TimerFired(200, "rub"), Heard(300, None, score=float("-inf"))]
Maker = Callable[..., Session]


def test_the_same_events_give_the_same_effects_again(record: Maker) -> None:
    session = record(play(EVENTS))
    result = replay(session.folder, lambda _: CountingMachine())
    assert result.same
    assert (result.events, result.effects, result.cut) == (3, 6, 0)


@pytest.mark.parametrize(
    ("machine", "told"),
    [
        (
            CountingMachine("Got"),
            'Event 1 (heard, at 0.01 s): the record has say (prompt 1, text "Heard 1.", skip_s 0.0), the replay',
        ),
        (CountingMachine(more=True), 'Event 1 (heard, at 0.01 s): the replay also has close (reason "x").'),
        (CountingMachine(mute=True), "Event 1 (heard, at 0.01 s): the replay lacks note (what "),
    ],
)
def test_the_first_difference_is_reported_as_a_sentence(record: Maker, machine: CountingMachine, told: str) -> None:
    result = replay(record(play(EVENTS)).folder, lambda _: machine)
    assert not result.same
    assert result.difference is not None
    assert result.difference.startswith(told)
    assert result.difference.endswith(".")


def test_effects_that_a_kill_cut_off_are_no_difference(record: Maker) -> None:
    events: list[Event] = [EVENTS[0], Reopened(250, 1.0, "killed"), EVENTS[2]]
    result = replay(record(play(events, cut={0: 1, 2: 0})).folder, lambda _: CountingMachine())
    assert result.same
    assert (result.effects, result.cut) == (1, 2)


def test_effects_missing_in_the_middle_are_a_difference(record: Maker) -> None:
    result = replay(record(play(EVENTS, cut={0: 1})).folder, lambda _: CountingMachine())
    assert result.difference is not None
    assert "the replay also has note" in result.difference


def test_a_damaged_record_is_not_replayed(record: Maker) -> None:
    path = record(play(EVENTS)).folder / "events.jsonl"
    path.write_bytes(path.read_bytes().replace(b"Heard 2", b"Heard 3"))
    assert (
        replay(path.parent, lambda _: CountingMachine()).difference
        == "The record is damaged at line 7: it cannot be replayed."
    )


def test_a_copy_is_read_only_as_the_manifest_knows_it(record: Maker) -> None:
    session = record(play(EVENTS))
    assert read_copy(session, "protocol.yaml") == "protocol: gown\n"
    assert read_copy(session, "site.yaml") is None
    (session.folder / "protocol.yaml").write_text("protocol: other\n")
    with pytest.raises(RecordError, match="is not the file that the session was made with"):
        read_copy(session, "protocol.yaml")
    Path(session.folder / "protocol.yaml").unlink()
    with pytest.raises(RecordError, match="is missing"):
        read_copy(session, "protocol.yaml")
