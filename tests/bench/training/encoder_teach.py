"""Teach moonshine's encoder: `python tests/bench/training/encoder_teach.py MATERIAL OUT.npz [--steps N] [--seed N]`.

In a bad room the encoder has to give what the original gives for the clean sound, frame by frame; the decoder has to
read from it what was said, where that is known; and what was said has to be likelier than phrases of the grammar that
resemble it. MATERIAL is the folder that `encoder_material.py` makes. PyTorch and transformers are not dependencies of
the project: install them beside. A GPU needs 0.1 s a step, eight minutes for all; a processor many seconds a step.

Each matrix of the encoder is changed by the product of two narrow ones (low-rank adaptation, Hu et al. 2021,
arXiv:2106.09685), each vector and the first filter by a difference of its own. OUT.npz holds them as float16, and where
in the package's file they are added (see `moonshine_weights`).
"""

from __future__ import annotations

import argparse
import difflib
import hashlib
import json
import math
import random
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import encoder_student
import numpy as np
import teaching
import torch
from numpy.typing import NDArray
from spoil import Spoiler, levelled
from torch import Tensor
from torch.nn import functional
from torch.nn.utils import clip_grad_norm_, parametrize

from voicecoach.listen.engines.moonshine import noises
from voicecoach.listen.engines.moonshine_network import folder
from voicecoach.listen.engines.moonshine_pieces import BEGIN, END, Pieces
from voicecoach.listen.engines.moonshine_tree import spellings

RATE_HZ = 16_000
LENGTHS_S = (0.9, 1.1, 1.4, 1.8, 2.4, 3.2, 4.6)
"""All sounds of one step have one of these lengths: the encoder's first norm is over the whole sound."""
OFTEN = (1.0, 1.3, 1.3, 1.2, 1.0, 0.8, 0.5)
BATCH_S, MOST = 190, 160
"""Seconds of sound in a step, and most sounds."""
SHARES = {"people": 0.24, "voice": 0.44, "natural": 0.08, "english": 0.15, "espeak": 0.09}
PACES = (0.875, 0.94, 1.0, 1.0, 1.06, 1.125)
RATE = 8e-4
RANK = 60
CHOICE = 0.4
"""Weight of the choice among phrases; frames and decoder have 1."""
KNOWN = 0.25
"""Weight of a frame of a sound whose text is known: the original misreads many single words ("foot", "mouth")."""
EXPECTED = 0.3
"""As in the recogniser: of a phrase's score on noise alone."""
CANDIDATES, NEAR = 10, 4
"""Phrases to choose from, and how many of them resemble the one said."""
READ_OUT, CHOSEN = 64, 40
"""Utterances of a step whose text the decoder reads, and for which it chooses."""
LONGEST = 24
"""Letters of a text that may be chosen."""
AT_ONCE = 500
"""Texts whose expected scores are computed together."""


class Narrow(torch.nn.Module):
    """A matrix plus the product of two narrow ones."""

    def __init__(self, weight: Tensor, rank: int) -> None:
        super().__init__()
        inputs = weight[0].numel()
        self.a = torch.nn.Parameter(torch.randn(rank, inputs, device=weight.device) / math.sqrt(inputs))
        self.b = torch.nn.Parameter(torch.zeros(len(weight), rank, device=weight.device))

    def forward(self, weight: Tensor) -> Tensor:
        """The matrix in use."""
        return weight + (self.b @ self.a).reshape(weight.shape)


class Plain(torch.nn.Module):
    """A tensor plus a difference."""

    def __init__(self, weight: Tensor) -> None:
        super().__init__()
        self.d = torch.nn.Parameter(torch.zeros_like(weight))

    def forward(self, weight: Tensor) -> Tensor:
        """The tensor in use."""
        return weight + self.d


def made_teachable(encoder: Any, rank: int) -> dict[str, torch.nn.Module]:
    """What is added to each weight of the encoder, by its name."""
    added: dict[str, torch.nn.Module] = {}
    weights = [(module, path, name) for path, module in encoder.named_modules() for name in dict(module._parameters)]
    for module, path, name in weights:
        weight, full = getattr(module, name), f"{path}.{name}" if path else name
        if weight is not None:
            matrix = weight.dim() >= 2 and full != "conv1.weight"
            added[full] = Narrow(weight.data, rank) if matrix else Plain(weight.data)
            parametrize.register_parametrization(module, name, added[full], unsafe=True)
    return added


