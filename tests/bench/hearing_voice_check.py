"""What the voice check buys, for voices held out of tuning: `python tests/bench/hearing_voice_check.py [ENGINE ...]`.

Each voice does the check through a mask at 20 dB, as a session would ask for it. Then it says the same words again, in
other noise of 20 and of 10 dB: as it would have without the check, and with the longer words that the check offered and
the floors that it set. By words that the check heard and by those that it did not. Engines: mixed, phonemes by default.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

from hearing_accuracy import cuts
from hearing_sounds import LEAD_S, NATURAL_HELD_OUT, Sound, english, in_room, spoken, table, to_hand
from hearing_states import can_mean, states

from voicecoach.errors import EngineError
from voicecoach.grammar import Decision, Grammar, decide
from voicecoach.listen import registry
from voicecoach.listen.engines.scorer import Scorer
from voicecoach.protocol.site import Site
from voicecoach.runtime.library import load_protocol
from voicecoach.session.interpret.live_commands import live
from voicecoach.session.rehearsal import waits
from voicecoach.session.setup import Setup
from voicecoach.session.voice_check import VOICE_CHECK, VoiceTry, VoiceVerdict, judge, next_word, words

CHECKED, LATER = "mask, 20 dB", ("mask, 20 dB", "mask, 10 dB")


class Ear:
    """An engine with its floors."""

    def __init__(self, engine: str, grammar: Grammar) -> None:
        self.scorer: Scorer = registry.scorer(engine, registry.model_of(engine))
        self.rules = self.own = self.scorer.prepare(grammar)

    def set_floors(self, floors: dict[str, float]) -> None:
        """As the pipeline does."""
        lowered = [replace(c, floor=floors[c.name]) if c.name in floors else c for c in self.own.commands]
        self.rules = replace(self.own, commands=tuple(lowered))

    def hears(self, sound: Sound | None, among: Sequence[str]) -> Decision:
        """The decision on an utterance while these commands can be meant."""
        whole = cuts(sound, LEAD_S) if sound is not None else []
        if not whole:
            return Decision(None, "", -99.0, 0.0)
        ranked, decoy = self.scorer.score(whole[0], among)
        return decide(self.rules, ranked, among, decoy)


def check(ear: Ear, setup: Setup, voice: str, spec: str) -> list[VoiceTry]:
    """The tries of a voice."""
    tries: list[VoiceTry] = []
    worn = next(state for state, _ in waits(setup, "solo") if len(state.ledger.on()) > 1)
    while (word := next_word(setup, tries))[0]:
        name, text = word
        asked = replace(worn, status="asking", question=VOICE_CHECK, about=name, speech=())
        sound = in_room(spoken(spec, text), f"{voice}|{text}|{len(tries)}", CHECKED)
        got = ear.hears(sound, live(setup, asked))
        tries.append(VoiceTry(name, text, got.command or "", got.near == name, got.score, got.floor))
    return tries


def by_voice(checked: Mapping[str, VoiceVerdict]) -> str:
    """The engine for a voice that did the same check with several: the first of the registry's, unless a later one left
    fewer words unheard and mixed none up; '' if none was tried.
    """
    tried = [known.name for known in registry.ENGINES if known.name in checked]
    best = tried[0] if tried else ""
    for name in tried[1:]:
        found = checked[name]
        if not found.mixed_up and len(found.unheard) < len(checked[best].unheard):
            best = name
    return best


def main() -> None:
    """Print a row for each engine and voice."""
    grammar = english()
    setup = Setup(load_protocol("n95-gown")[0], grammar, Site(voice_check=True))
    rows = []
    checked: dict[str, dict[str, VoiceVerdict]] = {}
    for engine in sys.argv[1:] or ["mixed", "phonemes"]:
        try:
            ear = Ear(engine, grammar)
        except EngineError as error:
            print(f"not run: {error.line()}")
            continue
        for voice, spec in to_hand(NATURAL_HELD_OUT).items():
            ear.set_floors({})
            tries = check(ear, setup, voice, spec)
            found = judge(setup, tries, loud=False)
            heard = [name for name in words(setup) if name not in found.unheard]
            count: Counter[str] = Counter()
            for name in words(setup):
                command = grammar.command(name)
                assert command is not None
                for condition in LATER:
                    for form, text in (("plain", command.phrases[0]), ("offered", dict(found.better).get(name, ""))):
                        text = text or command.phrases[0]  # noqa: PLW2901 nothing was offered
                        ear.set_floors(dict(found.floors) if form == "offered" else {})
                        sound = in_room(spoken(spec, text), f"{voice}|{text}|later", condition)
                        later = can_mean(states(grammar), name, f"{voice}|{text}|{condition}") or [name]
                        right = ear.hears(sound, later).command == name
                        kind = "heard" if name in heard else "unheard"
                        count[f"{form} {kind} of"] += 1
                        count[f"{form} {kind}"] += right
            checked.setdefault(voice, {})[engine] = found
            rows.append((
                engine, voice, len(tries), f"{len(heard)} of {len(words(setup))}", " ".join(found.unheard) or "-",
                ", ".join(text for _, text in found.better) or "-", " ".join(name for name, _ in found.floors) or "-",
                "met" if found.met else "not met",
                *(f"{count[key]}/{count[key + ' of']}" for key in ("plain heard", "offered heard", "plain unheard")),
            ))  # fmt: skip
    table(
        ("engine", "voice", "tries", "heard", "unheard", "longer words", "floors", "bars", "later, plain", "as offered",
         "later, unheard"), rows,
    )  # fmt: skip
    for voice, verdicts in checked.items():
        print(f"{voice}: best heard by {by_voice(verdicts)}")


if __name__ == "__main__":
    main()
