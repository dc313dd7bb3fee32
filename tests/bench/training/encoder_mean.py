"""The mean of several runs of `encoder_teach.py`: `python tests/bench/training/encoder_mean.py OUT.npz RUN.npz ...`.

Runs that were taught otherwise err otherwise, and of what voices say that none of them knew their mean reads more than
the best of them (averaging weights: Wortsman et al. 2022, arXiv:2203.05482). The products of narrow matrices are added
up, and the sum is cut to RANK again, by its largest singular values.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import teaching
from numpy.typing import NDArray

from voicecoach.listen.engines.moonshine_weights import AT

RANK = 60
Run = Mapping[str, NDArray[Any]]


def mean(runs: Sequence[Run]) -> dict[str, NDArray[Any]]:
    """The mean of what the runs add, as `moonshine_weights` reads it."""
    made = {}
    for name in (name.removesuffix(AT) for name in runs[0] if name.endswith(AT)):
        if f"{name}/d" in runs[0]:
            made[f"{name}/d"] = np.mean([run[f"{name}/d"].astype(np.float64) for run in runs], axis=0).astype(
                np.float16
            )
        else:
            made[f"{name}/b"], made[f"{name}/a"] = narrow(
                np.concatenate([run[f"{name}/b"].astype(np.float64) for run in runs], axis=1) / len(runs),
                np.concatenate([run[f"{name}/a"].astype(np.float64) for run in runs]),
            )
        made[name + AT] = runs[0][name + AT]
    return made


def narrow(left: NDArray[np.float64], right: NDArray[np.float64]) -> tuple[NDArray[np.float16], NDArray[np.float16]]:
    """Two matrices of RANK columns and rows, whose product is about that of two broader ones."""
    outer, inner = np.linalg.qr(left), np.linalg.qr(right.T)
    turned, sizes, back = np.linalg.svd(outer.R @ inner.R.T)
    each = np.sqrt(sizes[:RANK])
    columns, rows = outer.Q @ (turned[:, :RANK] * each), (inner.Q @ (back[:RANK].T * each)).T
    return columns.astype(np.float16), rows.astype(np.float16)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("runs", type=Path, nargs="+")
    given = parser.parse_args()
    runs = []
    for file in given.runs:
        with np.load(file, allow_pickle=False) as stored:
            runs.append(dict(stored))
    teaching.keep(given.out, mean(runs))


if __name__ == "__main__":
    main()
