"""The arithmetic of a small Conformer (Gulati et al. 2020, arXiv:2005.08100): sound in, log-probabilities out.

Log-mel features every 10 ms, a convolution that halves the rate, then blocks of half a feed-forward layer, attention,
convolution, half a feed-forward layer. Everything is float32 and one utterance at a time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from voicecoach.listen.engines.scorer import Array

HOP, WINDOW = 160, 400
"""Samples from one feature to the next, and in one (10 and 25 ms at 16 kHz)."""

HEADS = 4
QUIET = np.float32(1e-10)
"""Least power of a mel band."""


@dataclass(frozen=True, slots=True)
class Linear:
    """x @ weight + bias; weight: shape (in, out)."""

    weight: Array
    bias: Array

    def __call__(self, x: Array) -> Array:
        """Apply it to x, shape (..., in); shape (..., out)."""
        made: Array = x @ self.weight
        made += self.bias
        return made


@dataclass(frozen=True, slots=True)
class Norm:
    """Layer normalisation over the last axis."""

    weight: Array
    bias: Array

    def __call__(self, x: Array) -> Array:
        """Normalise x, shape (..., width)."""
        apart = x - x.mean(axis=-1, keepdims=True)
        spread = np.sqrt(np.square(apart).mean(axis=-1, keepdims=True) + np.float32(1e-5))
        made: Array = apart / spread * self.weight + self.bias
        return made


@dataclass(frozen=True, slots=True)
class FeedForward:
    """Half of it is added to its input."""

    norm: Norm
    widen: Linear
    narrow: Linear

    def __call__(self, x: Array) -> Array:
        """Apply it to x, shape (frames, width)."""
        return x + np.float32(0.5) * self.narrow(swish(self.widen(self.norm(x))))


@dataclass(frozen=True, slots=True)
class Attention:
    """Every frame looks at every other; inward makes queries, keys and values side by side."""

    norm: Norm
    inward: Linear
    outward: Linear

    def __call__(self, x: Array) -> Array:
        """Apply it to x, shape (frames, width); width a multiple of HEADS."""
        frames, width = x.shape
        each = width // HEADS
        queries, keys, values = self.inward(self.norm(x)).reshape(frames, 3, HEADS, each).transpose(1, 2, 0, 3)
        weights = queries @ keys.transpose(0, 2, 1) * np.float32(1 / math.sqrt(each))
        weights = np.exp(weights - weights.max(axis=-1, keepdims=True))
        weights /= weights.sum(axis=-1, keepdims=True)
        seen: Array = (weights @ values).transpose(1, 0, 2).reshape(frames, width)
        return x + self.outward(seen)


@dataclass(frozen=True, slots=True)
class Convolution:
    """A gate, then each channel filtered along time by its own taps; taps: shape (count, channels), count odd."""

    norm: Norm
    inward: Linear
    taps: Array
    bias: Array
    outward: Linear

    def __call__(self, x: Array) -> Array:
        """Apply it to x, shape (frames, width)."""
        frames, width = x.shape
        both = self.inward(self.norm(x))
        reach = len(self.taps) // 2
        padded = np.zeros((frames + 2 * reach, width), np.float32)
        padded[reach : reach + frames] = both[:, :width] * sigmoid(both[:, width:])
        made = np.broadcast_to(self.bias, (frames, width)).copy()
        for place, tap in enumerate(self.taps):
            made += padded[place : place + frames] * tap
        return x + self.outward(swish(made))


@dataclass(frozen=True, slots=True)
class ConformerBlock:
    """One block of the four."""

    before: FeedForward
    attention: Attention
    convolution: Convolution
    behind: FeedForward
    norm: Norm

    def __call__(self, x: Array) -> Array:
        """Apply it to x, shape (frames, width)."""
        return self.norm(self.behind(self.convolution(self.attention(self.before(x)))))


@dataclass(frozen=True, slots=True)
class Conformer:
    """The whole network.

    spectrum: shape (WINDOW, 2 * bins), cosines beside sines. mel: shape (bins, bands). stem: from three features to one
    frame. phones: to the columns.
    """

    spectrum: Array
    mel: Array
    stem: Linear
    blocks: tuple[ConformerBlock, ...]
    phones: Linear

    def __call__(self, sound: Array) -> Array:
        """Natural logarithms, shape (frames, columns), of sound of shape (samples,), more than WINDOW // 2 of them."""
        x = gelu(self.stem(self._threes(self._features(sound))))
        for block in self.blocks:
            x = block(x)
        logits = self.phones(x)
        logits -= logits.max(axis=-1, keepdims=True)
        logits -= np.log(np.exp(logits).sum(axis=-1, keepdims=True))
        return logits

    def _features(self, sound: Array) -> Array:
        """Logarithms of the mel bands' power, shape (features, bands)."""
        mirrored = np.pad(sound, WINDOW // 2, mode="reflect")
        waves = sliding_window_view(mirrored, WINDOW)[::HOP] @ self.spectrum
        bins = waves.shape[1] // 2
        power = np.square(waves[:, :bins]) + np.square(waves[:, bins:])
        features: Array = np.log(np.maximum(power @ self.mel, QUIET))
        return features

    @staticmethod
    def _threes(features: Array) -> Array:
        """Each second feature with its two neighbours, shape (frames, bands * 3)."""
        padded = np.pad(features, ((1, 1), (0, 0)))
        threes = sliding_window_view(padded, 3, axis=0)[::2]
        return threes.reshape(len(threes), -1)


def sigmoid(x: Array) -> Array:
    """1 / (1 + exp(-x)); where exp overflows it is 0."""
    with np.errstate(over="ignore"):
        made: Array = np.float32(1) / (np.float32(1) + np.exp(-x))
    return made


def swish(x: Array) -> Array:
    """The sigmoid-weighted x."""
    return x * sigmoid(x)


def gelu(x: Array) -> Array:
    """The x weighted by the share of the normal distribution below it.

    The error function after Abramowitz and Stegun, Handbook of Mathematical Functions, 7.1.26: off by 1.5e-7 at most.
    """
    far = np.abs(x) * np.float32(math.sqrt(0.5))
    t = 1 / (1 + np.float32(0.3275911) * far)
    series = ((((1.061405429 * t - 1.453152027) * t + 1.421413741) * t - 0.284496736) * t + 0.254829592) * t
    error_function = np.copysign(1 - series * np.exp(-far * far), x)
    made: Array = 0.5 * x * (1 + error_function)
    return made
