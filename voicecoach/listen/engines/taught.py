"""Weights of the phone network that were taught to hear through noise, masks, echo and other voices.

`taught-phones.npz` beside this file comes from `tests/bench/training/train.py`; the notice beside it says what it was
made of and under which licence. The network in use is a mix of these and the original's.
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
"""Of the taught weights in the mix; the rest is the original's. With 0.7 more is heard among voices 10 dB down, but a
person's isolated words in quiet are known less often than by the original, and more of what others say far off in noise
passes the floors of danger words."""


def read() -> bytes:
    """The file's bytes, checked.

    Raises:
        EngineError: it is missing or damaged; in one line, with what is used instead.
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
        f"{what}; the phonemes ear hears with the weights of the hama package instead, worse in noise",
        where=FILE,
        mend="install voicecoach again",
    )


def trouble() -> str:
    """Why the taught weights cannot be used, in one line; '' if they can."""
    try:
        read()
    except EngineError as error:
        return error.line()
    return ""


def mixed(original: dict[str, Array], share: float = SHARE) -> dict[str, Array]:
    """The original's tensors by name, those that were taught mixed with what was learnt, as float32.

    Args:
        original: all tensors, in their order. share: of the taught weights, 0 to 1.

    Raises:
        EngineError: as `read`. LookupError, ValueError: the tensors are not those of the network that was taught.
    """
    try:
        with np.load(io.BytesIO(read()), allow_pickle=False) as kept:
            taught = {name: kept[name].astype(np.float32) for name in kept.files}
    except zipfile.BadZipFile as error:
        raise ValueError(str(error)) from None
    if not all(original[name].shape == value.shape for name, value in taught.items()):
        raise ValueError("the taught weights are of another shape")
    weight = np.float32(share)
    return {
        name: value + weight * (taught[name] - value) if name in taught else value for name, value in original.items()
    }
