"""Plain sentences (rule 40): every sentence names its piece, and one thing has one name."""

from __future__ import annotations

import pytest

from voicecoach.protocol.load import load
from voicecoach.protocol.model import Protocol
from voicecoach.protocol.wording import doubtful
from voicecoach.runtime import library

LIBRARY = [library.load_protocol(str(file))[0] for file in library.names("protocols")]


@pytest.mark.parametrize("protocol", LIBRARY, ids=lambda protocol: protocol.name)
def test_every_sentence_names_its_piece_by_the_one_name_it_has(protocol: Protocol) -> None:
    """On the way and in every branch, its own and the shared ones."""
    assert [error.line() for error in doubtful(protocol)] == []


@pytest.mark.parametrize("protocol", LIBRARY, ids=lambda protocol: protocol.name)
def test_no_sentence_of_the_way_is_longer_than_a_breath(protocol: Protocol) -> None:
    steps = [step for plan in protocol.stages for step in plan.steps]
    assert [s.name for s in steps if max(len(s.say.split()), len(s.warn.split())) > 12] == []


def written(**changes: str) -> Protocol:
    """The short practice with another sentence in it."""
    _, text = library.load_protocol("short-practice")
    for old, new in changes.items():
        key = old.replace("_", "-")
        begin = text.index("say: ", text.index(f"step: {key}\n"))
        text = text[:begin] + f"say: {new}" + text[text.index("\n", begin) :]
    return load(text, "changed.yaml")


def test_a_second_name_for_a_piece_is_found_with_both_places() -> None:
    (found,) = doubtful_of(written(practice_mask_on="Tie the respirator over nose and mouth."), "practice-mask-on")
    assert "'respirator'" in found
    assert "'mask'" in found


@pytest.mark.parametrize(
    "sentence",
    ["Pull them up over the gown sleeves.", "Take its lower edge.", "Keep away from it."],
)
def test_a_word_that_stands_for_nothing_named_is_found(sentence: str) -> None:
    mended = "Pull the gloves up, and keep them over the sleeves."
    assert doubtful_of(written(practice_gloves_on=mended), "practice-gloves-on") == []
    if sentence.startswith("Pull"):  # a noun that comes later does not help
        assert "'them'" in doubtful_of(written(practice_gloves_on=sentence), "practice-gloves-on")[0]
    else:
        assert doubtful_of(written(practice_gloves_on=sentence), "practice-gloves-on")


def doubtful_of(protocol: Protocol, step: str) -> list[str]:
    return [error.line() for error in doubtful(protocol) if f": {step}." in error.where]
