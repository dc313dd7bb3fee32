"""Right, wrong, refused and taken over the voices to hand; run `python tests/bench/hearing_accuracy.py [--quick]`.

Each utterance goes through the real cut and the real engine, in a state where it can be meant and, if it is a stranger,
in one drawn by its number. `--tuning` uses the voices on which the constants were chosen, `--clean` adds a quiet room
(all of it takes about 20 minutes of one core, `--quick` two). The baseline of the
same run is PocketSphinx with the same phrases as a plain JSGF grammar. Upper bounds are exact binomial, 95 %.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Iterator

import numpy as np
from hearing_sounds import (
    HELD_OUT,
    STRANGERS_FAR,
    STRANGERS_NEAR,
    TUNING,
    Sound,
    english,
    scene,
    spoken,
    strangers,
    table,
    to_hand,
    upper,
)
from voicecoach.listen.engines.sphinx import SecondOpinion, Sphinx

from voicecoach.grammar import URGENT, Grammar, decide
from voicecoach.listen.engines.phonemes import PhonemeScorer
from voicecoach.listen.segmenter import Segmenter

ALWAYS = """repeat back pause help where-am-i breach splash needle no-air torn stop no-audio time end-session"""
PLACES = "face eyes neck hair hand arm body leg foot"
ANSWERS = [
    "done", "clear torn soiled", "rubbing", "wiping", "dry", "yes no false-alarm", "right wrong", "go-on touched",
    PLACES, "confirm not-clear", "loose open torn soiled skin-showing", "understood",
    "nobody-here partner-busy practice-run", "not-finished went-wrong", "start-removal", "resume",
]  # fmt: skip
CONDITIONS = {
    "clean": {"snr_db": 30.0},
    "mask, 20 dB": {"mask": True, "snr_db": 20.0},
    "10 dB": {"snr_db": 10.0},
}
Take = Callable[[Sound, list[str]], str | None]


def states(grammar: Grammar) -> list[list[str]]:
    """What is live together: the words that always are, and one question's answers."""
    items = [command.name for command in grammar.commands if command.name.endswith(("-on", "-off"))]
    answers = [*ANSWERS, *(item for item in items if item != "go-on")]
    return [list(dict.fromkeys((*ALWAYS.split(), *answer.split()))) for answer in answers]


def cut(sound: Sound) -> Sound | None:
    """The one utterance in a scene; None if it was cut to pieces or not found."""
    segmenter = Segmenter()
    found = [thing.segment.samples for thing in segmenter.feed(0, sound) if thing.what in {"whole", "cut"}]
    return found[0] if len(found) == 1 else None


def phoneme_engine(grammar: Grammar, second: SecondOpinion | None) -> Take:
    """The product's own rule, with a second opinion or without."""
    engine = PhonemeScorer()
    engine.prepare(grammar)
    risk = {command.name: command.risk for command in grammar.commands}

    def take(sound: Sound, live: list[str]) -> str | None:
        ranked, decoy = engine.score(sound, live)
        got = decide(grammar, ranked, live, decoy).command
        if second is None or (got and risk[got] in URGENT):
            return got
        return decide(grammar, ranked, live, decoy, second=second.hear(sound) or "").command

    return take


def sphinx(grammar: Grammar) -> Take | None:
    """PocketSphinx with the phrases of the live commands and nothing else."""
    try:
        from pocketsphinx import Decoder, get_model_path  # noqa: PLC0415 (an optional baseline)
    except ImportError as error:
        print(f"not run: PocketSphinx: {error}")
        return None
    decoder = Decoder(
        hmm=get_model_path("en-us/en-us"), dict=get_model_path("en-us/cmudict-en-us.dict"), lm=None, loglevel="FATAL"
    )
    owner = {phrase: command.name for command in grammar.commands for phrase in command.phrases}
    known: set[str] = set()

    def take(sound: Sound, live: list[str]) -> str | None:
        name = "_".join(live)
        if name not in known:
            phrases = " | ".join(phrase for phrase, command in owner.items() if command in live)
            decoder.add_jsgf_string(name, f"#JSGF V1.0; grammar live; public <live> = {phrases} ;")
            known.add(name)
        decoder.activate_search(name)
        decoder.start_utt()
        decoder.process_raw((sound * 45000).clip(-32768, 32767).astype(np.int16).tobytes(), full_utt=True)
        decoder.end_utt()
        found = decoder.hyp()
        return owner.get(found.hypstr) if found else None

    return take


def utterances(grammar: Grammar, *, quick: bool) -> Iterator[tuple[str, str | None, list[str]]]:
    """Text, the command it means or None, and what is live."""
    together = states(grammar)
    for command in grammar.commands:
        for phrase in command.phrases[: 2 if quick else None]:
            yield phrase, command.name, next(live for live in together if command.name in live)
    for number, text in enumerate(strangers(STRANGERS_NEAR) + strangers(STRANGERS_FAR)):
        for step in range(1 if quick else 2):
            yield text, None, together[(number + 7 * step) % len(together)]
    for number, command in enumerate(grammar.commands):  # answers to another question are strangers too
        live = together[(5 * number + 3) % len(together)]
        if command.name not in live:
            yield command.phrases[0], None, live


