"""What both teachers share: their arguments, the device, and the file that they leave."""

from __future__ import annotations

import argparse
import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray


def arguments(about: str | None, *, steps: int, seed: int) -> argparse.ArgumentParser:
    """Material, the file to make, and the defaults of what can be chosen."""
    parser = argparse.ArgumentParser(description=about)
    parser.add_argument("material", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--steps", type=int, default=steps)
    parser.add_argument("--seed", type=int, default=seed)
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    return parser


def ready(given: argparse.Namespace) -> torch.device:
    """The device, with the seed set."""
    torch.manual_seed(given.seed)
    torch.set_float32_matmul_precision("high")
    return torch.device(given.device)


def keep(out: Path, weights: Mapping[str, NDArray[Any]]) -> None:
    """Write the weights, and print the digest that the recogniser checks."""
    np.savez(out, **weights)  # type: ignore[arg-type]
    print(f"{out}: SHA-256 {hashlib.sha256(out.read_bytes()).hexdigest()}")
