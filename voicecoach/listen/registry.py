"""Which ears there are, which can run here, and how each is built in its child."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from voicecoach.errors import EngineError, InputError
from voicecoach.listen import vosk_model as models
from voicecoach.listen.engines import taught
from voicecoach.listen.worker import Hears, Spec
from voicecoach.session.events import Role

SECOND = "pocketsphinx"
"""The package that gives the phoneme engine a second opinion in English; without it the engine decides alone."""
ENGINES = ("vosk", "phonemes", "typed")
"""In the order of preference; `auto` takes the first of the audio engines that can run."""


@dataclass(frozen=True, slots=True)
class EngineState:
    """One engine on this machine. detail: what it has or lacks; mend: what would make it run, '' if it can."""

    name: str
    can_run: bool
    detail: str
    mend: str = ""


def engines(model: str | None = None) -> list[EngineState]:
    """The state of every engine; nothing native is loaded for it.

    Args:
        model: folder of a Vosk model, or None for the usual places.

    Raises:
        InputError: a folder was named that is not a model.
    """
    return [_vosk(model), _phonemes(), EngineState("typed", True, "words from a file or the keyboard")]


def _vosk(model: str | None) -> EngineState:
    found = models.find(model)
    if not _installed("vosk"):
        return EngineState("vosk", False, "the package vosk is not installed", "python -m pip install vosk")
    if found is None:
        mend = f"voicecoach model get, or name a folder with --model or {models.VARIABLE}"
        return EngineState("vosk", False, "there is no model", mend)
    return EngineState("vosk", True, f"model {found}")


def _phonemes() -> EngineState:
    if not _installed("hama"):
        mend = "python -m pip install 'hama==1.7.0' (Linux and macOS only)"
        return EngineState("phonemes", False, "the package hama is not installed", mend)
    second = "and PocketSphinx for a second opinion" if _installed(SECOND) else "alone, without a second opinion"
    trouble = taught.trouble()
    return EngineState(
        "phonemes", True, f"the phoneme recogniser in the hama package, {second}" + (f"; {trouble}" if trouble else "")
    )


def _installed(package: str) -> bool:
    return importlib.util.find_spec(package) is not None


def choose(engine: str = "auto", model: str | None = None) -> EngineState:
    """The engine to use: the one named, or for 'auto' vosk if its model is there, else phonemes.

    Nothing is ever taken in place of an engine that was named.

    Raises:
        InputError: no engine has that name, or a folder was named that is not a model.
        EngineError: it cannot run here; the message says what would make it run.
    """
    if engine not in {"auto", *ENGINES}:
        raise InputError(
            f"{engine!r} is not an engine", where="--engine", expected="one of auto, " + ", ".join(ENGINES)
        )
    states = engines(model)
    wanted = [state for state in states if state.name == engine or (engine == "auto" and state.name != "typed")]
    for state in wanted:
        if state.can_run:
            return state
    raise EngineError(
        "; ".join(f"{state.name} cannot run here: {state.detail}" for state in wanted),
        where=f"engine {engine}",
        mend="; or ".join(state.mend for state in wanted),
    )


def spec(
    engine: str, grammar: str, grammar_file: str, *, model: str | None = None, roles: Mapping[int, Role] | None = None
) -> Spec:
    """What a `RecogniserProcess` needs for an audio engine.

    Args:
        engine: 'vosk' or 'phonemes'. grammar: text of the grammar file; grammar_file: its name.
        model: as for `choose`. roles: who speaks on which channel.

    Raises:
        InputError: as `choose`. EngineError: there is no model.
    """
    state = choose(engine, model)
    if state.name == "typed":
        raise InputError("'typed' has no sound to listen to", where="--engine", expected="vosk or phonemes")
    path = models.find(model) if state.name == "vosk" else None
    return Spec(state.name, grammar, grammar_file, str(path or ""), tuple((roles or {}).items()))


def build(spec: Spec, working: Callable[[], None] = lambda: None) -> Hears:
    """Make the ear that a child holds. Runs in the child.

    Args:
        spec: what it is made of. working: for it to call between long pieces of work.

    Raises:
        VoicecoachError: the engine cannot be loaded, or cannot hear this grammar.
    """
    # each engine is loaded only in the child that runs it
    from voicecoach import grammar as grammars  # noqa: PLC0415
    from voicecoach.listen.engines.phonemes import PhonemeScorer, Scorer  # noqa: PLC0415
    from voicecoach.listen.engines.sphinx import LANGUAGE, Sphinx  # noqa: PLC0415
    from voicecoach.listen.engines.vosk import VoskScorer  # noqa: PLC0415
    from voicecoach.listen.pipeline import Pipeline  # noqa: PLC0415

    recogniser: Scorer = VoskScorer(Path(spec.model)) if spec.engine == "vosk" else PhonemeScorer()
    grammar = grammars.parse(spec.grammar, spec.grammar_file)
    asked = spec.engine == "phonemes" and grammar.language == LANGUAGE and _installed(SECOND)
    return Pipeline(recogniser, grammar, dict(spec.roles), second=Sphinx(grammar) if asked else None, working=working)
