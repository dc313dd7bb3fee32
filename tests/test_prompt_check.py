"""Rule 2's check: what it says of a prompt depends on that prompt alone, and a check cut off does not start over."""

from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
import pytest

from voicecoach.audio.line import Block, Samples
from voicecoach.errors import EngineError
from voicecoach.listen.in_process import InProcessRecogniser
from voicecoach.listen.worker import Spec
from voicecoach.runtime import library, options
from voicecoach.runtime.prompt_check import (
    FILE,
    GAP_S,
    LEAD_S,
    BackgroundCheck,
    Facts,
    PromptText,
    commands_in,
    find_mistaken,
)
from voicecoach.session.events import Event, Heard
from voicecoach.session.prompts import over_prompt
from voicecoach.session.setup import Setup
from voicecoach.speak.silent import SilentVoice
from voicecoach.speak.voice import Voice

SPEC = Spec("phonemes", (library.folder("grammars") / "en.yaml").read_text(encoding="utf-8"), "en.yaml")


@pytest.fixture(scope="module")
def setup() -> Setup:
    return options.load_setup("short-practice", "en")[0]


class Sensitive:
    """A recogniser that mistakes a prompt for a command by how long it is, and is thrown out by whatever it heard
    before.

    It forgets where the clock jumps, as a recogniser must. Once it has heard `lasts` prompts it fails.
    """

    engine = "sensitive"

    def __init__(self, lasts: int = 10**9) -> None:
        self.heard = 0
        self.threads: set[int] = set()
        self.closed = False
        self._lasts, self._next, self._since, self._live = lasts, 0, 0, ("",)

    def listen(self, commands: tuple[str, ...]) -> None:
        self._live = commands

    def feed(self, block: Block) -> None:
        self.threads.add(threading.get_ident())
        if block.at != self._next:
            self._since = 0
        self._next = block.end
        self._since += len(block.played)

    def poll(self) -> list[Event]:
        self.heard += 1
        if self.heard > self._lasts:
            raise EngineError("died", where="ear sensitive")
        taken = self._live[0] if self._since % 960 == 0 else None
        return [Heard(self._next, taken, phrase="", begin=0, end=1, channel=0, role="wearer", engine=self.engine)]

    def restart(self) -> None:
        raise NotImplementedError

    def close(self) -> None:
        self.closed = True


class DistinctVoice(SilentVoice):
    """Gives every prompt a sound of its own, as a voice does."""

    def sound(self, text: str) -> Samples:
        samples = super().sound(text).copy()
        samples[: len(text)] = [ord(letter) / 1000 for letter in text]
        return samples


def voice_of(prompts: list[PromptText]) -> Voice:
    made = Voice()
    assert made.prepare([text for text, _ in prompts]) == []
    return made


def test_a_prompt_s_verdict_does_not_depend_on_how_the_prompts_are_shared_out() -> None:
    prompts = [(" ".join(["word"] * number), ("done", "stop")) for number in range(1, 40)]
    found = [
        sorted(commands_in(order, SilentVoice(), [Sensitive() for _ in range(ears)]))
        for ears in (1, 2, 3)
        for order in (prompts, prompts[::-1])
    ]
    assert all(verdicts == found[0] for verdicts in found)
    assert {command for *_, command in found[0]} == {"", "done"}


def test_the_real_recogniser_says_the_same_of_a_prompt_alone_and_after_others() -> None:
    live = ("breach", "done", "stop")
    words = ("Breach.", "Wear the gown. Breech. Breech.", "Tie the mask over nose and mouth.")
    prompts = [(text, live) for text in words]
    voice = voice_of(prompts)
    together = sorted(commands_in(prompts, voice, [InProcessRecogniser(SPEC)]))
    alone = sorted(next(commands_in([prompt], voice, [InProcessRecogniser(SPEC)])) for prompt in prompts)
    assert together == alone
    assert {command for *_, command in alone} >= {"", "breach"}


def test_every_recogniser_is_given_its_share_and_every_prompt_is_heard_once_with_silence_around_it(
    setup: Setup,
) -> None:
    ears = [Sensitive(), Sensitive()]
    prompts = [("one two three", ("stop",))] * 20
    assert len(list(commands_in(prompts, SilentVoice(), ears))) == 20
    assert sum(ear.heard for ear in ears) == 20
    heard: list[Samples] = []

    class Keeps(Sensitive):
        def feed(self, block: Block) -> None:
            heard.append(block.heard[:, 0])

    (_,) = commands_in(prompts[:1], SilentVoice(), [Keeps()])
    spoken = SilentVoice().sound("one two three")
    assert len(np.concatenate(heard)) >= len(spoken) + round((LEAD_S + GAP_S) * 16_000)


