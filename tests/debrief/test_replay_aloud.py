"""The sound of a session put together again, and heard again with another recogniser."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from simulated import Plan, run
from typer.testing import CliRunner

from voicecoach.audio.line import RATE_HZ, Block
from voicecoach.audio.wav import decode_wav
from voicecoach.cli.main import main
from voicecoach.debrief.moments import moments
from voicecoach.debrief.story import prompts
from voicecoach.errors import InputError
from voicecoach.grammar import parse
from voicecoach.record.read import Session, read
from voicecoach.runtime.aloud import conversation, moment_s
from voicecoach.runtime.library import load_grammar
from voicecoach.runtime.rehear import rehear, with_floor
from voicecoach.session.events import Event, Heard
from voicecoach.speak.silent import MARKER, SilentVoice


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Session:
    """A practice whose every word has a tone as its sound."""
    return read(
        run(Plan(protocol="short-practice", slips=0.1, seed=3, sound=True), tmp_path_factory.mktemp("aloud") / "s")
    )


def spoken(session: Session, **changes: object) -> list[Heard]:
    return [replace(event, source="voice", **changes) for event in session.events if isinstance(event, Heard)]  # type: ignore[arg-type]


def by_voice(session: Session) -> Session:
    """The same session, as if a recogniser had heard it."""
    lines = tuple(
        replace(line, event=replace(line.event, source="voice")) if isinstance(line.event, Heard) else line
        for line in session.lines
    )
    return replace(session, lines=lines)


def test_the_sound_has_every_prompt_and_every_kept_word_in_its_place(session: Session) -> None:
    made = conversation(session, SilentVoice(), quiet_s=1e6)
    for moment in moments(session):
        heard = made.samples[moment.begin + 4000 : moment.begin + 6000]
        assert np.abs(heard).max() > 0.2, moment
    for prompt in prompts(session)[:20]:
        at = round(prompt.begin_s * RATE_HZ) + 100
        assert np.abs(made.samples[at : at + 50]).max() >= MARKER / 2


def test_long_quiet_is_shortened_and_the_marks_say_where(session: Session) -> None:
    whole, short = conversation(session, SilentVoice(), quiet_s=1e6), conversation(session, SilentVoice())
    assert len(short.samples) < len(whole.samples) / 2
    assert len(short.marks) > 1
    for sound_s, session_s in short.marks[1:]:
        assert short.session_s(sound_s + 0.5) == pytest.approx(session_s + 0.5)
        here, there = round(sound_s * RATE_HZ), round(session_s * RATE_HZ)
        assert np.array_equal(short.samples[here : here + 800], whole.samples[there : there + 800])


def test_it_begins_where_one_wants(session: Session) -> None:
    whole, late = conversation(session, SilentVoice()), conversation(session, SilentVoice(), moment_s("1:00"))
    assert len(late.samples) < len(whole.samples)
    assert late.marks[0] == (0.0, 60.0)
    with pytest.raises(InputError, match="ends at"):
        conversation(session, SilentVoice(), 1e5)


@pytest.mark.parametrize(("text", "seconds"), [("0", 0), ("75", 75), ("1:15", 75), ("12:30.5", 750.5)])
def test_a_moment_is_minutes_and_seconds(text: str, seconds: float) -> None:
    assert moment_s(text) == seconds


@pytest.mark.parametrize("text", ["", "soon", "-3", "1:2:3", "nan"])
def test_what_is_not_a_moment_is_reported(text: str) -> None:
    with pytest.raises(InputError, match="is not a time"):
        moment_s(text)


def test_without_a_sound_card_it_becomes_a_file(
    session: Session, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("voicecoach.cli.replay.Voice", SilentVoice)
    target = tmp_path / "out.wav"
    done = CliRunner().invoke(main, ["replay", str(session.folder), "--aloud", "--from", "0:30", "--wav", str(target)])
    assert done.exit_code in {0, 3}, done.output
    samples, rate_hz = decode_wav(target.read_bytes())
    assert rate_hz == RATE_HZ
    assert len(samples) == len(conversation(session, SilentVoice(), 30.0).samples)
    assert "00:00.0 in the file is 00:30.0 in the session" in done.output


class Script:
    """A recogniser that hears what it is told to, wherever it is."""

    engine = "scripted"

    def __init__(self, says: list[Heard]) -> None:
        self.says = says
        self.live: list[tuple[str, ...]] = []
        self.fed: list[tuple[int, int]] = []

    def listen(self, commands: tuple[str, ...]) -> None:
        self.live.append(commands)

    def feed(self, block: Block) -> None:
        self.fed.append((block.at, block.end))

    def poll(self) -> list[Event]:
        begin, end = self.fed[0][0], self.fed[-1][1]
        self.fed.clear()
        return [one for one in self.says if begin <= one.begin < end]

    def restart(self) -> None:
        pass

    def close(self) -> None:
        pass


def test_the_same_recogniser_hears_no_difference(session: Session) -> None:
    result = rehear(by_voice(session), Script(spoken(session)))
    assert result.said == len(spoken(session))
    assert result.differences == ()


def test_each_kind_of_difference_is_reported(session: Session) -> None:
    then = spoken(session)
    taken = [n for n, one in enumerate(then) if one.command is not None]
    changed = list(then)
    changed[taken[1]] = replace(then[taken[1]], command="stop")
    changed[taken[2]] = replace(then[taken[2]], at=then[taken[2]].at + RATE_HZ)
    changed[taken[3]] = replace(then[taken[3]], at=then[taken[3]].at - RATE_HZ)
    del changed[taken[5]]
    differences = {one.kind: one for one in rehear(by_voice(session), Script(changed)).differences}
    assert set(differences) == {"otherwise", "later", "earlier", "not at all"}
    assert differences["otherwise"].describe() == f"otherwise: {then[taken[1]].command} -> stop"
    assert differences["later"].by_s == pytest.approx(1.0)
    assert differences["not at all"].was == then[taken[5]].command


def test_a_word_heard_from_nothing_is_reported(session: Session) -> None:
    extra = replace(
        spoken(session)[0], begin=moments(session)[1].begin, end=moments(session)[1].begin + 100, command="stop"
    )
    differences = rehear(by_voice(session), Script([*spoken(session), extra])).differences
    assert [(one.kind, one.now) for one in differences] == [("newly", "stop")]


def test_the_recogniser_is_told_what_could_be_meant_then(session: Session) -> None:
    ear = Script([])
    rehear(by_voice(session), ear)
    assert len(ear.live) == len(moments(session))
    then = spoken(session)
    assert all(
        one.command in live for one, live in zip(then, ear.live, strict=True) if one.command and one.command != "done"
    )


def test_floors_are_raised_all_together() -> None:
    words, text = load_grammar("en")
    moved = parse(with_floor(text, 0.5), "en.yaml")
    for command in words.commands:
        assert moved.floor(command.name) == pytest.approx(words.floor(command.name) + 0.5)
    with pytest.raises(InputError, match="has no floors"):
        with_floor("grammar: en\n", 1)


@pytest.mark.long
def test_a_folder_of_sessions_is_heard_again_with_the_real_recogniser_by_every_core(tmp_path: Path) -> None:
    for number in range(2):
        folder = run(
            Plan(protocol="short-practice", seed=number, slips=0.0, sound=True), tmp_path / "all" / f"s{number}"
        )
        events = folder / "events.jsonl"
        assert events.exists()
    done = CliRunner().invoke(main, ["replay", str(tmp_path / "all"), "--hear", "phonemes"])
    assert done.exit_code == 0, done.output
    # the tones are no words, and what was typed is not compared: nothing may be heard in them
    assert done.output.strip().endswith("2 sessions, 0 utterances, 0 heard differently")


def test_options_that_do_not_go_together_are_reported(session: Session, tmp_path: Path) -> None:
    folder = str(session.folder)
    for more, said in (
        (["--floor", "1"], "need --hear"),
        (["--from", "1:00"], "need --aloud"),
        ([folder], "several folders"),
        (["--hear", "parrot"], "'parrot' is not an engine"),
    ):
        done = CliRunner().invoke(main, ["replay", folder, *more])
        assert done.exit_code == 2, (more, done.output)
        assert said in " ".join(done.output.split()), (more, done.output)
