"""The coach's own sounds, computed so that no file can be missing.

A patient's alarm (IEC 60601-1-8) is a burst of 3 or of 3+2 pulses, rich in harmonics, with a fundamental of 150 to 1000
Hz. These differ on each count: one or two pulses, glides or plain sines, all above 1000 Hz.
"""

from __future__ import annotations

import functools

import numpy as np

from voicecoach.audio.line import RATE_HZ, Samples

EDGE_S = 0.005
"""Fade in and out of each pulse (s), to avoid clicks."""

# name: level, then pulses of (frequencies in Hz glided through, seconds) and pauses in seconds
_Pulse = tuple[tuple[int, ...], float]
_TONES: dict[str, tuple[float, tuple[_Pulse | float, ...]]] = {
    "taken": (0.2, (((1320,), 0.07),)),
    "early": (0.25, (((1900, 1100), 0.18),)),
    "window": (0.25, (((1100, 1700), 0.12),)),
    "again": (0.25, (((1100, 1700, 1100), 0.30),)),
    "time-up": (0.35, (((1568,), 0.60),)),
    "tick": (0.02, (((2000,), 0.015),)),
    "unspoken": (0.3, (((1250,), 0.40), 0.35, ((1050,), 0.40))),
    "outward-alarm": (0.9, (((1100, 2600), 0.90), 0.80, ((1100, 2600), 0.90), 0.80)),
}

NAMES = tuple(_TONES)
"""'taken': an answer was accepted; 'early': heard while the prompt was speaking; 'window': speak now; 'again': repeat;
'time-up': a rub or wipe is over; 'tick': still listening; 'unspoken': a prompt without a voice, look at the screen;
'outward-alarm': for bystanders, with pauses for their answer."""


@functools.cache
def sound(name: str) -> Samples:
    """The tone called `name`, float32 at RATE_HZ, shape (frames,), read-only.

    Raises:
        KeyError: there is no such tone.
    """
    level, parts = _TONES[name]
    pieces = [np.zeros(round(part * RATE_HZ)) if isinstance(part, float) else level * _pulse(*part) for part in parts]
    samples = np.concatenate(pieces).astype(np.float32)
    samples.flags.writeable = False
    return samples


def _pulse(glide_hz: tuple[int, ...], seconds: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    frames = round(seconds * RATE_HZ)
    hz = np.interp(np.linspace(0, 1, frames), np.linspace(0, 1, len(glide_hz)), glide_hz)
    edge = np.minimum(1.0, np.minimum(np.arange(frames), np.arange(frames)[::-1]) / (EDGE_S * RATE_HZ))
    pulse: np.ndarray[tuple[int], np.dtype[np.float64]] = edge * np.sin(2 * np.pi * np.cumsum(hz) / RATE_HZ)
    return pulse
