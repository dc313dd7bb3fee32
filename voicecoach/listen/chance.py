"""The probability that an utterance is the command it sounds most like. Pure.

Two engines score how well each phrase fits. `Evidence` collects what these scores say for and against a command; a
logistic function, fitted to utterances with known words, turns it into a probability. The weights, the floors by risk
and the run that produced them are in a data file beside this module.
"""

from __future__ import annotations

import json
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from voicecoach.grammar import LOWEST, Grammar, Margins
from voicecoach.listen.engines.scorer import Scores

DENIED = -14.0
"""A command that moonshine puts this far (nats) behind another one is not taken, however well the phonemes hear it. Of
the tuning voices' 340 commands and strangers of this kind the fit alone would have taken 3, one of them rightly."""

LEAST_PHONES = -8.0
"""Below this (log-odds per phone) all fits are equally bad."""

FAR = 12.0
"""A lead beyond this (in the mixture) adds nothing."""

FILE = "chance.json"


@dataclass(frozen=True, slots=True)
class Mixture:
    """The weighted sum that ranks phrases.

    moonshine: weight of its score (nats); phones: of theirs (log-odds per phone); expected: how much of what moonshine
    expects of a phrase on noise alone is subtracted from its score, in addition to what that already lacks. Only for
    ranking: as evidence it would make a word of a noise.
    """

    moonshine: float
    phones: float
    expected: float


MIXED = Mixture(1.2, 2.1, 0.3)
"""Of 825 longer phrases and 216 single words of six tuning voices, quiet to 5 dB, each weighed with a fit on the other
voices, this took 786 and 181 rightly and 4 wrongly where it took 2 % of strangers, talk and words that were not live;
with 0.3 for moonshine 767 and 172, with 0.8 773 and 175.
"""

ALONE = Mixture(0.7, 0.9, 0.0)
"""For moonshine without the phonemes, as it was fitted."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """The evidence for or against a command.

    moonshine: score of its best phrase relative to the likeliest text (nats, less the expected score). phones: the
    phonemes' score of the same phrase (log-odds per phone). lead: of the mixture over the best phrase of another live
    command; lead_elsewhere: over that of a command that is not live; lead_decoys: of the phonemes over the best decoy.
    Leads are limited to FAR. words, letters: length of the phrase. live: natural logarithm of the number of live
    phrases. behind: moonshine's score less that of its best phrase of another command, live or not; at most 0.
    """

    moonshine: float
    phones: float
    lead: float
    lead_elsewhere: float
    lead_decoys: float
    words: float
    letters: float
    live: float
    behind: float = 0.0

    def vector(self) -> list[float]:
        """The inputs of the fitted function, in the order of `names`."""
        plain = [float(getattr(self, one.name)) for one in fields(self)]
        bends = [min(self.phones, -2.0), min(self.moonshine, -4.0), min(self.lead, 2.0), min(self.lead_decoys, 0.0)]
        bends += [min(self.lead_elsewhere, 0.0), self.letters * self.phones]
        return [*plain, *bends, self.phones if self.words == 1 else 0.0]


@dataclass(frozen=True, slots=True)
class Candidate:
    """A live command, its best phrase, and the evidence.

    apart: its lead (in the mixture) over the opposite state of the same item, live or not. among: its lead over the
    same state of every other item, live or not. Both are infinite if there is no such command.
    """

    command: str
    phrase: str
    evidence: Evidence
    apart: float = math.inf
    among: float = math.inf


@dataclass(frozen=True, slots=True)
class Calibration:
    """The fitted function. weights: one per input of `Evidence.vector`; offset: added to their sum."""

    weights: tuple[float, ...]
    offset: float

    def log_odds(self, evidence: Evidence) -> float:
        """Natural logarithm of the odds that this command was said."""
        return self.offset + math.fsum(w * x for w, x in zip(self.weights, evidence.vector(), strict=True))


@dataclass(frozen=True, slots=True)
class DecisionModel:
    """The fit for one engine. floors: the probability that a command of each risk needs. asked: the probability at
    which a danger word is asked about. apart: the lead (in the mixture) that an item's state needs over its opposite;
    among: over the same state of other items. single: the probability that certain commands need, whatever their risk:
    more for 'torn', which many words resemble, and for words that no step asks for; less for places on the
    body.
    """

    chance: Calibration
    floors: dict[str, float]
    asked: float
    apart: float
    among: float = 0.0
    single: Mapping[str, float] = field(default_factory=dict)

    def score(self, candidate: Candidate) -> float:
        """Log-odds that it is this command; the lowest score where moonshine denies it, and for an item's state that is
        not well apart from others.
        """
        odds = self.chance.log_odds(candidate.evidence)
        denied = candidate.evidence.behind <= DENIED
        unsure = candidate.apart < self.apart or candidate.among < self.among or denied
        return min(odds, LOWEST) if unsure else odds

    def rules(self, grammar: Grammar) -> Grammar:
        """The grammar with floors in log-odds instead of the phonemes' unit."""
        floors = tuple((risk, _log_odds(self.floors[risk])) for risk, _ in grammar.floors)
        near = _log_odds(self.floors["danger"]) - _log_odds(self.asked)
        margins = tuple((risk, Margins(near=near)) for risk, _ in grammar.floors)
        commands = tuple(
            replace(c, floor=_log_odds(self.single[c.name]) if c.name in self.single else None, inside=None)
            for c in grammar.commands
        )
        return replace(grammar, floors=floors, margins=margins, commands=commands)


