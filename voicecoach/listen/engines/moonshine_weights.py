"""Adds taught differences to the weights in moonshine's encoder file, which is then loaded as if it had come that way.

The file's layout is that of one version, whose digest is checked; the differences name the places of the weights in it.
"""

from __future__ import annotations

import io
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from voicecoach.listen.engines.scorer import Array

AT = "/at"
"""Ends the names of the arrays that hold places."""


def encoder(original: bytes, differences: bytes) -> bytes:
    """The encoder's file with the differences added.

    `NAME/at` holds where the weights begin (bytes from the file's start) and, for weights of 8 bits, where their scale
    and their zero point lie. The difference itself is `NAME/d`, or the product of the narrow matrices `NAME/b` and
    `NAME/a`. Weights of 8 bits lie transposed, and are rounded again after the addition.

    Args:
        original: the package's file. differences: an .npz file, made by `tests/bench/training/encoder_teach.py`.
    """
    made = np.frombuffer(original, np.uint8).copy()
    with np.load(io.BytesIO(differences), allow_pickle=False) as file:
        for name in (name.removesuffix(AT) for name in file.files if name.endswith(AT)):
            plain = f"{name}/d" in file.files
            added = file[f"{name}/d"].astype(np.float32) if plain else _product(file[f"{name}/b"], file[f"{name}/a"])
            begin, *of_bytes = file[name + AT].tolist()
            if of_bytes:
                _add_bytes(made, begin, of_bytes, added)
            else:
                _add_floats(made, begin, added)
    return made.tobytes()


def _product(left: NDArray[np.float16], right: NDArray[np.float16]) -> Array:
    product: Array = left.astype(np.float32) @ right.astype(np.float32)
    return product


def _add_floats(file: NDArray[np.uint8], begin: int, added: Array) -> None:
    weights = file[begin : begin + 4 * added.size].view(np.float32)
    weights += added.ravel()


def _add_bytes(file: NDArray[np.uint8], begin: int, places: Sequence[int], added: Array) -> None:
    """Weights of 8 bits: (byte - zero point) x scale, with one scale for the whole matrix."""
    scale_at, zero_at = places
    stored = file[begin : begin + added.size]
    scale, zero = file[scale_at : scale_at + 4].view(np.float32), file[zero_at : zero_at + 1]
    weights = (stored.astype(np.float32) - np.float32(zero[0])) * scale[0] + added.T.ravel()
    low, high = min(float(weights.min()), 0.0), max(float(weights.max()), 0.0)
    scale[0] = (high - low) / 255
    zero[0] = round(-low / float(scale[0]))
    stored[:] = np.clip(np.rint(weights / scale[0]) + np.float32(zero[0]), 0, 255)
