"""The loop while nothing fails: order, timers, prompts, clips, ends. What fails has its own tests."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ, Block, Sound
from voicecoach.audio.quiet import QuietLine
from voicecoach.audio.wav import WavLine
from voicecoach.listen.scripted import ScriptedRecogniser, parse
from voicecoach.protocol.model import DANGERS
from voicecoach.record.clips import ClipKeeper
from voicecoach.record.journal import Journal
from voicecoach.record.manifest import Manifest
from voicecoach.record.read import read
from voicecoach.record.verify import verify
from voicecoach.runtime import app, options
from voicecoach.runtime.loop import TICK_S, Coach, Parts
from voicecoach.session.effects import (
    CancelTimer,
    Close,
    Effect,
    Listen,
    Note,
    Say,
    SetTimer,
    StopSpeaking,
    Tone,
)
from voicecoach.session.events import Event, Heard, Opened, PromptEnded, SpeechStarted, TimerFired
from voicecoach.session.machine import Machine
from voicecoach.session.setup import Setup
from voicecoach.session.state import SessionState
from voicecoach.speak.silent import SilentVoice, spoken_s

OPENED = Opened(0, mode="solo", ear="typed", audio="none", training_only=True, independent=False)
Answers = Callable[[Event], tuple[Effect, ...]]


@pytest.fixture(scope="module")
def setup() -> Setup:
    return options.load_setup("short-practice", "en")[0]


@dataclass
class Puppet:
    """A machine that does what the test says; its state is a true one."""

    setup: Setup
    answers: Answers
    seen: list[Event] = field(default_factory=list)
    status: str = "awaiting"

    def start(self) -> SessionState:
        return replace(Machine(self.setup).start(), status=self.status)

    def step(self, state: SessionState, event: Event) -> tuple[SessionState, tuple[Effect, ...]]:
        self.seen.append(event)
        return replace(state, at=event.at), self.answers(event)


class Lips:
    """A recogniser that hears what the test has set: {block number: events}."""

    engine = "twin"

    def __init__(self, words: dict[int, list[Event]] | None = None) -> None:
        self.words = words or {}
        self.live: list[tuple[str, ...]] = []
        self._block = -1

    def listen(self, commands: tuple[str, ...]) -> None:
        self.live.append(commands)

    def feed(self, block: Block) -> None:
        self._block = block.at // BLOCK_FRAMES

    def poll(self) -> list[Event]:
        return self.words.pop(self._block, [])

    def restart(self) -> None:
        raise AssertionError("nothing has died")

    def close(self) -> None:
        pass


class Loud(QuietLine):
    """Keeps what was played."""

    def __init__(self) -> None:
        super().__init__()
        self.sounds: list[Sound] = []
        self.cuts = 0

    def play(self, sound: Sound) -> None:
        self.sounds.append(sound)
        super().play(sound)

    def silence(self) -> None:
        self.cuts += 1
        super().silence()


MADE_WITH = Manifest("typed", "solo", "none", "short-practice 1", "en 1", source="script")


@pytest.fixture
def journal(tmp_path: Path) -> Journal:
    return Journal.create(tmp_path / "record", MADE_WITH, {})


Make = Callable[..., tuple[Coach, Puppet, Loud]]


@pytest.fixture
def puppet(setup: Setup, journal: Journal) -> Make:
    """make(answers, words={block: events}, ...): a coach whose machine and recogniser do what the test says."""

    def make(
        answers: Answers, words: dict[int, list[Event]] | None = None, status: str = "awaiting", **parts: object
    ) -> tuple[Coach, Puppet, Loud]:
        machine, line = Puppet(setup, answers, status=status), Loud()
        made = Parts(machine, Lips(words), line, SilentVoice(), journal, **parts)  # type: ignore[arg-type]
        return Coach(made), machine, line

    return make


def closes_on(*kinds: type[Event]) -> Answers:
    return lambda event: (Close("test"),) if isinstance(event, kinds) else ()


def heard(command: str | None, block: int, source: str = "voice") -> Heard:
    end = (block + 1) * BLOCK_FRAMES
    return Heard(end, command, command or "", end - 8000, end, source=source)  # type: ignore[arg-type]


def test_danger_goes_before_what_was_heard_before_it(puppet: Make) -> None:
    # promise: danger is never queued
    done, breach = heard("done", 3), replace(heard("breach", 3), at=4 * BLOCK_FRAMES + 5)
    near = replace(heard(None, 3), near="breach", at=4 * BLOCK_FRAMES + 7)
    coach, machine, _ = puppet(closes_on(SpeechStarted), {3: [done, breach, near], 5: [SpeechStarted(1920)]})
    coach.begin(OPENED)
    assert coach.run()
    assert [event for event in machine.seen if isinstance(event, Heard)] == [breach, near, done]


def test_every_event_is_on_the_disk_before_it_is_acted_on(puppet: Make, journal: Journal) -> None:
    missing: list[Event] = []

    def look(event: Event) -> tuple[Effect, ...]:
        last = json.loads((journal.folder / "events.jsonl").read_text().splitlines()[-1])
        if (last.get("event"), last["at"]) != (event.kind, event.at):
            missing.append(event)
        return (Close("test"),) if isinstance(event, Heard) else (SetTimer("a", 0.1),)

    coach, machine, _ = puppet(look, {2: [SpeechStarted(900)], 20: [heard("done", 20)]})
    coach.begin(OPENED)
    coach.run()
    assert len(machine.seen) > 3
    assert missing == []


def test_a_timer_fires_once_at_the_first_block_after_its_time(puppet: Make) -> None:
    def answer(event: Event) -> tuple[Effect, ...]:
        if isinstance(event, Opened):
            return SetTimer("short", 1.0), SetTimer("long", 2.0), SetTimer("never", 1.5), CancelTimer("never")
        return (Close("test"),) if isinstance(event, TimerFired) and event.timer == "long" else ()

    coach, machine, _ = puppet(answer)
    coach.begin(OPENED)
    coach.run()
    assert [(e.timer, e.at) for e in machine.seen if isinstance(e, TimerFired)] == [("short", 16_000), ("long", 32_000)]


def test_a_timer_that_is_cancelled_or_set_again_in_the_block_in_which_it_is_due_does_not_fire(puppet: Make) -> None:
    block = RATE_HZ // BLOCK_FRAMES - 1  # the one that ends at 1 s

    def answer(event: Event) -> tuple[Effect, ...]:
        if isinstance(event, Opened):
            return SetTimer("cancelled", 1.0), SetTimer("anew", 1.0)
        if isinstance(event, Heard):
            return CancelTimer("cancelled"), SetTimer("anew", 1.0)
        return (Close("test"),)

    coach, machine, _ = puppet(answer, {block: [replace(heard("breach", block), at=RATE_HZ)]})
    coach.begin(OPENED)
    coach.run()
    assert [(e.timer, e.at) for e in machine.seen if isinstance(e, TimerFired)] == [("anew", 2 * RATE_HZ)]


def test_prompts_are_played_in_order_for_their_whole_length_and_their_ends_are_reported(puppet: Make) -> None:
    texts = "One act.", "Another act, of six words here."

    def answer(event: Event) -> tuple[Effect, ...]:
        if isinstance(event, Opened):
            return Say(1, texts[0]), Say(2, texts[1])
        return (Close("test"),) if isinstance(event, PromptEnded) and event.prompt == 2 else ()

    coach, machine, line = puppet(answer)
    coach.begin(OPENED)
    coach.run()
    ends = [event for event in machine.seen if isinstance(event, PromptEnded)]
    assert [(event.prompt, event.complete) for event in ends] == [(1, True), (2, True)]
    assert [event.played_s for event in ends] == pytest.approx([spoken_s(text) for text in texts], abs=1e-4)
    assert [sound.text for sound in line.sounds] == list(texts)


def test_stop_speaking_cuts_the_prompt_and_drops_what_is_queued(puppet: Make) -> None:
    def answer(event: Event) -> tuple[Effect, ...]:
        if isinstance(event, Opened):
            return Say(1, "A long prompt that goes on and on for a while."), Say(2, "And another.")
        if isinstance(event, SpeechStarted):
            return StopSpeaking(), SetTimer("end", 1.0)
        return (Close("test"),) if isinstance(event, TimerFired) else ()

    coach, machine, line = puppet(answer, {50: [SpeechStarted(16_000)]})
    coach.begin(OPENED)
    coach.run()
    assert line.cuts == 1
    ends = {event.prompt: event for event in machine.seen if isinstance(event, PromptEnded)}
    first, second = ends[1], ends[2]
    assert not first.complete
    assert not second.complete
    assert second.played_s <= 0
    # rule 7: within 0.3 s
    assert first.at - 51 * BLOCK_FRAMES <= 0.3 * RATE_HZ


def test_the_rest_of_a_prompt_is_played_where_it_was_cut(puppet: Make) -> None:
    text = "A prompt of six words here."
    said = Say(1, text, skip_s=1.0)
    coach, machine, line = puppet(lambda event: (said,) if isinstance(event, Opened) else (Close("test"),))
    coach.begin(OPENED)
    coach.run()
    assert len(line.sounds[0].samples) == pytest.approx((spoken_s(text) - 1.0) * RATE_HZ, abs=1)
    assert isinstance(machine.seen[-1], PromptEnded)


def test_the_recogniser_and_the_keys_are_told_what_is_listened_for(puppet: Make) -> None:
    keys = Lips()
    wanted = ("done", "breach")
    coach, _, _ = puppet(lambda _: (Listen(wanted), Close("test")), keys=keys)
    coach.begin(OPENED)
    assert coach.parts.ear.live[-1] == wanted  # type: ignore[attr-defined]
    # no prompt is mistaken for a key: danger and 'stop' always count there
    assert set(keys.live[-1]) == {*wanted, *DANGERS, "stop"}


def test_words_by_key_count_beside_the_voice(puppet: Make) -> None:
    keys = Lips({4: [heard("confirm", 4, "key")]})
    coach, machine, _ = puppet(closes_on(Heard), keys=keys)
    coach.begin(OPENED)
    assert coach.run()
    assert isinstance(machine.seen[-1], Heard)
    assert machine.seen[-1].source == "key"


def test_the_last_words_run_out_before_it_ends(puppet: Make) -> None:
    goodbye = "That was all there is."
    coach, _, _ = puppet(lambda _: (Say(1, goodbye), Close("ended")))
    coach.begin(OPENED)
    assert coach.run()
    assert coach.now >= spoken_s(goodbye) * RATE_HZ


def test_it_ends_with_the_line_but_not_in_the_middle_of_a_prompt(setup: Setup, journal: Journal) -> None:
    text = "A prompt that is longer than the whole recording."
    machine = Puppet(setup, lambda event: (Say(1, text),) if isinstance(event, Opened) else ())
    line = WavLine(np.zeros(8000, np.float32), tail_s=0.1)
    coach = Coach(Parts(machine, Lips(), line, SilentVoice(), journal))  # type: ignore[arg-type]
    coach.begin(OPENED)
    assert not coach.run()
    assert isinstance(machine.seen[-1], PromptEnded)
    assert machine.seen[-1].complete


@pytest.mark.parametrize(("status", "ticks", "any_heard"), [("awaiting", True, True), ("awaiting", False, False),
                                                            ("working", True, False)])  # fmt: skip
def test_a_faint_tick_tells_waiting_from_dead(puppet: Make, status: str, ticks: bool, any_heard: bool) -> None:
    # rule 22: while it listens, and there is a person to hear it
    def answer(event: Event) -> tuple[Effect, ...]:
        return (SetTimer("end", 3 * TICK_S),) if isinstance(event, Opened) else (Close("test"),)

    coach, _, line = puppet(answer, status=status, ticks=ticks)
    coach.begin(OPENED)
    coach.run()
    assert any(sound.text == "(tick)" for sound in line.sounds) == any_heard


def test_a_spoken_word_is_kept_as_a_clip_until_no_audio_is_said(setup: Setup, journal: Journal, tmp_path: Path) -> None:
    def answer(event: Event) -> tuple[Effect, ...]:
        if isinstance(event, Heard) and event.command == "no-audio":
            return (Note("no-audio"),)
        return (Close("test"),) if isinstance(event, SpeechStarted) else ()

    words: dict[int, list[Event]] = {
        100: [heard("done", 100)], 200: [heard("done", 200, "key")], 300: [heard("no-audio", 300)],
        400: [heard("done", 400)], 600: [SpeechStarted(0)],
    }  # fmt: skip
    clips = ClipKeeper(tmp_path / "record" / "audio", "clips", on_written=journal.sound, on_deleted=journal.sound_gone)
    machine = Puppet(setup, answer)
    coach = Coach(Parts(machine, Lips(words), Loud(), SilentVoice(), journal, clips))  # type: ignore[arg-type]
    coach.begin(OPENED)
    coach.run()
    clips.close()
    assert list((tmp_path / "record" / "audio").iterdir()) == []
    journal.close()
    lines = [line.data for line in read(tmp_path / "record").lines]
    (clip,) = (data["file"] for data in lines if data["line"] == "sound")
    assert [data["files"] for data in lines if data["line"] == "sound-gone"] == [[clip]]


def test_tones_are_played_and_end_nothing(puppet: Make) -> None:
    def answer(event: Event) -> tuple[Effect, ...]:
        return (Tone("taken"), SetTimer("end", 1.0)) if isinstance(event, Opened) else (Close("test"),)

    coach, machine, line = puppet(answer)
    coach.begin(OPENED)
    coach.run()
    assert [sound.text for sound in line.sounds] == ["(taken)"]
    assert [type(event) for event in machine.seen] == [Opened, TimerFired]


def test_when_the_record_is_closed_its_code_is_said_a_digit_at_a_time(puppet: Make, journal: Journal) -> None:
    coach, _, line = puppet(closes_on(Opened))
    coach.begin(OPENED)
    assert journal.code is None
    assert coach.run()
    app._Running(app.Runner(options.Options("short-practice"), Console()), coach)._say_code()
    code = verify(journal.folder).code()
    assert code is not None
    assert journal.code == code
    assert line.sounds[-1].text == f"Write down this code: {', '.join(' '.join(group) for group in code.split())}."
    assert read(journal.folder).lines[-1].data["last"] is True  # nothing of it is in the record


def test_a_whole_session_by_script_comes_to_its_end_with_nothing_on(setup: Setup, tmp_path: Path) -> None:
    journal = Journal.create(tmp_path / "record", MADE_WITH, options.load_setup("short-practice", "en")[1].copies())
    rub = "+1 wearer: start rubbing\n+4 wearer: hands dry\n"
    script = (
        "+1 wearer: practice run\n+1 wearer: yes\n+1 wearer: step done\n" + rub  # prepare
        + "+1 wearer: step done\n" * 3 + "+1 wearer: start removal\n+1 wearer: yes\n"  # dress, work
        + "+1 wearer: all clear\n" + rub + "+2 wearer: gown off\n" + rub + "+5 wearer: start rubbing\n"
        + "+4 wearer: hands dry\n+1 wearer: step done\n+1 wearer: yes\n"
    )  # fmt: skip
    ear = ScriptedRecogniser(setup.grammar, parse(script, "script.txt"))
    shown: list[SessionState] = []
    parts = Parts(
        Machine(setup), ear, QuietLine(), SilentVoice(), journal, exhausted=lambda: ear.finished,
        watch=lambda state, _event, _effects: shown.append(state),
    )  # fmt: skip
    coach = Coach(parts)
    coach.begin(OPENED)
    assert coach.run(), (coach.state.status, coach.state.place)
    journal.close()
    assert coach.state.status == "closed"
    assert coach.state.ledger.on() == ()
    assert [state.at for state in shown] == sorted(state.at for state in shown)
    events = read(journal.folder).events
    assert len(events) == len(shown)
    assert {"PromptEnded", "TimerFired", "Heard"} <= {type(event).__name__ for event in events}
