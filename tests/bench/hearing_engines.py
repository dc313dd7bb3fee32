"""The engines that the hearing benches compare, each behind one function: what is accepted, what is asked about."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

import numpy as np
from hearing_cache import MAKERS, KeptMoonshine, remembered
from hearing_sounds import Sound, owners

from voicecoach.errors import EngineError
from voicecoach.grammar import Grammar, decide, match

Taken = tuple[str | None, str | None, float, str | None]
"""The command taken, the danger word asked about, by how much the best one met its floor, and which that was."""

Take = Callable[[Sound, list[str]], Taken]
"""Of an utterance and what is live."""


def engines(grammar: Grammar, only: str = "") -> dict[str, Take]:
    """Those that can run here, or those of them that `only` names with commas between; the others are named."""
    made: dict[str, Take] = {}
    wanted = only.split(",") if only else ["mixed", "phonemes", "moonshine", "PocketSphinx", "transcript"]
    for name in ("mixed", "phonemes", "moonshine"):
        if name not in wanted:
            continue
        try:
            made[name] = product(name, grammar)
        except EngineError as error:
            print(f"not run: {error.line()}")
    for name, make in (("PocketSphinx, JSGF", sphinx), ("moonshine's transcript", transcript)):
        if not any(part in name for part in wanted):
            continue
        try:
            made[name] = make(grammar)
        except (ImportError, EngineError) as error:
            print(f"not run: {name}: {error}")
    return made


def product(name: str, grammar: Grammar) -> Take:
    """An engine of the product, with its own rule."""
    scorer = MAKERS[name]()
    rules = scorer.prepare(grammar)
    owner = owners(grammar)

    def take(sound: Sound, live: list[str]) -> Taken:
        ranked, decoy = scorer.score(sound, live)
        got = decide(rules, ranked, live, decoy)
        return got.command, got.near, got.score - got.floor, owner.get(got.phrase)

    return take


def sphinx(grammar: Grammar) -> Take:
    """PocketSphinx with the phrases of the live commands and nothing else."""
    from pocketsphinx import Decoder, get_model_path  # noqa: PLC0415 a baseline; in the test extra

    decoder: Any = Decoder(
        hmm=get_model_path("en-us/en-us"), dict=get_model_path("en-us/cmudict-en-us.dict"), lm=None, loglevel="FATAL"
    )
    owner = owners(grammar)
    known: dict[str, str] = {}

    def decode(sound: Sound, name: str) -> str:
        decoder.activate_search(name)
        decoder.start_utt()
        decoder.process_raw((sound * 45000).clip(-32768, 32767).astype(np.int16).tobytes(), full_utt=True)
        decoder.end_utt()
        found = decoder.hyp()
        return found.hypstr if found else ""

    def take(sound: Sound, live: list[str]) -> Taken:
        name = "_".join(live)
        if name not in known:
            known[name] = " | ".join(
                phrase
                for phrase, command in owner.items()
                if command in live and all(decoder.lookup_word(word) for word in phrase.split())
            )
            decoder.add_jsgf_string(name, f"#JSGF V1.0; grammar live; public <live> = {known[name]} ;")
        got = owner.get(remembered(f"sphinx {known[name]}", sound, functools.partial(decode, sound, name)))
        return got, None, 0.0, got

    return take


def transcript(grammar: Grammar) -> Take:
    """What moonshine writes down, taken where it is a live phrase as it stands."""
    scorer = KeptMoonshine()
    scorer.prepare(grammar)

    def take(sound: Sound, live: list[str]) -> Taken:
        got = match(grammar, scorer.rank(sound).text, live)
        return got, None, 0.0, got

    return take
