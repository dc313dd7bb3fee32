"""The phone network of the `hama` package: this module reads its weights, `conformer` does the arithmetic.

The package's own engine gives the same numbers for eight times the processor time (`tests/bench/hearing_cost.py`),
which matters because speech without a pause is decoded more than twice.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from importlib import resources
from typing import Any

import numpy as np
from threadpoolctl import ThreadpoolController

from voicecoach.audio.line import Samples
from voicecoach.errors import EngineError
from voicecoach.listen.engines import taught
from voicecoach.listen.engines.conformer import (
    Attention,
    Conformer,
    ConformerBlock,
    Convolution,
    FeedForward,
    Linear,
    Norm,
)
from voicecoach.listen.engines.scorer import Array

BLOCKS = 4
_MAGIC = b"HAMAPK\x01"
_TYPES: dict[int, type[np.floating]] = {0: np.float32, 1: np.float16}
_ALIGN = 16
_MODEL = "acoustic_model.model."


class HamaNetwork:
    """The only user of `hama`, which is pinned to 1.7.0 because neither its weights nor its models are documented.

    phones: names by column. blank: the column for no phone. weights: those in use. trouble: why the original ones are
    in use although the taught ones were requested, in one line, or ''.

    Args:
        weights: 'taught', which hear through noise and other voices (see `taught`), or the package's own.

    Raises:
        EngineError: the package is missing, or its weights do not fit this network.
    """

    def __init__(self, weights: taught.Weights = "taught") -> None:
        self.weights, self.trouble = weights, ""
        try:
            from hama.vocab import Vocabulary  # noqa: PLC0415 may be missing

            self.phones: Sequence[str] = (*Vocabulary.load().decoder, "<wb>", "<blank>")
            named = original()
            if weights == "taught":
                named = self._taught(named)
            self._network = assemble(named)
        except (ImportError, OSError, LookupError, ValueError, struct.error) as error:
            raise EngineError(
                f"the phoneme recogniser cannot be loaded: {error}",
                where="engine phonemes",
                mend="pip install 'hama==1.7.0'; it runs on Linux and macOS only",
            ) from None
        self.blank = len(self.phones) - 1
        self._threads = ThreadpoolController()

    def _taught(self, named: dict[str, Array]) -> dict[str, Array]:
        try:
            return taught.mixed(named)
        except EngineError as error:
            self.weights, self.trouble = "original", error.line()
            return named

    def log_probabilities(self, samples: Samples) -> Array:
        """Natural logarithms, shape (frames, phones), a frame every 20 ms, of sound of shape (samples,)."""
        # matrices this small take more time on two cores than on one
        with self._threads.limit(limits=1):
            return self._network(np.ascontiguousarray(samples, np.float32))

    def spell(self, word: str) -> tuple[str, ...]:
        """The phones of a word without an entry in the grammar, by the package's grapheme-to-phoneme model (40 ms a
        word).

        Raises:
            EngineError: the native library of that model cannot be loaded.
        """
        try:
            from hama.inference import G2PModel  # noqa: PLC0415 loads a native library

            if not hasattr(self, "_speller"):
                self._speller: Any = G2PModel()
        except (ImportError, OSError, RuntimeError) as error:
            raise EngineError(
                f"cannot be spelt: {error}", where=f"word {word!r}", expected="an entry under 'sounds'"
            ) from None
        return tuple(found.phoneme for found in self._speller(word).alignments if found.phoneme in self.phones)


def original() -> dict[str, Array]:
    """The tensors in the package by name, in its order.

    Raises:
        OSError, ImportError: the package or its file is missing. ValueError, struct.error: as `tensors`.
    """
    return tensors(resources.files("hama.assets").joinpath("asr_waveform.hama").read_bytes())


def tensors(data: bytes) -> dict[str, Array]:
    """The tensors of a weights file by name, in its order, as float32.

    Raises:
        ValueError, struct.error: it is truncated or of another kind.
    """
    if not data.startswith(_MAGIC):
        raise ValueError("its weights are of another kind")
    (count,) = struct.unpack_from("<I", data, 8)
    place, found = 12, []
    for _ in range(count):
        (size,) = struct.unpack_from("<H", data, place)
        name = data[place + 2 : place + 2 + size].decode()
        place += 2 + size
        kind, axes = struct.unpack_from("<BB", data, place)
        shape = struct.unpack_from(f"<{axes}I", data, place + 2)
        (offset,) = struct.unpack_from("<Q", data, place + 2 + 4 * axes)
        place += 2 + 4 * axes + 16
        found.append((name, _TYPES[kind], shape, offset))
    begin = -(-place // _ALIGN) * _ALIGN
    return {
        name: np.frombuffer(data, kind, int(np.prod(shape)), begin + offset).reshape(shape).astype(np.float32)
        for name, kind, shape, offset in found
    }


def assemble(named: dict[str, Array]) -> Conformer:
    """Build the network from its tensors.

    Raises:
        KeyError, ValueError: one is missing, or has another shape.
    """
    # the exporter dropped the names of these; their order is that of the network
    nameless = [[of for name, of in named.items() if name.startswith(f"onnx::{kind}")] for kind in ("MatMul", "Conv")]
    if [len(found) for found in nameless] != [6 * BLOCKS, 2 * BLOCKS + 2]:
        raise ValueError("it has more or fewer weights than this network")
    matrices, kernels = map(iter, nameless)

    def norm(name: str) -> Norm:
        return Norm(named[f"{name}.weight"], named[f"{name}.bias"])

    def linear(name: str) -> Linear:
        return Linear(next(matrices), named[f"{name}.bias"])

    def pointwise(name: str) -> Linear:
        return Linear(named[f"{name}.weight"][:, :, 0].T, named[f"{name}.bias"])

    stem = next(kernels)
    spectrum = np.concatenate([named[f"stft_{part}_kernel"][:, 0] for part in ("real", "imag")]).T
    first = Linear(stem.reshape(len(stem), -1).T, next(kernels))
    blocks = []
    for number in range(BLOCKS):
        of = f"{_MODEL}blocks.{number}."
        before = FeedForward(norm(f"{of}ffn1.norm"), linear(f"{of}ffn1.fc1"), linear(f"{of}ffn1.fc2"))
        inward = Linear(next(matrices), named[f"{of}attn.in_proj_bias"])
        attention = Attention(norm(f"{of}attn_norm"), inward, linear(f"{of}attn.out_proj"))
        taps, bias = np.ascontiguousarray(next(kernels)[:, 0].T), next(kernels)
        convolution = Convolution(
            norm(f"{of}conv.norm"), pointwise(f"{of}conv.pointwise1"), taps, bias, pointwise(f"{of}conv.pointwise2")
        )
        after = FeedForward(norm(f"{of}ffn2.norm"), linear(f"{of}ffn2.fc1"), linear(f"{of}ffn2.fc2"))
        blocks.append(ConformerBlock(before, attention, convolution, after, norm(f"{of}norm")))
    return Conformer(spectrum, named["mel_fb"], first, tuple(blocks), pointwise(f"{_MODEL}proj"))
