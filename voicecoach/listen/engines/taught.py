"""Weights of both networks that were trained further, to hear through noise, masks, echo and other voices.

The files beside this one were made by the scripts in `tests/bench/training/`; the notices beside them name the material
and its licences. The phone network in use is a mean of its taught weights and the original ones; `moonshine_weights`
adds the others to moonshine's.
"""

from __future__ import annotations

import hashlib
import io
import zipfile
from dataclasses import dataclass
from importlib import resources
from typing import Literal

import numpy as np

from voicecoach.errors import EngineError
from voicecoach.listen.engines.scorer import Array

Weights = Literal["taught", "original"]
"""Which weights a network uses."""

SHARE = 0.5
"""The share of the taught phone weights in the mean. With 0.7 more is recognised among voices 10 dB down, but fewer of
a person's isolated words in quiet, and more of what others say in the distance in noise is taken for danger words."""


@dataclass(frozen=True, slots=True)
class TaughtWeights:
    """A file of weights beside this module. name: of the file; sha256: its digest; without: what follows if it is
    missing or damaged.
    """

    name: str
    sha256: str
    without: str

    def read(self) -> bytes:
        """The file's bytes, checked.

        Raises:
            EngineError: it is missing or damaged; the message says what follows.
        """
        try:
            data = resources.files(__package__).joinpath(self.name).read_bytes()
        except OSError:
            what = "is missing"
        else:
            if hashlib.sha256(data).hexdigest() == self.sha256:
                return data
            what = "is damaged"
        raise EngineError(f"{what}; {self.without}", where=self.name, mend="reinstall voicecoach")

    def trouble(self) -> str:
        """Why it cannot be used, in one line; '' if it can."""
        try:
            self.read()
        except EngineError as error:
            return error.line()
        return ""


PHONES = TaughtWeights(
    "taught-phones.npz",
    "8b5406f32b94b58929067cdca07714489a2a5e7a096e939169e8626f659c95dc",
    "the phoneme recogniser uses the weights of the hama package instead, which are worse in noise",
)
MOONSHINE = TaughtWeights(
    "taught-moonshine.npz",
    "897561374be21859d71513dd45ca557d5b58f72df868b4e821cdc977c3bd9adc",
    "moonshine is not used without it",
)


def mixed(original: dict[str, Array], share: float = SHARE) -> dict[str, Array]:
    """The phone network's original tensors by name, with the taught ones mixed in, as float32.

    Args:
        original: all tensors, in their order. share: of the taught weights, 0 to 1.

    Raises:
        EngineError: as `TaughtWeights.read`. LookupError, ValueError: the tensors are not those of the network that was
            trained.
    """
    try:
        with np.load(io.BytesIO(PHONES.read()), allow_pickle=False) as file:
            taught = {name: file[name].astype(np.float32) for name in file.files}
    except zipfile.BadZipFile as error:
        raise ValueError(str(error)) from None
    if not all(original[name].shape == value.shape for name, value in taught.items()):
        raise ValueError("the taught weights have another shape")
    weight = np.float32(share)
    return {
        name: value + weight * (taught[name] - value) if name in taught else value for name, value in original.items()
    }
