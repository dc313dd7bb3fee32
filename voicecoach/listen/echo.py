"""Removes the coach's own voice from what a channel heard, in two ways.

WebRTC's canceller leaves nothing of a prompt, but little of a voice over it either; its output shows when somebody
speaks. A plain adaptive filter leaves a tenth of the prompt but keeps the voice; its output is decoded. With a prompt
6 dB below the voice, about twice as many danger words were heard this way.
"""

from __future__ import annotations

import numpy as np

from voicecoach.audio.line import RATE_HZ, Samples

FRAME = 160
"""Frames that the canceller processes at a time (10 ms)."""

DELAY = 124
"""The canceller's delay (frames); measured on speech without echo."""

TAIL = RATE_HZ
"""How long it keeps working after the last played sound (frames), because rooms ring and devices buffer."""

_RUN_UP = 4

_HISS = (np.random.default_rng(0).standard_normal(FRAME) * 1e-6).astype(np.float32)
"""Added to what WebRTC's canceller is told was played (-120 dB of full scale). After exact silence its filters run out
into denormal numbers, and a frame takes 0.9 ms of processor time instead of 0.06; even frames of speech after that
take twice as long as otherwise.
"""

_ALONE = 0.05
"""If WebRTC's canceller leaves less than this fraction of the power, only the coach is sounding."""


class LinearCanceller:
    """A partitioned frequency-domain adaptive filter (normalised least mean squares) over 160 ms of room."""

    def __init__(self, partitions: int = 16, step: float = 0.6) -> None:
        self._step = step
        self._weights = np.zeros((partitions, FRAME + 1), np.complex128)
        self._spectra = np.zeros((partitions, FRAME + 1), np.complex128)
        self._before = np.zeros(FRAME)

    def feed(self, heard: Samples, played: Samples, *, learn: bool) -> Samples:
        """One frame without its echo. learn: only the coach is sounding, so the filter may adapt."""
        spectrum = np.fft.rfft(np.concatenate((self._before, played)))
        self._before = played.astype(np.float64)
        self._spectra = np.concatenate((spectrum[None], self._spectra[:-1]))
        echo = np.fft.irfft((self._weights * self._spectra).sum(axis=0))[FRAME:]
        rest = heard - echo
        if learn:
            power = np.square(np.abs(self._spectra)).sum(axis=0) + 1e-2
            error = np.fft.rfft(np.concatenate((np.zeros(FRAME), rest)))
            change = np.fft.irfft(np.conj(self._spectra) * error / power, axis=1)
            change[:, FRAME:] = 0.0  # without this constraint the filter wraps around
            self._weights += self._step * np.fft.rfft(change, axis=1)
        return rest.astype(np.float32)


class EchoCanceller:
    """Cancels echo in one channel. It costs nothing while nothing is played; samples keep their place either way."""

    def __init__(self) -> None:
        from pywebrtc_audio import EchoCanceller as Canceller  # noqa: PLC0415 native: commands without sound do not need it

        self._canceller = Canceller(sample_rate=RATE_HZ)
        self._linear = LinearCanceller()
        self._heard = np.zeros(0, np.float32)
        self._played = np.zeros(0, np.float32)
        self._before = np.zeros((_RUN_UP, FRAME), np.float32)
        self._tail = np.zeros(DELAY, np.float32)
        self._quiet = TAIL

    def feed(self, heard: Samples, played: Samples) -> tuple[Samples, Samples]:
        """Take frames, both of shape (frames,); returns what is ready: the sound for detecting voices, and that for
        decoding.

        Whole 10 ms frames come out, DELAY frames late: the first sample out belongs DELAY frames before the first in.
        """
        self._heard = np.concatenate((self._heard, np.asarray(heard, np.float32)))
        self._played = np.concatenate((self._played, np.asarray(played, np.float32)))
        count = len(self._heard) // FRAME
        out = [self._frame(self._heard[i * FRAME :][:FRAME], self._played[i * FRAME :][:FRAME]) for i in range(count)]
        self._heard = self._heard[count * FRAME :]
        self._played = self._played[count * FRAME :]
        if not out:
            return np.zeros(0, np.float32), np.zeros(0, np.float32)
        clean, natural = (np.concatenate(side) for side in zip(*out, strict=True))
        return clean, natural

    def _frame(self, heard: Samples, played: Samples) -> tuple[Samples, Samples]:
        sounding = played.max() > 1e-4 or played.min() < -1e-4
        resting = self._quiet >= TAIL
        self._quiet = 0 if sounding else self._quiet + FRAME
        if not sounding and resting:
            clean = np.concatenate((self._before[-1][FRAME - DELAY :], heard[: FRAME - DELAY]))
            natural = heard
        else:
            if resting:
                # its last input is old: run it up to now, or that would come out first
                for frame in self._before:
                    self._canceller.process(frame, _HISS)
            clean = np.asarray(self._canceller.process(heard, played + _HISS), np.float32)
            alone = float(clean @ clean) < _ALONE * float(heard @ heard)
            natural = self._linear.feed(heard, played, learn=alone)
        self._before = np.concatenate((self._before[1:], heard[None]))
        late = np.concatenate((self._tail, natural))
        self._tail = late[FRAME:]
        return clean.astype(np.float32), late[:FRAME].astype(np.float32)