def fitted(engine: str) -> DecisionModel:
    """The fit for 'mixed' or 'moonshine', from FILE."""
    text = resources.files(__package__ or "").joinpath(FILE).read_text(encoding="utf-8")
    data = json.loads(text)["engines"][engine]
    chance = Calibration(tuple(data["weights"]), data["offset"])
    return DecisionModel(chance, data["floors"], data["asked"], data["apart"], data["among"], data["single"])


class Weighing:
    """Weighs two engines' scores of a grammar's phrases into evidence for each command.

    phrases: all of them; owners: the command of each. expected: what moonshine expects of each phrase on noise alone,
    shape (phrases,).
    """

    def __init__(self, grammar: Grammar, mixture: Mixture = MIXED, expected: Scores | None = None) -> None:
        owned = [(phrase, command.name) for command in grammar.commands for phrase in command.phrases]
        self.phrases = tuple(phrase for phrase, _ in owned)
        self.owners = np.array([name for _, name in owned])
        self._mixture = mixture
        self._expected = np.zeros(len(owned)) if expected is None else mixture.expected * expected
        names = {command.name for command in grammar.commands}
        states = [name for name in names if opposite(name) in names]
        self._others = {
            name: np.isin(self.owners, [other for other in states if other != name and _state(other) == _state(name)])
            for name in states
        }
        """For each state of an item: which phrases name the same state of another item."""

    def candidates(
        self, live: Collection[str], moonshine: Scores, phones: Scores | None = None, decoy: float = -math.inf
    ) -> list[Candidate]:
        """Each live command with its evidence.

        Args:
            moonshine, phones: score of each phrase, shape (phrases,); phones is None if only moonshine listens.
            live: commands that can be meant. decoy: the phonemes' score of the best decoy.
        """
        heard = np.zeros(len(self.phrases)) if phones is None else np.maximum(phones, LEAST_PHONES)
        mixture = self._mixture.moonshine * (moonshine - self._expected) + self._mixture.phones * heard
        is_live = np.isin(self.owners, list(live))
        elsewhere = _best(mixture, ~is_live)
        best: dict[str, int] = {}
        for row in np.flatnonzero(is_live).tolist():
            name = str(self.owners[row])
            if name not in best or mixture[row] > mixture[best[name]]:
                best[name] = row
        count = math.log(max(int(is_live.sum()), 1))
        order = sorted(best.values(), key=lambda row: -float(mixture[row]))
        found = []
        for name, row in best.items():
            against = self.owners == opposite(name)
            apart = float(mixture[row]) - _best(mixture, against)
            others = self._others.get(name)
            among = math.inf
            if others is not None:
                among = float(mixture[row]) - _best(mixture, others)
            rival = next((float(mixture[other]) for other in order[:2] if other != row), -math.inf)
            evidence = Evidence(
                moonshine=float(moonshine[row]),
                phones=float(heard[row]),
                lead=_cut(float(mixture[row]) - rival),
                lead_elsewhere=_cut(float(mixture[row]) - elsewhere),
                lead_decoys=0.0 if phones is None else _cut(float(heard[row]) - max(decoy, LEAST_PHONES)),
                words=float(self.phrases[row].count(" ") + 1),
                letters=float(sum(letter.isalpha() for letter in self.phrases[row])),
                live=count,
                behind=min(float(moonshine[row]) - _best(moonshine, self.owners != name), 0.0),
            )
            found.append(Candidate(name, self.phrases[row], evidence, apart, among))
        return found


def opposite(name: str) -> str:
    """The other state of an item: 'gown-off' for 'gown-on'; '' if the command is not an item's state."""
    item, _, state = name.rpartition("-")
    return {"on": f"{item}-off", "off": f"{item}-on"}.get(state, "") if item else ""


def _state(name: str) -> str:
    return name.rpartition("-")[2]


def _best(scores: Scores, among: NDArray[np.bool_]) -> float:
    return float(np.max(scores, where=among, initial=-math.inf))


def _cut(lead: float) -> float:
    return max(-FAR, min(FAR, lead))


def _log_odds(chance: float) -> float:
    return math.log(chance / (1.0 - chance))


def chance_of(log_odds: float) -> float:
    """The probability with these log-odds."""
    return 1.0 / (1.0 + math.exp(-max(-60.0, min(60.0, log_odds))))


def names() -> Sequence[str]:
    """The weights' names, in order."""
    plain = (one.name for one in fields(Evidence))
    bends = ("phones under -2", "moonshine under -4", "lead under 2", "behind decoys", "behind others")
    return (*plain, *bends, "phones by letters", "phones of one word")
