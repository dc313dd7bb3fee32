"""What a room, a mask, machines and other people do to a voice, for a batch of sounds at once, on CPU or GPU.

The ranges are choices; the mask's losses are about those measured of an N95 and of a face shield (Corey et al. 2020,
second-hand).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor

RATE_HZ = 16_000
LEVEL = 0.08
"""RMS to which the recogniser brings an utterance before the network hears it."""

CLEAN, ECHO, MASK, NOISE, VOICES = 0.3, 0.3, 0.5, 0.7, 0.5
"""How often a sound is left as it is; and, of the others, how often each thing is done to it."""

NOISE_DB, VOICES_DB, MASK_DB = (0.0, 30.0), (2.0, 24.0), (3.0, 16.0)
"""How far noise and each other voice lie under the voice; the mask's loss at 8 kHz, most of it reached at 2.5 kHz."""

REVERBERATION_S, DIRECT_DB = (0.15, 0.7), (-2.0, 14.0)
"""Time to decay by 60 dB; how far the tail lies under the direct sound."""

SIREN = 0.15
"""How much of the noise has a gliding tone with harmonics in it."""


@dataclass
class Spoiler:
    """Spoils sounds, by a generator of its own, so that a seed gives the same again on the same device."""

    dice: torch.Generator
    device: torch.device

    def __call__(self, sound: Tensor, others: Tensor) -> Tensor:
        """Spoil sounds of shape (batch, samples), with voices of shape (batch, 3, samples) for a background."""
        loud = speech_rms(sound)
        heard = self._room(self._mask(sound))
        added = self._noise(sound.shape) * self._under(loud, NOISE_DB) * self._chosen(sound, NOISE)
        return torch.where(self._chosen(sound, CLEAN) > 0, sound, heard + added + self._voices(others, loud))

    def _voices(self, others: Tensor, loud: Tensor) -> Tensor:
        batch, most, _ = others.shape
        count = torch.randint(1, most + 1, (batch, 1, 1), generator=self.dice, device=self.device)
        here = torch.arange(most, device=self.device)[None, :, None] < count
        under_db = self._between(VOICES_DB, (batch, most, 1))
        each = loud[:, None] * 10 ** (-under_db / 20) / speech_rms(others)
        return (others * each * here).sum(dim=1) * self._chosen(others[:, 0], VOICES)

    def _mask(self, sound: Tensor) -> Tensor:
        batch, samples = sound.shape
        hertz = torch.fft.rfftfreq(samples, 1 / RATE_HZ, device=self.device)[None]
        most_db = self._between(MASK_DB, (batch, 1)) * self._chosen(sound, MASK)
        knee = self._between((1000.0, 2000.0), (batch, 1))
        rise = ((hertz - knee) / 1000).clamp(0, 1) * 0.6 + ((hertz - knee) / (8000 - knee)).clamp(0, 1) * 0.4
        return torch.fft.irfft(torch.fft.rfft(sound) * 10 ** (-most_db * rise / 20), samples)

    def _room(self, sound: Tensor) -> Tensor:
        batch, samples = sound.shape
        time_s = torch.arange(int(0.5 * RATE_HZ), device=self.device)[None] / RATE_HZ
        tail = torch.randn((batch, time_s.shape[1]), generator=self.dice, device=self.device)
        tail = tail * torch.exp(-time_s * math.log(1000) / self._between(REVERBERATION_S, (batch, 1)))
        tail = tail * (time_s > self._between((0.001, 0.01), (batch, 1)))
        direct_db = self._between(DIRECT_DB, (batch, 1))
        tail = tail / tail.square().sum(dim=1, keepdim=True).sqrt() * 10 ** (-direct_db / 20)
        size = samples + tail.shape[1]
        echoes = torch.fft.irfft(torch.fft.rfft(sound, size) * torch.fft.rfft(tail, size), size)[:, :samples]
        return sound + echoes * self._chosen(sound, ECHO)

    def _noise(self, shape: torch.Size) -> Tensor:
        """Noise of any colour, RMS 1: a slope, bumps, and at times a siren."""
        batch, samples = shape
        hertz = torch.fft.rfftfreq(samples, 1 / RATE_HZ, device=self.device)[None].clamp_min(50.0)
        bumps = torch.randn((batch, 1, 10), generator=self.dice, device=self.device) * 5
        bumps_db = torch.nn.functional.interpolate(bumps, hertz.shape[1], mode="linear")[:, 0]
        slope = self._between((-0.3, 2.2), (batch, 1))
        white = torch.randn(shape, generator=self.dice, device=self.device)
        noise = torch.fft.irfft(torch.fft.rfft(white) * (hertz / 1000) ** (-slope / 2) * 10 ** (bumps_db / 20), samples)
        noise = noise / rms(noise)
        time_s = torch.arange(samples, device=self.device)[None] / RATE_HZ
        glide = torch.sin(
            2 * math.pi * (self._between((0.2, 4.0), (batch, 1)) * time_s + self._between((0, 1), (batch, 1)))
        )
        pitch_hz = self._between((500.0, 1200.0), (batch, 1)) * (1 + 0.35 * glide)
        turns = 2 * math.pi * torch.cumsum(pitch_hz / RATE_HZ, dim=1)
        siren = torch.sin(turns) + 0.5 * torch.sin(2 * turns) + 0.3 * torch.sin(3 * turns)
        mixed = noise + self._chosen(noise, SIREN) * self._between((0.3, 3.0), (batch, 1)) * siren / rms(siren)
        return mixed / rms(mixed)

    def _under(self, loud: Tensor, range_db: tuple[float, float]) -> Tensor:
        return loud * 10 ** (-self._between(range_db, tuple(loud.shape)) / 20)

    def _chosen(self, sound: Tensor, share: float) -> Tensor:
        return (torch.rand((len(sound), 1), generator=self.dice, device=self.device) < share).float()

    def _between(self, ends: tuple[float, float], shape: tuple[int, ...]) -> Tensor:
        return ends[0] + (ends[1] - ends[0]) * torch.rand(shape, generator=self.dice, device=self.device)


def rms(sound: Tensor) -> Tensor:
    """Root of the mean square over the last axis, which stays."""
    return sound.square().mean(dim=-1, keepdim=True).sqrt().clamp_min(1e-6)


def speech_rms(sound: Tensor) -> Tensor:
    """The same over the frames of 25 ms that are at most 25 dB under the loudest: a pause makes no voice softer."""
    frames = sound.unfold(-1, 400, 400).square().mean(dim=-1)
    spoken = frames > frames.amax(dim=-1, keepdim=True) * 10**-2.5
    return ((frames * spoken).sum(-1, keepdim=True) / spoken.sum(-1, keepdim=True).clamp_min(1)).sqrt().clamp_min(1e-6)


def levelled(sound: Tensor) -> Tensor:
    """Brought to the level at which the network hears it."""
    return (sound * (LEVEL / rms(sound)).clamp_max(20.0)).clamp(-1, 1)