@dataclass
class Material:
    """All utterances, one after another, on the device. spans: first sample and length; by_length: numbers of the
    utterances of each kind that fit a length; talk: what people say, for a background.
    """

    bank: Tensor
    spans: list[tuple[int, int]]
    texts: list[str]
    talk: Tensor
    by_length: dict[tuple[int, str], list[int]] = field(default_factory=dict)

    @classmethod
    def read(cls, folder: Path, device: torch.device) -> Material:
        """The files of a folder; kinds that it lacks are done without."""
        parts, talk, spans, kinds, begin = [], [], [], [], 0
        texts: list[str] = []
        for file in sorted(file for kind in SHARES for file in folder.glob(f"{kind}-*.npz")):
            with np.load(file) as stored:
                sound: NDArray[np.int8] = stored["sound"]
                ends, own = stored["ends"].tolist(), json.loads(str(stored["texts"]))
            print(f"{file.name}: {len(own)}, SHA-256 {hashlib.sha256(sound.tobytes()).hexdigest()[:16]}")
            kind = file.name.partition("-")[0]
            parts.append(torch.from_numpy(sound).to(device))
            talk += [parts[-1]] if kind == "people" else []
            spans += [(begin + start, stop - start) for start, stop in zip([0, *ends], ends, strict=False)]
            texts += own
            kinds += [kind] * len(own)
            begin += len(sound)
        made = cls(torch.cat(parts), spans, texts, torch.cat(talk))
        for number, (_, length) in enumerate(spans):
            fits = (place for place, most_s in enumerate(LENGTHS_S) if length <= (most_s - 0.2) * RATE_HZ)
            made.by_length.setdefault((next(fits, len(LENGTHS_S) - 1), kinds[number]), []).append(number)
        return made

    def draw(self, dice: random.Random) -> tuple[Tensor, Tensor, list[str]]:
        """Clean sounds of one length, shape (count, samples); three backgrounds each; what is said."""
        (place,) = dice.choices(range(len(LENGTHS_S)), weights=OFTEN)
        samples, pace = round(LENGTHS_S[place] * RATE_HZ), dice.choice(PACES)
        count = min(MOST, round(BATCH_S / LENGTHS_S[place]))
        here = [kind for kind in SHARES if (place, kind) in self.by_length]
        drawn = dice.choices(here, weights=[SHARES[kind] for kind in here], k=count)
        begins, offsets, lengths, texts = [], [], [], []
        for number in (dice.choice(self.by_length[place, kind]) for kind in drawn):
            length = int(self.spans[number][1] / pace)
            whole = length <= samples
            offsets.append(dice.randrange(samples - length + 1) if whole else -dice.randrange(length - samples + 1))
            begins.append(self.spans[number][0])
            lengths.append(length)
            texts.append(self.texts[number] if whole else "")
        begin, offset, length_of = (
            torch.tensor(one, device=self.bank.device)[:, None] for one in (begins, offsets, lengths)
        )
        at = torch.arange(samples, device=self.bank.device)[None] - offset
        inside = (at >= 0) & (at < length_of - 1)
        exact = at.clamp_min(0) * pace
        low = exact.floor().long()
        source = (begin + low).clamp(0, len(self.bank) - 2)
        share = exact - low
        sound = (plain(self.bank[source]) * (1 - share) + plain(self.bank[source + 1]) * share) * inside
        starts = torch.randint(len(self.talk) - samples, (count, 3, 1), device=self.bank.device)
        others = plain(self.talk[starts + torch.arange(samples, device=self.bank.device)])
        return sound + 2e-4 * torch.randn_like(sound), others, texts


def plain(sound: Tensor) -> Tensor:
    """Samples from -1 to 1 of bytes by the mu-law (see `encoder_material.by_mu_law`)."""
    bent = sound.float() / 127
    return torch.sign(bent) * (torch.exp(bent.abs() * math.log(256)) - 1) / 255


