"""Weights of the phone network that were trained to hear through noise, masks, echo and other voices.

`taught-phones.npz` beside this file was made by `tests/bench/training/train.py`; the notice beside it names the
material and its licences. The network in use is a mean of these weights and the original ones.
"""

from __future__ import annotations

import hashlib
import io
import zipfile
from importlib import resources

import numpy as np

from voicecoach.errors import EngineError
from voicecoach.listen.engines.scorer import Array

FILE = "taught-phones.npz"
SHA256 = "8b5406f32b94b58929067cdca07714489a2a5e7a096e939169e8626f659c95dc"

SHARE = 0.5
"""The share of the taught weights in the mean. With 0.7 more is recognised among voices 10 dB down, but fewer of a
person's isolated words in quiet, and more of what others say in the distance in noise is taken for danger words."""


def read() -> bytes:
    """The file's bytes, checked.

    Raises:
        EngineError: it is missing or damaged; the message says what is used instead.
    """
    try:
        data = resources.files(__package__).joinpath(FILE).read_bytes()
    except OSError:
        what = "is missing"
    else:
        if hashlib.sha256(data).hexdigest() == SHA256:
            return data
        what = "is damaged"
    raise EngineError(
        f"{what}; the phoneme recogniser uses the weights of the hama package instead, which are worse in noise",
        where=FILE,
        mend="reinstall voicecoach",
    )


def trouble() -> str:
    """Why the taught weights cannot be used, in one line; '' if they can."""
    try:
        read()
    except EngineError as error:
        return error.line()
    return ""


def mixed(original: dict[str, Array], share: float = SHARE) -> dict[str, Array]:
    """The original tensors by name, with the taught ones mixed in, as float32.

    Args:
        original: all tensors, in their order. share: of the taught weights, 0 to 1.

    Raises:
        EngineError: as `read`. LookupError, ValueError: the tensors are not those of the network that was trained.
    """
    try:
        with np.load(io.BytesIO(read()), allow_pickle=False) as file:
            taught = {name: file[name].astype(np.float32) for name in file.files}
    except zipfile.BadZipFile as error:
        raise ValueError(str(error)) from None
    if not all(original[name].shape == value.shape for name, value in taught.items()):
        raise ValueError("the taught weights have another shape")
    weight = np.float32(share)
    return {
        name: value + weight * (taught[name] - value) if name in taught else value for name, value in original.items()
    }
