"""Words spoken into a virtual microphone, heard by the phoneme engine in its child, over the coach's voice too."""

import importlib
import importlib.util
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from test_e2e_live_line import wake
from virtual_card import VirtualCard

from voicecoach.audio.line import Block, PlayedPrompt, Samples, Sound
from voicecoach.audio.live import LiveLine
from voicecoach.listen.process import RecogniserProcess
from voicecoach.listen.worker import Spec
from voicecoach.session.events import Event, Heard, SpeechStarted

# real time, on a machine that others use
pytestmark = [pytest.mark.realtime, pytest.mark.own_process, pytest.mark.flaky(reruns=2)]

ROOT = Path(__file__).parents[2]
LIVE = ("breach", "repeat", "confirm")


@pytest.fixture
def say() -> Callable[[str], NDArray[np.float32]]:
    if importlib.util.find_spec("espeakng_loader") is None or importlib.util.find_spec("hama") is None:
        pytest.skip(reason="the voice (espeakng-loader) or the engine (hama) is not there on this system")
    sys.path.append(str(ROOT / "tests" / "listen"))
    spoken = importlib.import_module("spoken")
    return lambda words: spoken.say(words, voice="en-us")


class Bench:
    """A line and a recogniser, run as the loop runs them."""

    def __init__(self, line: LiveLine, ear: RecogniserProcess) -> None:
        self.line, self.ear = line, ear

    def run(self, seconds: float, until: type[Event] | None = None) -> list[Event]:
        """Loop for `seconds`, or until an event of that kind."""
        end = time.monotonic() + seconds
        found: list[Event] = []
        while time.monotonic() < end and not any(until and isinstance(event, until) for event in found):
            block: Block | None = self.line.read(0.1)
            if block is not None:
                self.ear.feed(block)
            found += self.ear.poll()
        return found


@pytest.fixture
def bench(virtual_card: VirtualCard, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    for name, value in virtual_card.environment.items():
        monkeypatch.setenv(name, value)
    import sounddevice  # noqa: PLC0415 needs PortAudio, which the card's fixture has looked for

    sounddevice._terminate()
    sounddevice._initialize()
    grammar = (ROOT / "grammars" / "en.yaml").read_text(encoding="utf-8")
    ear = RecogniserProcess(Spec("phonemes", grammar, "en.yaml", roles=((0, "wearer"),)), hang_s=10)
    ear.listen(LIVE)
    line = LiveLine(microphone="coach_card", speaker="coach_card")
    made = Bench(line, ear)
    try:
        wake(line)
        made.run(0.3)
        yield made
    finally:
        line.close()
        ear.close()


def commands(events: list[Event]) -> list[str | None]:
    return [event.command for event in events if isinstance(event, Heard)]


def test_words_into_the_microphone_come_out_as_commands(
    bench: Bench, virtual_card: VirtualCard, say: Callable[[str], Samples]
) -> None:
    heard: list[str | None] = []
    for words in LIVE:
        virtual_card.says(say(words), wait=False)
        events = bench.run(5, until=Heard)
        heard += commands(events)
        assert any(isinstance(event, SpeechStarted) for event in events)
    assert heard == list(LIVE)


def test_the_coach_s_own_prompt_is_not_a_command_though_the_microphone_hears_it(
    bench: Bench, virtual_card: VirtualCard, say: Callable[[str], Samples]
) -> None:
    virtual_card.echo()
    bench.run(0.5)
    bench.line.play(Sound(say("rub both outer gloves all over, then wait for me"), prompt=1))
    assert [command for command in commands(bench.run(6)) if command is not None] == []
    virtual_card.says(say("repeat"), wait=False)
    assert commands(bench.run(5, until=Heard)) == ["repeat"]


def test_a_voice_over_a_prompt_is_noticed_and_the_prompt_can_be_cut_short(
    bench: Bench, virtual_card: VirtualCard, say: Callable[[str], Samples]
) -> None:
    # rule 7, as far as the line and the recogniser go: the test does what the machine would ask for
    virtual_card.echo()
    bench.run(0.5)
    prompt = np.concatenate([say("this is a long sentence which tells what to do next")] * 3)
    bench.line.play(Sound(prompt, prompt=1))
    bench.run(1.0)
    virtual_card.says(say("breach, breach, breach"), wait=False)
    events = bench.run(5, until=SpeechStarted)
    assert any(isinstance(event, SpeechStarted) for event in events)
    bench.line.silence()
    before = time.monotonic()
    ended: tuple[PlayedPrompt, ...] = ()
    while not ended and time.monotonic() - before < 5:
        block = bench.line.read(0.1)
        ended = block.ended if block is not None else ()
    print(f"prompt over {time.monotonic() - before:.3f} s after silence(), by the line's own account")
    assert [(item.prompt, item.complete) for item in ended] == [(1, False)]
    assert ended[0].end - ended[0].begin < len(prompt)