class Decoder:
    """The original decoder: what it reads from an encoder's states, of shape (texts, frames, 288)."""

    def __init__(self, model: Any, pieces: Pieces, device: torch.device) -> None:
        self._model, self._device = model, device
        self._ends = torch.tensor([END, *(pieces.one(mark) for mark in (".", ",", "!", "?"))], device=device)

    def logs(self, states: Tensor, ids: Tensor) -> Tensor:
        """Log-probabilities of the next piece after each of `ids`, shape (texts, pieces)."""
        out = self._model.model.decoder(input_ids=ids, encoder_hidden_states=states, use_cache=False)
        return torch.log_softmax(self._model.proj_out(out.last_hidden_state).float(), dim=-1)

    def padded(self, texts: list[list[int]]) -> tuple[Tensor, Tensor]:
        """Texts as one tensor, and the length of each."""
        width = max(map(len, texts))
        ids = torch.tensor([text + [END] * (width - len(text)) for text in texts], device=self._device)
        return ids, torch.tensor([len(text) for text in texts], device=self._device)

    def scores(self, states: Tensor, texts: list[list[int]]) -> Tensor:
        """The score of each text, and that it ends there, shape (texts,)."""
        ids, lengths = self.padded([[BEGIN, *text] for text in texts])
        logs = self.logs(states, ids)
        each = logs[:, :-1].gather(2, ids[:, 1:, None])[..., 0]
        said = torch.arange(ids.shape[1] - 1, device=self._device)[None] < (lengths - 1)[:, None]
        last = logs[torch.arange(len(ids), device=self._device), lengths - 1]
        return (each * said).sum(dim=1) + torch.logsumexp(last[:, self._ends], dim=1)


