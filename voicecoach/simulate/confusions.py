"""Speaks a grammar's words to an engine in several voices, to find out what they are taken for.

The voices are those of the package's own synthesiser, plain and behind a respirator. They are formant voices, not
recordings: what is mixed up in them is worth changing, but people may still mix up other things.
"""

from __future__ import annotations

import functools
import sys
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.grammar import URGENT, Command, Grammar, Scored, decide
from voicecoach.listen import confusion
from voicecoach.listen.chance import opposite
from voicecoach.listen.confusion import ConfusionReport, Trial
from voicecoach.listen.engines.scorer import Scorer
from voicecoach.runtime.prompt_check import OnProgress
from voicecoach.simulate.room import SPEECH_LEVEL, Mask, Room, muffled, room_noise
from voicecoach.speak.voice import DEFAULT_VOICE, render_texts

VOICES = ("en-us+m3", "en-gb+f2", "en-gb-scotland") if sys.platform == "linux" else (DEFAULT_VOICE,)
"""Voices of eSpeak NG. On other systems the package has only the system's voice."""
VARIANTS = ("+m3", "+f2")
ROOMS: tuple[tuple[Mask, float], ...] = (("none", -30.0), ("respirator", -20.0))
"""What is worn over the mouth, and the noise relative to speech (dB)."""
RIVALS = 3
"""How many of the likeliest other commands are tried against each utterance."""
PAD_S = 0.25
"""Room noise before and after each utterance, like the pads of a recogniser (s)."""


def voices_of(language: str) -> tuple[str, ...]:
    """Voices that speak a language, as eSpeak NG names them."""
    if language == "en" or sys.platform != "linux":
        return VOICES
    return tuple(language + variant for variant in VARIANTS)


Render = Callable[[Sequence[str], str], Sequence[Samples]]


def _render(texts: Sequence[str], voice: str) -> Sequence[Samples]:
    return render_texts(texts, voice=voice)


@dataclass(frozen=True, slots=True)
class Bench:
    """An engine under test, and how words are spoken to it.

    scorer: not yet prepared. grammar: all commands. voices: names for `render`, which speaks texts in a voice.
    """

    scorer: Scorer
    grammar: Grammar
    voices: Sequence[str] = VOICES
    render: Render = _render

    def run(self, on_progress: OnProgress) -> tuple[ConfusionReport, dict[str, tuple[str, int, int]]]:
        """Run the test; returns what is mixed up, and better words, which were tested as well.

        Raises:
            EngineError: the engine cannot use this grammar, or a voice cannot speak.
        """
        said = [(phrase, command.name) for command in self.grammar.commands for phrase in command.phrases]
        decoys = [(decoy, "") for decoy in self.grammar.decoys]
        each = len(self.voices) * len(ROOMS)
        total = len(said) * each + len(decoys)
        trials = list(self._trials(self.grammar, said, decoys, lambda done: on_progress(done, total)))
        found = confusion.find(self.grammar, trials)
        wider, new = self._with_new_words(found)
        if not new:
            return found, confusion.better(found, self.grammar)
        total += len(new) * each
        begun = len(trials)
        tried = confusion.find(wider, self._trials(wider, new, (), lambda done: on_progress(begun + done, total)))
        return found, confusion.better(found, self.grammar, tried)

    def _with_new_words(self, found: ConfusionReport) -> tuple[Grammar, list[tuple[str, str]]]:
        """The grammar with other words for what is mixed up, and those words with their commands."""
        new: dict[str, str] = {}
        for phrase in confusion.to_look_at(found)[:20]:
            for command in self.grammar.commands:
                if phrase in command.phrases:
                    words = confusion.instead_of(self.grammar, command, phrase)
                    new.update(dict.fromkeys((one for one in words if one not in new), command.name))
        commands = tuple(
            replace(command, phrases=(*command.phrases, *(one for one, name in new.items() if name == command.name)))
            for command in self.grammar.commands
        )
        return replace(self.grammar, commands=commands), list(new.items())

    def _trials(
        self, grammar: Grammar, said: Sequence[tuple[str, str]], decoys: Sequence[tuple[str, str]],
        on_progress: Callable[[int], None],
    ) -> Iterator[Trial]:  # fmt: skip
        rules = self.scorer.prepare(grammar)
        rng = np.random.default_rng(5)
        done = 0
        for number, voice in enumerate(self.voices):
            # decoys in one voice only, since there are many
            texts = [*said, *(decoys if number == 0 else ())]
            rendered = self.render([words for words, _ in texts], voice)
            for row, (words, command) in enumerate(texts):
                for mask, noise_db in ROOMS if command else ROOMS[:1]:
                    yield trial(self.scorer, rules, in_room(rendered[row], mask, noise_db, rng), words, command)
                    done += 1
                    on_progress(done)


def in_room(samples: Samples, mask: Mask, noise_db: float, rng: np.random.Generator) -> Samples:
    """An utterance, shape (frames,), as a recogniser would cut it out: behind a mask, in noise, with pads."""
    level = float(np.sqrt(np.mean(np.square(samples, dtype=np.float64))))
    heard = np.pad(muffled(samples * np.float32(SPEECH_LEVEL / max(level, 1e-6)), mask), round(PAD_S * RATE_HZ))
    noise = _noise(noise_db)
    begin = int(rng.integers(0, len(noise) - len(heard)))
    made: Samples = (heard + noise[begin : begin + len(heard)]).astype(np.float32)
    return made


@functools.cache
def _noise(noise_db: float) -> Samples:
    return room_noise(Room(noise_db=noise_db), np.random.default_rng(5))


def trial(scorer: Scorer, rules: Grammar, sound: Samples, words: str, command: str) -> Trial:
    """Try one utterance with every command live, then beside and instead of each of its rivals."""
    everything = [one.name for one in rules.commands]
    urgent = {one.name for one in rules.urgent}
    ranked, decoy = scorer.score(sound, everything)
    decision = decide(rules, ranked, everything, decoy)
    rivals = []
    for other in _rivals(rules, ranked, command) if command else ():
        both = _taken(scorer, rules, sound, {*urgent, command, other})
        others = (urgent | {other}) - {command}
        if others <= urgent:  # with danger words alone it would be searched like a sentence
            others.add(_furthest(rules, ranked, {command, other}))
        rivals.append((other, both == other, _taken(scorer, rules, sound, others) == other))
    against = _decoy(scorer, sound) if decision.command is None else ""
    return Trial(words, command, decision.command, decision.near, tuple(rivals), against)


def _rivals(rules: Grammar, ranked: Sequence[Scored], command: str) -> list[str]:
    against = opposite(command)
    likely = [one.command for one in ranked if one.command not in {command, against}][:RIVALS]
    return [against, *likely] if rules.command(against) is not None else likely


def _taken(scorer: Scorer, rules: Grammar, sound: Samples, live: Collection[str]) -> str | None:
    known = sorted(live)
    ranked, decoy = scorer.score(sound, known)
    return decide(rules, ranked, known, decoy).command


def _furthest(rules: Grammar, ranked: Sequence[Scored], but: Collection[str]) -> str:
    calm = [one for one in rules.commands if one.risk not in URGENT and one.name not in but]
    place = {scored.command: number for number, scored in enumerate(ranked)}
    furthest: Command = max(calm, key=lambda one: place.get(one.name, len(place)))
    return furthest.name


def _decoy(scorer: Scorer, sound: Samples) -> str:
    nearest: Callable[[Samples], str] | None = getattr(scorer, "nearest_decoy", None)
    return nearest(sound) if nearest is not None else ""
