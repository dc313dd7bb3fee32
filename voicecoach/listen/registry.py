"""The recognisers, one line each in `ENGINES`: whether each can run here, and how it is built in its process."""

from __future__ import annotations

import importlib
import importlib.util
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from voicecoach.errors import EngineError, InputError
from voicecoach.listen import vosk_model as models
from voicecoach.listen.engines import taught
from voicecoach.listen.worker import ChildRecogniser, Spec
from voicecoach.session.events import Role

if TYPE_CHECKING:
    from voicecoach.listen.engines.scorer import Scorer

AUTO, TYPED = "auto", "typed"
ENGLISH = "en"


@dataclass(frozen=True, slots=True)
class EngineState:
    """An engine on this machine. detail: what it has or lacks. mend: what would make it run, '' if it can."""

    name: str
    can_run: bool
    detail: str
    mend: str = ""


@dataclass(frozen=True, slots=True)
class Engine:
    """An engine. look: its state for a model's folder and a language ('' for any); it loads nothing native. scorer:
    'module:class' of what the child builds, '' for typed words.
    """

    name: str
    look: Callable[[str | None, str], EngineState]
    scorer: str = ""


def _mixed(model: str | None, language: str) -> EngineState:
    lacking = [state for state in (_phonemes(model, language), _moonshine(model, language)) if not state.can_run]
    if lacking:
        why = "; ".join(f"{state.name} cannot run here: {state.detail}" for state in lacking)
        return EngineState("mixed", False, why, "; and ".join(state.mend for state in lacking))
    return EngineState("mixed", True, "the phoneme recogniser and moonshine, weighed against each other")


def _vosk(model: str | None, language: str) -> EngineState:
    found = models.find(model)
    if not _installed("vosk"):
        return EngineState("vosk", False, "the package vosk is not installed", "python -m pip install vosk")
    if found is None:
        mend = f"voicecoach model get, or name a folder with --model or {models.VARIABLE}"
        return EngineState("vosk", False, "there is no model", mend)
    if (known := models.language_of(found)) not in {"", language} and language:
        mend = f"a model for {language!r}, named with --model or {models.VARIABLE}"
        return EngineState("vosk", False, f"the model {found} is for {known!r}, the grammar is in {language!r}", mend)
    return EngineState("vosk", True, f"model {found}")


def _phonemes(_: str | None, __: str) -> EngineState:
    if not _installed("hama"):
        mend = "python -m pip install 'hama==1.7.0' (Linux and macOS only)"
        return EngineState("phonemes", False, "the package hama is not installed", mend)
    trouble = taught.PHONES.trouble()
    return EngineState(
        "phonemes", True, "the phoneme recogniser in the hama package" + (f"; {trouble}" if trouble else "")
    )


def _moonshine(_: str | None, language: str) -> EngineState:
    from voicecoach.listen.engines import moonshine_network  # noqa: PLC0415 only where it is asked for

    if language not in {"", ENGLISH}:
        return EngineState("moonshine", False, f"it does not know the language {language!r}", "a grammar in English")
    if reason := moonshine_network.why_not(_installed):
        return EngineState("moonshine", False, reason, moonshine_network.MEND)
    return EngineState("moonshine", True, "the English model in the moonshine-voice package")


def _typed(_: str | None, __: str) -> EngineState:
    return EngineState(TYPED, True, "words from a file or the keyboard")


ENGINES = (
    Engine("mixed", _mixed, "voicecoach.listen.engines.mixed:MixedScorer"),
    Engine("vosk", _vosk, "voicecoach.listen.engines.vosk:VoskScorer"),
    Engine("phonemes", _phonemes, "voicecoach.listen.engines.phonemes:PhonemeScorer"),
    Engine("moonshine", _moonshine, "voicecoach.listen.engines.moonshine:MoonshineScorer"),
    Engine(TYPED, _typed),
)
"""In order of preference; `auto` takes the first one for sound that can run. `phonemes` and `moonshine` alone are for
machines where the others cannot run, and for comparison."""

NAMES = (AUTO, *(engine.name for engine in ENGINES))