class Phrases:
    """What can be said: the grammar's phrases, then every other text of the material. Of each the ids in both
    spellings, what it may be taken for, and what the original expects of it on noise alone.
    """

    def __init__(self, owned: list[list[str]], others: list[str], pieces: Pieces) -> None:
        every = [*owned, *([text, ""] for text in others)]
        self.owners, self._own = [command for _, command in every], len(owned)
        self.number = {text: number for number, (text, _) in enumerate(every)}
        self.ids = [[list(pieces.encode(text)) for text in spellings(text)] for text, _ in every]
        alike = np.array([[difflib.SequenceMatcher(None, text, phrase).quick_ratio() for phrase, _ in owned]
                          for text, _ in every])  # fmt: skip
        same = np.array([[owner == command for _, command in owned] for owner in self.owners])
        alike[same] = -1.0
        self.near = np.argsort(-alike, axis=1)[:, : 2 * NEAR].tolist()
        """Phrases of other commands that resemble each."""
        self.strange = (self._own + np.argsort(-alike[self._own :].T, axis=1)[:, : 4 * NEAR]).tolist()
        """Texts that are no phrase and resemble each phrase."""
        self.expected = torch.zeros(len(every))

    def expect(self, decoder: Decoder, encoder: Any, device: torch.device) -> None:
        """Compute what is expected of each."""
        total = torch.zeros(len(self.ids), device=device)
        with torch.no_grad():
            for sound in noises():
                states = encoder(levelled(torch.from_numpy(sound).to(device)[None])).last_hidden_state
                for some in torch.arange(len(self.ids)).split(AT_ONCE):
                    both = [
                        decoder.scores(
                            states.expand(len(some), -1, -1), [self.spelt(number, way) for number in some.tolist()]
                        )
                        for way in (0, 1)
                    ]
                    total[some] += torch.maximum(*both)
        self.expected = total / len(noises())

    def spelt(self, number: int, way: int) -> list[int]:
        """The ids of a text: as it is for way 0, with a capital first letter, if it has one, for way 1."""
        return self.ids[number][min(way, len(self.ids[number]) - 1)]

    def candidates(self, said: int, dice: random.Random) -> list[int]:
        """What was said, then phrases of other commands, some of which resemble it; for a phrase also other texts."""
        near = self.near[said]
        if said < self._own and self.strange[said]:
            near = [*dice.sample(near, NEAR // 2), *dice.sample(self.strange[said], NEAR // 2)]
        chosen = [said, *dice.sample(near, NEAR)]
        while len(chosen) < CANDIDATES:
            other = dice.randrange(self._own)
            if self.owners[other] != self.owners[said]:
                chosen.append(other)
        return chosen


@dataclass
class Lesson:
    """One step's losses."""

    decoder: Decoder
    phrases: Phrases
    pieces: Pieces
    dice: random.Random

    def frames(self, target: Tensor, heard: Tensor, texts: list[str]) -> Tensor:
        """Squared distance of the states from the target's, by the target's size, the mean of all frames."""
        each = ((heard - target).square().sum(dim=-1) / target.square().sum(dim=-1)).mean(dim=-1)
        return (each * torch.tensor([KNOWN if text else 1.0 for text in texts], device=each.device)).mean()

    def reading(self, heard: Tensor, texts: list[str]) -> Tensor:
        """How unlikely the decoder finds known texts, for a piece."""
        rows = [row for row, text in enumerate(texts) if text][:READ_OUT]
        if not rows:
            return heard.new_zeros(())
        written = [self._written(texts[row]) for row in rows]
        lengths = torch.tensor([len(ids) + 1 for ids in written], device=heard.device)
        return -(self.decoder.scores(heard[rows], written) / lengths).mean()

    def _written(self, text: str) -> list[int]:
        first = text[:1].upper() if self.dice.random() < 0.7 else text[:1]
        return list(self.pieces.encode((first + text[1:]).rstrip(".?!")))

    def choice(self, heard: Tensor, texts: list[str]) -> Tensor:
        """Cross-entropy of the phrase that was said among CANDIDATES."""
        rows = [row for row, text in enumerate(texts) if text in self.phrases.number][:CHOSEN]
        if not rows:
            return heard.new_zeros(())
        offered = [
            number for row in rows for number in self.phrases.candidates(self.phrases.number[texts[row]], self.dice)
        ]
        way = self.dice.choice((0, 1, 1))
        states = heard[[row for row in rows for _ in range(CANDIDATES)]]
        scores = self.decoder.scores(states, [self.phrases.spelt(number, way) for number in offered])
        scores = scores - EXPECTED * self.phrases.expected[offered]
        first = torch.zeros(len(rows), dtype=torch.long, device=heard.device)
        return functional.cross_entropy(scores.reshape(len(rows), -1), first)


def taught(
    material: Material, owned: list[list[str]], given: argparse.Namespace, device: torch.device
) -> dict[str, torch.nn.Module]:
    """What is added to each weight after that many steps."""
    old, new = encoder_student.whole(device), encoder_student.whole(device).model.encoder
    added = made_teachable(new, given.rank)
    weights = [weight for one in added.values() for weight in one.parameters()]
    pieces = Pieces.read(folder() / "tokenizer.bin")
    known = {phrase for phrase, _ in owned}
    others = sorted({text for text in material.texts if text and len(text) <= LONGEST} - known)
    decoder, phrases = Decoder(old, pieces, device), Phrases(owned, others, pieces)
    phrases.expect(decoder, old.model.encoder, device)
    lesson = Lesson(decoder, phrases, pieces, random.Random(given.seed))  # noqa: S311 (nothing secret)
    spoiler = Spoiler(torch.Generator(device).manual_seed(given.seed), device)
    optimiser = torch.optim.AdamW(weights, lr=RATE, weight_decay=0.01)
    cycle = torch.optim.lr_scheduler.OneCycleLR(optimiser, RATE, total_steps=given.steps, pct_start=0.1)
    begun, shown = time.monotonic(), torch.zeros(3, device=device)
    for step in range(1, given.steps + 1):
        clean, others, texts = material.draw(lesson.dice)
        with torch.no_grad():
            target = old.model.encoder(levelled(clean)).last_hidden_state
            spoiled = levelled(spoiler(clean, others))
        heard = new(spoiled).last_hidden_state
        losses = torch.stack(
            [lesson.frames(target, heard, texts), lesson.reading(heard, texts), lesson.choice(heard, texts)]
        )
        optimiser.zero_grad()
        (losses[0] + losses[1] + CHOICE * losses[2]).backward()
        clip_grad_norm_(weights, 1.0)
        optimiser.step()
        cycle.step()
        shown += losses.detach()
        if step % 100 == 0 or step == given.steps:
            frames, reading, choice = (shown / (step % 100 or 100)).tolist()
            losses_text = f"frames {frames:.4f}, reading {reading:.3f}, choice {choice:.3f}"
            print(f"step {step}: {losses_text}, {time.monotonic() - begun:.0f} s", flush=True)
            shown.zero_()
    return added


def stored(added: dict[str, torch.nn.Module]) -> dict[str, NDArray[Any]]:
    """As `moonshine_weights` reads it."""
    file = encoder_student.read(encoder_student.ENCODER)
    made: dict[str, NDArray[Any]] = {}
    for name, one in sorted(added.items()):
        made |= {
            f"{name}/{part}": value.detach().cpu().numpy().astype(np.float16) for part, value in one.named_parameters()
        }
        made[f"{name}/at"] = np.array(file.places(name), np.int64)
    return made


def main() -> None:
    parser = teaching.arguments(__doc__, steps=4450, seed=1)
    parser.add_argument("--rank", type=int, default=RANK)
    given = parser.parse_args()
    device = teaching.ready(given)
    owned = json.loads((given.material / "phrases.json").read_text(encoding="utf-8"))
    added = taught(Material.read(given.material, device), owned, given, device)
    teaching.keep(given.out, stored(added))


if __name__ == "__main__":
    main()