def main(*, quick: bool, tuning: bool, clean: bool) -> None:
    grammar = english()
    voices = to_hand(TUNING if tuning else HELD_OUT)
    names = list(voices)[: 3 if quick else None]
    engines: dict[str, Take] = {
        "phonemes": phoneme_engine(grammar, Sphinx(grammar)),
        "phonemes alone": phoneme_engine(grammar, None),
    }
    baseline = sphinx(grammar)
    if baseline is not None:
        engines["PocketSphinx, JSGF"] = baseline
    risk = {command.name: command.risk for command in grammar.commands}
    said = list(utterances(grammar, quick=quick))
    counts: dict[tuple[str, str], Counter[str]] = {(e, c): Counter() for e in engines for c in CONDITIONS}
    phrases: dict[str, Counter[str]] = {}
    confused: Counter[tuple[str, str, str]] = Counter()
    for condition, setting in list(CONDITIONS.items())[0 if clean else 1 : 2 if quick else None]:
        for name in names:
            for text, meant, live in said:
                sound = cut(scene(spoken(voices[name], text), f"{name}|{text}", **setting))  # type: ignore[arg-type]
                for engine, take in engines.items():
                    got = take(sound, live) if sound is not None else None
                    urgent = " (danger, stop)" if got and risk[got] in URGENT else ""
                    if meant:
                        result = "right" if got == meant else f"wrong{urgent}" if got else "refused"
                    else:
                        result = f"taken{urgent}" if got else "left"
                    counts[engine, condition][result] += 1
                    if meant and engine == "phonemes":
                        phrases.setdefault(text, Counter())[result] += 1
                    if got and got != meant and engine == "phonemes":
                        confused[condition, text, got] += 1
    report(counts, phrases, confused, names)
    items(grammar, {name: voices[name] for name in names}, engines)


def report(
    counts: dict[tuple[str, str], Counter[str]],
    phrases: dict[str, Counter[str]],
    confused: Counter[tuple[str, str, str]],
    names: list[str],
) -> None:
    """Print the rates."""
    print("voices: " + ", ".join(names))
    head = ("engine", "condition", "said", "right", "wrong", "to danger", "refused", "wrong <=", "strangers", "taken")
    rows = []
    for (engine, condition), count in counts.items():
        said = sum(count[key] for key in ("right", "wrong", "wrong (danger, stop)", "refused"))
        others = sum(count[key] for key in ("taken", "taken (danger, stop)", "left"))
        if said:
            rows.append(
                (
                    engine,
                    condition,
                    said,
                    f"{count['right']} ({count['right'] / said:.1%})",
                    count["wrong"],
                    count["wrong (danger, stop)"],
                    count["refused"],
                    f"{upper(count['wrong'], said):.2%}",
                    others,
                    f"{count['taken']} + {count['taken (danger, stop)']} to danger",
                )
            )
    table((*head[:-1], "taken"), rows)
    print("\nright by phrase (phonemes, all conditions), the worst first")
    order = sorted(phrases.items(), key=lambda entry: entry[1]["right"] / entry[1].total())
    print(", ".join(f"{text} {count['right']}/{count.total()}" for text, count in order))
    print("\ntaken for something else (phonemes)")
    for (condition, text, got), count in confused.most_common(40):
        print(f"  {count} x {text!r} for {got} ({condition})")


def items(grammar: Grammar, voices: dict[str, str], engines: dict[str, Take]) -> None:
    """Item by item with all of them live at once, harder than any state: the first phrases and the others apart."""
    names = [
        f"{item}-{state}" for item in ("gown", "gloves", "hood", "shield", "mask", "boots") for state in ("on", "off")
    ]
    for which, place in (("'gown on', 'gown off'", 0), ("'gown in place', 'gown removed'", 1)):
        for engine, take in engines.items():
            rows = []
            for name in names:
                command = grammar.command(name)
                assert command is not None
                got: Counter[str] = Counter()
                for voice, spec in voices.items():
                    text = command.phrases[place]
                    sound = cut(scene(spoken(spec, text), f"{voice}|{text}", mask=True, snr_db=20.0))
                    got[(take(sound, names) if sound is not None else None) or "refused"] += 1
                rows.append(
                    (
                        name,
                        got[name],
                        got["refused"],
                        ", ".join(f"{k} {v}" for k, v in got.items() if k not in {name, "refused"}),
                    )
                )
            print(f"\nitems, {which}, {engine}, mask and 20 dB")
            table(("said", "right", "refused", "taken for"), rows)


if __name__ == "__main__":
    main(quick="--quick" in sys.argv, tuning="--tuning" in sys.argv, clean="--clean" in sys.argv)
