"""Teach the phone network by itself: `python tests/bench/training/train.py MATERIAL OUT.npz [--steps N] [--seed N]`.

What the original network hears in a clean voice is what a copy of it has to hear in the same voice in a bad room: no
transcripts are needed. MATERIAL is the folder that `material.py` makes. PyTorch is not a dependency of the project:
install it beside. A GPU is used if there is one (two minutes), else the processor (nine hours of one core, by the pace
of the first three steps).

OUT.npz holds the new weights as float16 under the names of the original; `network` mixes them with the old.
"""

from __future__ import annotations

import hashlib
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import teaching
import torch
from numpy.typing import NDArray
from spoil import Spoiler, levelled
from student import FIXED, Named, copied, log_probabilities
from torch import Tensor
from torch.nn.utils import clip_grad_norm_

from voicecoach.listen.engines.network import original

BATCH, SAMPLES = 96, 44_800
"""Sounds a step, and samples of one (2.8 s); half of the steps have twice as many of half the length."""

PACES = (0.875, 0.9375, 1.0, 1.0625, 1.125)
"""Playing speeds, pitch and all, so that a few people sound like more."""

SHARES = {"people": 0.4, "english": 0.25, "espeak": 0.35}
"""Of the sounds, by the kind of voice."""

BLANKS = 0.3
"""Weight of a frame in which the original hears no phone; any other frame has 1."""

PULL = 0.003
"""Weight of the squared distance to the old weights."""

RATE = 4e-4
"""Highest learning rate of the one cycle."""


@dataclass
class Material:
    """Sounds of all speakers on the device, by kind."""

    speakers: dict[str, list[Tensor]]
    dice: torch.Generator

    def draw(self, count: int, samples: int, pace: float) -> Tensor:
        """Pieces of anyone, shape (count, samples), at a playing speed."""
        taken = 2 * round(samples * pace / 2)
        kinds = list(self.speakers)
        shares = torch.tensor([SHARES[kind] for kind in kinds])
        pieces = []
        for number in torch.multinomial(shares, count, replacement=True, generator=self.dice).tolist():
            speakers = self.speakers[kinds[number]]
            speaker = speakers[int(torch.randint(len(speakers), (), generator=self.dice))]
            begin = int(torch.randint(len(speaker) - taken, (), generator=self.dice))
            pieces.append(speaker[begin : begin + taken])
        sound = torch.stack(pieces).float() / 32768
        if taken == samples:
            return sound
        spectrum = torch.fft.rfft(sound)[:, : samples // 2 + 1]
        return torch.fft.irfft(spectrum, samples) * (samples / taken)


def gathered(folder: Path, seed: int, device: torch.device) -> Material:
    """The material of a folder; kinds that it lacks are done without."""
    found: dict[str, list[Tensor]] = {}
    for file in sorted(file for kind in SHARES for file in folder.glob(f"{kind}-*.npy")):
        sound: NDArray[np.int16] = np.load(file)
        found.setdefault(file.name.partition("-")[0], []).append(torch.from_numpy(sound).to(device))
        print(f"{file.name}: {len(sound) / 960_000:.1f} min, SHA-256 {hashlib.sha256(sound).hexdigest()[:16]}")
    return Material(found, torch.Generator().manual_seed(seed))


def taught(material: Material, old: Named, steps: int, seed: int, device: torch.device) -> Named:
    """The weights after that many steps."""
    new = {name: tensor.clone().requires_grad_(name not in FIXED) for name, tensor in old.items()}
    weights = [tensor for tensor in new.values() if tensor.requires_grad]
    before = [old[name] for name, tensor in new.items() if tensor.requires_grad]
    optimiser = torch.optim.AdamW(weights, lr=RATE, weight_decay=0.0)
    cycle = torch.optim.lr_scheduler.OneCycleLR(optimiser, RATE, total_steps=steps, pct_start=0.15)
    spoiler = Spoiler(torch.Generator(device).manual_seed(seed), device)
    choose = np.random.default_rng(seed)
    begun, shown = time.monotonic(), torch.zeros(2, device=device)
    for step in range(1, steps + 1):
        shorter = int(choose.integers(1, 3))
        count, samples = BATCH * shorter, SAMPLES // shorter
        clean = material.draw(count, samples, float(choose.choice(PACES)))
        others = material.draw(count * 3, samples, 1.0).reshape(count, 3, samples)
        with torch.no_grad():
            target = log_probabilities(old, levelled(clean))
            heard = levelled(spoiler(clean, others))
        loss = divergence(target, log_probabilities(new, heard))
        pull = torch.stack([(now - then).square().sum() for now, then in zip(weights, before, strict=True)]).sum()
        optimiser.zero_grad()
        (loss + PULL * pull).backward()
        clip_grad_norm_(weights, 1.0)
        optimiser.step()
        cycle.step()
        shown += torch.stack([loss.detach(), pull.detach()])
        if step % 100 == 0 or step == steps:
            mean, far = (shown / (step % 100 or 100)).tolist()
            print(f"step {step}: divergence {mean:.3f}, moved {far:.1f}, {time.monotonic() - begun:.0f} s", flush=True)
            shown.zero_()
    return {name: tensor.detach() for name, tensor in new.items()}


def divergence(target: Tensor, heard: Tensor) -> Tensor:
    """Kullback-Leibler divergence of the phones heard from the target, a weighted mean over the frames."""
    blank = target.shape[-1] - 1
    weight = torch.where(target.argmax(dim=-1) == blank, BLANKS, 1.0)
    each = (target.exp() * (target - heard)).sum(dim=-1)
    return (weight * each).sum() / weight.sum()


def stored(new: Named) -> dict[str, NDArray[np.float16]]:
    """The weights without the front end, as they are stored."""
    return {name: tensor.cpu().numpy().astype(np.float16) for name, tensor in new.items() if name not in FIXED}


def main() -> None:
    given = teaching.arguments(__doc__, steps=3000, seed=11).parse_args()
    device = teaching.ready(given)
    old = copied(original(), device)
    new = taught(gathered(given.material, given.seed, device), old, given.steps, given.seed, device)
    teaching.keep(given.out, stored(new))


if __name__ == "__main__":
    main()