def engines(model: str | None = None, language: str = ENGLISH) -> list[EngineState]:
    """The state of every engine; nothing native is loaded.

    Args:
        model: folder of a Vosk model, or None for the usual places. language: of the grammar.

    Raises:
        InputError: the folder is not a model.
    """
    return [engine.look(model, language) for engine in ENGINES]


def has_sound(engine: str) -> bool:
    """Whether this engine listens to sound."""
    return any(known.name == engine and known.scorer for known in ENGINES)


def _installed(package: str) -> bool:
    return importlib.util.find_spec(package) is not None


def choose(engine: str = AUTO, model: str | None = None, language: str = ENGLISH) -> EngineState:
    """The engine to use: the one named, or for 'auto' the first one for sound in `ENGINES` that can run.

    A named engine is never replaced by another.

    Raises:
        InputError: no engine has that name, or the folder is not a model.
        EngineError: it cannot run here; the message says what would make it run.
    """
    if engine not in NAMES:
        raise InputError(f"{engine!r} is not an engine", where="--engine", expected="one of " + ", ".join(NAMES))
    if model is not None and engine == AUTO:
        engine = "vosk"  # the only engine whose model can be chosen
    wanted = [known for known in ENGINES if known.name == engine or (engine == AUTO and known.scorer)]
    refused = []
    for known in wanted:
        state = known.look(model, language)
        if state.can_run:
            return state
        refused.append(state)
    raise EngineError(
        "; ".join(f"{state.name} cannot run here: {state.detail}" for state in refused),
        where=f"engine {engine}",
        mend="; or ".join(state.mend for state in refused),
    )


def passed_over(chosen: str, model: str | None = None, language: str = ENGLISH) -> str:
    """Why 'auto' did not choose the preferred engine, in one line; '' if it did."""
    best = ENGINES[0]
    if chosen == best.name or not has_sound(chosen) or language != ENGLISH:
        return ""
    return f"{chosen} listens alone: {best.look(model, language).detail}"


def spec(
    engine: str, grammar: str, grammar_file: str, *, model: str | None = None, roles: Mapping[int, Role] | None = None
) -> Spec:
    """What a `RecogniserProcess` needs for an engine that listens to sound.

    Args:
        engine: its name. grammar: text of the grammar file; grammar_file: its name.
        model: as for `choose`. roles: who speaks on which channel.

    Raises:
        InputError: as `choose`. EngineError: there is no model.
    """
    state = choose(engine, model, "")  # it was chosen for the grammar before; its words are looked up when it starts
    if not has_sound(state.name):
        heard = ", ".join(known.name for known in ENGINES if known.scorer)
        raise InputError(f"{state.name!r} does not listen to sound", where="--engine", expected=f"one of {heard}")
    return Spec(state.name, grammar, grammar_file, model_of(state.name, model), tuple((roles or {}).items()))


def model_of(engine: str, model: str | None = None) -> str:
    """The folder of the model that an engine would use; '' for one that needs none."""
    return str(models.find(model) or "") if engine == "vosk" else ""


def roles_of(pair: bool, channels: int) -> dict[int, Role]:
    """Who speaks on which channel; people who share a microphone cannot be told apart."""
    if not pair:
        return dict.fromkeys(range(channels), "wearer")
    return {0: "wearer", 1: "observer"} if channels > 1 else {0: "unknown"}


def build(spec: Spec, working: Callable[[], None] = lambda: None) -> ChildRecogniser:
    """Build the recogniser inside the child.

    Args:
        spec: how to build it. working: called between long pieces of work.

    Raises:
        VoicecoachError: the engine cannot be loaded, or cannot hear this grammar.
    """
    from voicecoach import grammar as grammars  # noqa: PLC0415 loaded only in the child that runs an engine
    from voicecoach.listen.pipeline import Pipeline  # noqa: PLC0415 likewise

    grammar = grammars.parse(spec.grammar, spec.grammar_file)
    return Pipeline(scorer(spec.engine, spec.model), grammar, dict(spec.roles), working=working)


def scorer(engine: str, model: str = "") -> Scorer:
    """A scorer of that engine.

    Raises:
        EngineError, InputError: it cannot be loaded.
    """
    module, _, name = next(known.scorer for known in ENGINES if known.name == engine).partition(":")
    make = getattr(importlib.import_module(module), name)
    made: Scorer = make(Path(model)) if model else make()
    return made
