import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from voicecoach import grammar as grammars
from voicecoach.audio.line import RATE_HZ, Block, Sound
from voicecoach.audio.quiet import QuietLine
from voicecoach.errors import InputError
from voicecoach.listen.scripted import WORD_S, ScriptedRecogniser, parse
from voicecoach.session.events import Event, Heard, SpeechEnded, SpeechStarted

GRAMMAR = grammars.parse(
    """
grammar: small
language: en
version: "1"
risks:
  danger: {floor: -3}
  routine: {floor: -2}
  matters: {floor: -2}
commands:
  danger: {breach: breach, no-air: no air}
  routine: {done: done, clear: clear, rubbing: rubbing, dry: dry}
  matters: {confirm: confirm, gown-off: gown off}
""",
    "small.yaml",
)
EVERYTHING = tuple(command.name for command in GRAMMAR.commands)


def ear_of(script: str) -> ScriptedRecogniser:
    ear = ScriptedRecogniser(GRAMMAR, parse(script, "scene.txt"), "scene.txt")
    ear.listen(EVERYTHING)
    return ear


def run(
    ear: ScriptedRecogniser, line: QuietLine, seconds: float, at_s: dict[float, Sound] | None = None
) -> list[Event]:
    """Feed `seconds` of `line` to the recogniser, playing the sounds of `at_s` at their times."""
    waiting = dict(at_s or {})
    found: list[Event] = []
    for number in range(round(seconds * 50)):
        for due_s in [due_s for due_s in waiting if round(due_s * 50) <= number]:
            line.play(waiting.pop(due_s))
        block = line.read(0)
        assert block is not None
        ear.feed(block)
        found += ear.poll()
    return found


def sound(seconds: float, prompt: int = 1) -> Sound:
    return Sound(np.full(round(seconds * RATE_HZ), 0.1, dtype=np.float32), prompt)


def words(events: list[Event]) -> list[tuple[float, str | None, str]]:
    return [(round(e.begin / RATE_HZ, 2), e.command, e.role) for e in events if isinstance(e, Heard)]


def test_an_absolute_time_is_kept_to_the_sample() -> None:
    events = run(ear_of("0.51 wearer: Gown off.  # a comment\n\n# another\n"), QuietLine(), 2)
    begin = round(0.51 * RATE_HZ)
    end = begin + round(2 * WORD_S * RATE_HZ)
    assert events == [
        SpeechStarted(begin, channel=0),
        SpeechEnded(end, channel=0),
        Heard(
            end,
            command="gown-off",
            phrase="Gown off.",
            begin=begin,
            end=end,
            channel=0,
            role="wearer",
            source="typed",
            engine="typed",
        ),
    ]


def test_a_plus_line_waits_until_the_coach_has_been_quiet_for_that_long() -> None:
    ear = ear_of("+0.5 wearer: done\n")
    events = run(ear, QuietLine(), 5, {0.0: sound(1.0, 1), 1.3: sound(0.7, 2)})
    # a gap of 0.3 s between the prompts is not 0.5 s of quiet; the second ends at 2.0
    assert words(events) == [(2.5, "done", "wearer")]
    assert ear.finished


def test_a_plus_line_follows_the_line_before_when_the_coach_says_nothing() -> None:
    events = run(ear_of("0.5 wearer: done\n+0.25 observer: confirm\n"), QuietLine(), 3)
    assert words(events) == [(0.5, "done", "wearer"), (1.1, "confirm", "observer")]


def test_a_tick_while_it_listens_is_not_waited_for() -> None:
    ticks = {tick / 2: sound(0.03, 0) for tick in range(8)}
    assert words(run(ear_of("+1.2 wearer: done\n"), QuietLine(), 4, ticks)) == [(1.2, "done", "wearer")]


def test_an_at_line_is_said_over_the_next_prompt() -> None:
    ear = ear_of("@0.4 wearer: breach\n@0.2 wearer: no air\n")
    events = run(ear, QuietLine(), 6, {1.0: sound(2.0, 1), 3.5: sound(1.0, 2)})
    assert words(events) == [(1.4, "breach", "wearer"), (3.7, "no-air", "wearer")]


def test_an_at_line_takes_prompts_that_follow_at_once_for_two() -> None:
    events = run(
        ear_of("@0.1 wearer: done\n@0.1 wearer: dry\n"), QuietLine(), 4, {0.0: sound(1.0, 1), 0.5: sound(1, 2)}
    )
    assert words(events) == [(0.1, "done", "wearer"), (1.1, "dry", "wearer")]


