from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from voicecoach.debrief.story import clock, deaf, prompts, steps, worn
from voicecoach.debrief.timeline import SpokenText, counts, heard_against_said, rows
from voicecoach.record.read import Session
from voicecoach.session.effects import Close, Note, Say, Tone
from voicecoach.session.events import CLOCK_HZ, Heard, Opened, PartBack, PartLost, PromptEnded, Reopened

Maker = Callable[..., Session]
S = CLOCK_HZ


def heard(command: str | None, begin_s: float, end_s: float, **more: object) -> Heard:
    begin, end = int(begin_s * S), int(end_s * S)
    return Heard(end + S // 4, command, begin=begin, end=end, **more)  # type: ignore[arg-type]


def test_rows_tell_who_said_what_and_when(record: Maker) -> None:
    session = record(
        [
            (Opened(0, "pair", "phonemes", "clips", True, True), (Say(1, "Gown off."),)),
            (PromptEnded(2 * S, 1, 1.5, False), ()),
            (heard(None, 2.0, 2.5, phrase="gone", role="wearer", score=-4.0, floor=-2.0, near="breach"), ()),
            (
                heard("gown-off", 3.0, 3.75, score=-0.5, floor=-2.0),
                (Tone("taken"), Note("step-confirmed", (("step", "g"),))),
            ),
            (PartLost(5 * S, "ears", "the child died"), ()),
            (Heard(6 * S, "confirm", role="observer", source="key"), (Close("ended"),)),
        ]
    )
    assert [(row.time, row.who, row.what, row.text, row.mark) for row in rows(session)] == [
        ("00:00.0", "record", "session", "pair, recogniser phonemes, audio clips, training only", ""),
        ("00:00.0", "coach", "prompt", "Gown off.", ""),
        ("00:02.0", "coach", "cut", "prompt 1 after 1.5 s", ""),
        ("00:02.8", "wearer", "refused", "refused: gone (-4.0, floor -2.0, near breach)", "near"),
        ("00:04.0", "wearer", "heard", "gown-off (-0.5, floor -2.0)", "taken"),
        ("00:04.0", "coach", "tone", "taken", ""),
        ("00:04.0", "record", "step", "step confirmed: g", ""),
        ("00:05.0", "record", "lost", "ears: the child died", "gap"),
        ("00:06.0", "observer", "heard", "confirm (key)", "taken"),
        ("00:06.0", "record", "session", "closed: ended", ""),
    ]


@given(st.floats(0, 100_000))
def test_a_time_never_shows_sixty_seconds(at_s: float) -> None:
    minutes, seconds = clock(at_s).split(":")
    assert float(seconds) < 60
    assert int(minutes) * 60 + float(seconds) == pytest.approx(at_s, abs=0.051)


def test_a_prompt_sounds_from_its_first_sample_to_its_last(record: Maker) -> None:
    session = record(
        [
            (Heard(S, "a"), (Say(1, "one"), Say(2, "two"))),
            (PromptEnded(3 * S, 1, 1.5, True), ()),
            (PromptEnded(4 * S, 2, 1.0, False), (Say(3, "three"),)),
        ]
    )
    spoken_prompts = [(one.text, one.begin_s, one.end_s, one.complete) for one in prompts(session)]
    assert spoken_prompts == [("one", 1.5, 3.0, True), ("two", 3.0, 4.0, False), ("three", 4.0, 4.0, False)]


def test_steps_things_worn_and_deaf_times_are_stretches(record: Maker) -> None:
    session = record(
        [
            (Heard(1 * S, "x"), (Note("ledger", (("on", "gown, hood"),)),)),
            (Heard(3 * S, "x"), (Note("step-confirmed", (("step", "first"), ("role", "wearer"))),)),
            (PartLost(4 * S, "ears", "hung"), ()),
            (PartBack(6 * S, "ears"), (Note("ledger", (("gown", "off"),)),)),
            (PartLost(7 * S, "disk", "full"), ()),
            (Reopened(9 * S, 1.5, "killed"), (Note("step-confirmed", (("step", "second"),)),)),
        ]
    )
    assert [(one.name, one.begin_s, one.end_s, one.why) for one in steps(session)] == [
        ("first", 0, 3, "wearer"),
        ("second", 3, 9, ""),
    ]
    assert [(one.name, one.begin_s, one.end_s) for one in worn(session)] == [("gown", 1, 6), ("hood", 1, 9)]
    assert [(one.name, one.begin_s, one.end_s) for one in deaf(session)] == [
        ("ears lost", 4, 6),
        ("2 s not running", 7.5, 9),
    ]


def test_what_was_heard_is_judged_against_what_was_said(record: Maker) -> None:
    session = record(
        [
            (heard("done", 1.1, 1.6), ()),
            (heard(None, 3.0, 4.0, phrase="gone"), ()),
            (heard("back", 5.0, 5.5), ()),
            (heard(None, 7.0, 9.0), ()),
            (heard("gown-off", 11.0, 12.0), ()),
            (heard("breach", 15.0, 15.4), ()),
            (heard("breach", 15.5, 16.0), ()),
            (heard("stop", 20.0, 20.5), ()),
            (heard("repeat", 25.0, 25.5), ()),
            (heard("done", 25.6, 26.0), ()),
        ]
    )
    said = [
        (int(begin * S), int(end * S), text, meant)
        for begin, end, text, meant in [
            (1.0, 1.5, "done", "done"),
            (3.1, 3.6, "done", "done"),
            (5.0, 5.5, "done", "done"),
            (7.0, 9.0, "it was a long day", None),
            (11.0, 12.0, "my gown is rough", None),
            (14.8, 16.1, "breach, breach", "breach"),
            (17.0, 17.5, "dry", "dry"),
            (25.0, 26.0, "repeat it, done", "repeat"),
        ]
    ]
    verdicts = [(one.said, one.verdict) for one in heard_against_said(session, said)]
    assert verdicts == [
        ("done", "understood"),
        ("done", "missed"),
        ("done", "wrong"),
        ("it was a long day", "rightly ignored"),
        ("my gown is rough", "chatter taken"),
        ("breach, breach", "understood"),
        ("dry", "missed"),
        ("", "nothing said"),
        ("repeat it, done", "wrong"),
    ]
    assert dict(counts(heard_against_said(session, said)))["missed"] == 2


def test_with_nothing_said_every_command_is_heard_from_nothing(record: Maker) -> None:
    session = record([(heard("done", 1, 2), ()), (heard(None, 3, 4), ())])
    assert [one.verdict for one in heard_against_said(session, [])] == ["nothing said"]
    assert [one.verdict for one in heard_against_said(session, [SpokenText(0, 9 * S, "x", None)])] == ["chatter taken"]
