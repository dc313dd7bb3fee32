from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from spoken import say

from voicecoach.errors import EngineError
from voicecoach.grammar import Grammar, parse
from voicecoach.listen import registry
from voicecoach.listen.engines.sphinx import Sphinx

GRAMMARS = Path(__file__).parents[2] / "grammars"
WORDS = {"not finished": "not-finished", "step complete": "done", "previous step": "back", "where am i": "where-am-i"}
DECOYS = [
    "blood pressure", "monday", "oxygen", "ventilator", "trolley", "tomorrow", "overall", "underneath",
    "bottle of water", "traffic", "holiday", "light switch", "thank you", "just a minute", "careful", "hundred",
]  # fmt: skip


def grammar(name: str = "en") -> Grammar:
    return parse((GRAMMARS / f"{name}.yaml").read_text(encoding="utf-8"), f"{name}.yaml")


@pytest.fixture(scope="module")
def sphinx() -> Sphinx:
    return Sphinx(grammar())


def spoken(words: str) -> np.ndarray:
    return say(words, voice="en-us", pads_s=0.25)


def test_it_says_which_command_was_spoken(sphinx: Sphinx) -> None:
    assert {words: sphinx.hear(spoken(words)) for words in WORDS} == WORDS


def test_of_sixteen_decoys_at_most_one_is_taken_for_a_command(sphinx: Sphinx) -> None:
    taken = {words: command for words in DECOYS if (command := sphinx.hear(spoken(words))) is not None}
    assert len(DECOYS) == 16
    assert set(DECOYS) <= set(grammar().decoys)
    assert len(taken) <= 1, taken


def test_nothing_and_silence_are_no_command(sphinx: Sphinx) -> None:
    assert sphinx.hear(np.zeros(0, np.float32)) is None
    assert sphinx.hear(np.zeros(8000, np.float32)) is None


def test_what_is_longer_than_any_phrase_is_not_worked_on(sphinx: Sphinx) -> None:
    """Noise of that length took it seconds, in which no danger word was heard."""
    word = spoken("step complete")
    assert sphinx.hear(np.pad(word, (0, 40_001 - len(word)))) is None


def test_the_answer_does_not_depend_on_what_was_heard_before_nor_on_loudness(sphinx: Sphinx) -> None:
    forwards = [sphinx.hear(spoken(words)) for words in WORDS]
    backwards = [sphinx.hear(spoken(words)) for words in reversed(WORDS)]
    soft = [sphinx.hear(spoken(words) * np.float32(0.2)) for words in WORDS]
    assert forwards == backwards[::-1] == soft


def test_without_the_package_the_error_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pocketsphinx", None)
    with pytest.raises(EngineError, match="pip install pocketsphinx"):
        Sphinx(grammar())


@pytest.mark.skipif(sys.platform == "win32", reason="the phoneme engine has no library for Windows")
def test_the_phoneme_engine_has_it_in_english_only_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    def built(name: str) -> object:
        text = (GRAMMARS / f"{name}.yaml").read_text(encoding="utf-8")
        return registry.build(registry.spec("phonemes", text, f"{name}.yaml"))._second  # type: ignore[attr-defined]

    assert isinstance(built("en"), Sphinx)
    assert built("ko") is None
    assert "second opinion" in registry.choose("phonemes").detail
    installed = registry._installed
    monkeypatch.setattr(registry, "_installed", lambda package: package != registry.SECOND and installed(package))
    assert built("en") is None
    assert "without a second opinion" in registry.choose("phonemes").detail