def test_a_check_that_was_cut_off_continues_where_it_stopped(setup: Setup, tmp_path: Path) -> None:
    ears: list[Sensitive] = []

    def opens(lasts: int) -> None:
        def open_recogniser(spec: Spec) -> Sensitive:
            ears.append(Sensitive(lasts))
            return ears[-1]

        facts = Facts(DistinctVoice(), SPEC, cache=tmp_path, shipped={})
        find_mistaken(
            setup,
            DistinctVoice(),
            SPEC,
            open_recogniser,
            on_progress=lambda done, total: progress.append((done, total)),
            facts=facts,
        )

    progress: list[tuple[int, int]] = []
    with pytest.raises(EngineError, match="died"):
        opens(10)
    first = len(progress)
    total = progress[0][1]
    assert 10 <= first < total
    assert all(ear.closed for ear in ears)
    progress.clear()
    ears.clear()
    opens(10**9)
    assert progress[-1] == (total - first, total - first)
    ears.clear()
    opens(0)  # all is known: no recogniser is asked
    assert ears == []


def test_a_line_that_a_kill_cut_off_costs_only_its_own_verdict(setup: Setup, tmp_path: Path) -> None:
    progress: list[int] = []

    def check() -> None:
        progress.clear()
        find_mistaken(
            setup,
            DistinctVoice(),
            SPEC,
            lambda spec: Sensitive(),
            on_progress=lambda _, total: progress.append(total),
            facts=Facts(DistinctVoice(), SPEC, cache=tmp_path, shipped={}),
        )

    check()
    file = tmp_path / FILE
    text = file.read_text()
    file.write_text(text[:-5])
    check()
    assert progress == [1]
    check()
    assert progress == []


def in_background(setup: Setup, facts: Facts, ears: list[Sensitive]) -> BackgroundCheck:
    def open_recogniser() -> Sensitive:
        ears.append(Sensitive())
        return ears[-1]

    check = BackgroundCheck(over_prompt(setup), DistinctVoice(), facts, open_recogniser)
    check.start()
    assert check._thread is not None
    check._thread.join(30)
    return check


def test_what_is_known_needs_no_recogniser_and_what_is_new_is_heard_once(setup: Setup, tmp_path: Path) -> None:
    ears: list[Sensitive] = []
    first = in_background(setup, Facts(DistinctVoice(), SPEC, cache=tmp_path, shipped={}), ears)
    assert first.why == ""
    assert ears[0].heard == len(over_prompt(setup))
    assert all(ear.closed for ear in ears)
    again = in_background(setup, Facts(DistinctVoice(), SPEC, cache=tmp_path, shipped={}), ears)
    assert len(ears) == 1
    assert again.found == first.found


def test_a_mistaken_prompt_is_reported_with_the_command_it_was_mistaken_for(setup: Setup, tmp_path: Path) -> None:
    found = in_background(setup, Facts(DistinctVoice(), SPEC, cache=tmp_path, shipped={}), []).found
    assert found
    text = next(iter(found))
    live = dict(over_prompt(setup))[text]
    assert found[text] <= set(live)


def test_a_fact_is_no_longer_believed_when_voice_words_or_live_commands_change(tmp_path: Path) -> None:
    facts = Facts(DistinctVoice(), SPEC, cache=tmp_path, shipped={})
    key = facts.key("Spread gel.", ("breach", "done"))
    assert key == Facts(DistinctVoice(), SPEC, cache=tmp_path / "other", shipped={}).key(
        "Spread gel.", ("breach", "done")
    )
    assert key != facts.key("Spread gel.", ("breach",))
    assert key != facts.key("Spread the gel.", ("breach", "done"))
    louder = Spec(SPEC.engine, SPEC.grammar.replace("  danger:", "  danger: ", 1), SPEC.grammar_file)
    assert key == Facts(DistinctVoice(), louder, cache=tmp_path, shipped={}).key("Spread gel.", ("breach", "done"))
    assert key != Facts(voice_of([("Spread gel.", ())]), SPEC, cache=tmp_path, shipped={}).key(
        "Spread gel.", ("breach", "done")
    )


def test_shipped_facts_are_believed(setup: Setup, tmp_path: Path) -> None:
    empty = Facts(DistinctVoice(), SPEC, cache=tmp_path, shipped={})
    keys = [empty.key(text, live) for text, live in over_prompt(setup)]
    ears: list[Sensitive] = []
    check = in_background(setup, Facts(DistinctVoice(), SPEC, cache=tmp_path, shipped=dict.fromkeys(keys, "")), ears)
    assert (ears, check.found) == ([], {})