def test_an_at_line_is_not_set_off_by_a_short_tone() -> None:
    events = run(ear_of("@0.4 wearer: breach\n"), QuietLine(), 5, {0.0: sound(0.2, 0), 2.0: sound(1.0, 1)})
    assert words(events) == [(2.4, "breach", "wearer")]


def test_words_that_no_live_command_has_are_refused_and_the_words_kept() -> None:
    ear = ear_of("0.1 wearer: done\n1 unknown: I'm done\n")
    ear.listen(("confirm",))
    heard = [event for event in run(ear, QuietLine(), 3) if isinstance(event, Heard)]
    assert [(event.command, event.phrase) for event in heard] == [(None, "done"), (None, "I'm done")]


def test_a_near_miss_is_refused_and_named() -> None:
    ear = ear_of("0.1 wearer: bridge ~breach\n")
    (heard,) = [event for event in run(ear, QuietLine(), 1) if isinstance(event, Heard)]
    assert (heard.command, heard.near, heard.phrase) == (None, "breach", "bridge")


def test_a_near_miss_of_a_word_that_is_not_live_does_not_count() -> None:
    ear = ear_of("0.1 wearer: bridge ~breach\n")
    ear.listen(("done",))
    (heard,) = [event for event in run(ear, QuietLine(), 1) if isinstance(event, Heard)]
    assert heard.near is None


def test_what_is_live_at_the_end_of_the_words_counts() -> None:
    ear = ear_of("0.1 wearer: done\n")
    ear.listen(())
    line = QuietLine()
    assert words(run(ear, line, 0.3)) == []
    ear.listen(("done",))
    assert [command for _, command, _ in words(run(ear, line, 0.3))] == ["done"]


def test_the_result_does_not_depend_on_the_block_size() -> None:
    def of(frames: int) -> list[Event]:
        ear = ear_of("0.137 wearer: gown off\n+0.5 observer: confirm\n")
        for at in range(0, 3 * RATE_HZ, frames):
            ear.feed(Block(at, np.zeros((frames, 1), np.float32), np.zeros(frames, np.float32)))
        return ear.poll()

    assert of(320) == of(1000) == of(16000)


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("done", "scene.txt:2: 'done' cannot be read; expected 'TIME ROLE: words'"),
        ("x wearer: done", "scene.txt:2: 'x' is not a time; expected seconds"),
        ("-1 wearer: done", "scene.txt:2: '-1' is not a time"),
        ("nan wearer: done", "scene.txt:2: 'nan' is not a time"),
        ("1 nurse: done", "scene.txt:2: 'nurse' is not a role; expected one of wearer, observer"),
        ("1 wearer:", "scene.txt:2: '1 wearer:' has no words"),
        ("1 wearer: ~breach", "scene.txt:2: '1 wearer: ~breach' has no words"),
        ("1 wearer: bridge ~", "scene.txt:2: '1 wearer: bridge ~' has no words"),
        ("0.5 wearer: done", "scene.txt:2: 0.5 comes after 1"),
    ],
)
def test_a_line_that_cannot_be_read_is_named_with_what_was_expected(line: str, message: str) -> None:
    with pytest.raises(InputError) as caught:
        parse(f"1 wearer: done\n{line}\n", "scene.txt")
    assert str(caught.value).startswith(message)


def test_a_near_miss_of_an_unknown_command_is_named_with_its_line() -> None:
    with pytest.raises(InputError, match=r"scene\.txt:2: 'leak' is not a command"):
        ear_of("1 wearer: done\n2 wearer: leek ~leak\n")


@given(st.text(max_size=200))
def test_any_text_is_a_script_or_an_error_with_its_line(text: str) -> None:
    try:
        parse(text, "scene.txt")
    except InputError as error:
        assert re.match(r"scene\.txt:\d+: ", str(error))  # noqa: PT017 both outcomes are right


def test_a_continued_session_does_not_answer_before_it_speaks() -> None:
    ear = ear_of("+1 wearer: done\n")
    for at in range(160_000, 160_000 + 2 * RATE_HZ, 320):
        ear.feed(Block(at, np.zeros((320, 1), np.float32), np.zeros(320, np.float32)))
    assert words(ear.poll()) == [(11.0, "done", "wearer")]
