"""The phone network in PyTorch: the same weights under the same names, a batch of sounds at a time, with gradients.

`voicecoach`'s own arithmetic (plain numpy, one utterance at a time) is what it is tested against.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional

BLOCKS, HEADS, HOP, WINDOW, QUIET = 4, 4, 160, 400, 1e-10
FIXED = ("mel_fb", "stft_real_kernel", "stft_imag_kernel")
"""Tensors that are no weights but the front end, and are not taught."""

Named = dict[str, Tensor]


def copied(tensors: dict[str, NDArray[np.float32]], device: torch.device) -> Named:
    """A copy of the network's tensors, by name and in their order."""
    return {name: torch.tensor(value, device=device) for name, value in tensors.items()}


def log_probabilities(named: Named, sound: Tensor) -> Tensor:
    """Natural logarithms, shape (batch, frames, phones), of sounds of shape (batch, samples)."""
    matrices = iter([tensor for name, tensor in named.items() if name.startswith("onnx::MatMul")])
    kernels = iter([tensor for name, tensor in named.items() if name.startswith("onnx::Conv")])
    x = functional.conv1d(_features(named, sound), next(kernels), next(kernels), stride=2, padding=1)
    x = functional.gelu(x).transpose(1, 2)
    for number in range(BLOCKS):
        of = f"acoustic_model.model.blocks.{number}."
        x = x + 0.5 * _feed_forward(named, f"{of}ffn1.", matrices, x)
        x = x + _attention(named, of, matrices, x)
        x = x + _convolution(named, f"{of}conv.", kernels, x)
        x = x + 0.5 * _feed_forward(named, f"{of}ffn2.", matrices, x)
        x = _norm(named, f"{of}norm", x)
    return functional.log_softmax(_pointwise(named, "acoustic_model.model.proj", x), dim=-1)


def _features(named: Named, sound: Tensor) -> Tensor:
    mirrored = functional.pad(sound[:, None], (WINDOW // 2, WINDOW // 2), mode="reflect")
    power = sum(functional.conv1d(mirrored, named[f"stft_{part}_kernel"], stride=HOP) ** 2 for part in ("real", "imag"))
    assert isinstance(power, Tensor)
    return torch.einsum("bft,fm->bmt", power, named["mel_fb"]).clamp_min(QUIET).log()


def _norm(named: Named, name: str, x: Tensor) -> Tensor:
    return functional.layer_norm(x, x.shape[-1:], named[f"{name}.weight"], named[f"{name}.bias"])


def _pointwise(named: Named, name: str, x: Tensor) -> Tensor:
    return functional.linear(x, named[f"{name}.weight"][:, :, 0], named[f"{name}.bias"])


def _feed_forward(named: Named, of: str, matrices: Iterator[Tensor], x: Tensor) -> Tensor:
    wide = functional.silu(_norm(named, f"{of}norm", x) @ next(matrices) + named[f"{of}fc1.bias"])
    return wide @ next(matrices) + named[f"{of}fc2.bias"]


def _attention(named: Named, of: str, matrices: Iterator[Tensor], x: Tensor) -> Tensor:
    batch, frames, width = x.shape
    both = _norm(named, f"{of}attn_norm", x) @ next(matrices) + named[f"{of}attn.in_proj_bias"]
    queries, keys, values = both.reshape(batch, frames, 3, HEADS, width // HEADS).permute(2, 0, 3, 1, 4)
    weights = (queries @ keys.transpose(-1, -2) / math.sqrt(width // HEADS)).softmax(dim=-1)
    seen = (weights @ values).transpose(1, 2).reshape(batch, frames, width)
    return seen @ next(matrices) + named[f"{of}attn.out_proj.bias"]


def _convolution(named: Named, of: str, kernels: Iterator[Tensor], x: Tensor) -> Tensor:
    gated = functional.glu(_pointwise(named, f"{of}pointwise1", _norm(named, f"{of}norm", x)), dim=-1)
    taps, bias = next(kernels), next(kernels)
    made = functional.conv1d(gated.transpose(1, 2), taps, bias, padding=taps.shape[-1] // 2, groups=len(taps))
    return _pointwise(named, f"{of}pointwise2", functional.silu(made).transpose(1, 2))
