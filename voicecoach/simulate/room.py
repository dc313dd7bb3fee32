"""A simulated room: the microphone hears the coach's own loudspeaker, noise, and people who answer what is played."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from voicecoach.audio.line import BLOCK_FRAMES, RATE_HZ, Samples
from voicecoach.audio.quiet import QuietLine
from voicecoach.simulate.persona import Persona, SoundBegan, SoundEnded, SpokenLine

SPEECH_LEVEL = 0.1
"""Root mean square of people and prompts alike, as rendered; the reference for all dB here."""
NOISE_LOOP_S = 20
Mask = Literal["none", "respirator", "shield"]
_LOSS_DB: dict[Mask, tuple[tuple[int, float], ...]] = {
    # Corey 2020 and Inter-Noise 2021: for an N95 less than 2 dB below 2 kHz and 5 to 6 dB above; more than 10 dB at 4
    # and 8 kHz behind a shield. The straight lines in between are guesses.
    "none": (),
    "respirator": ((1000, 0.0), (2000, -2.0), (4000, -5.5), (8000, -5.5)),
    "shield": ((1000, 0.0), (2000, -2.0), (4000, -11.0), (8000, -11.0)),
}


@dataclass(frozen=True, slots=True)
class Room:
    """What the microphones hear besides people. All levels are in dB relative to speech.

    Args:
        echo_db: the coach's own voice. delay_ms: until it arrives. reverb_ms: until its reflections are 60 dB down.
        noise_db: steady noise. pink: its power falls with frequency, as in a room; otherwise white.
        crosstalk_db: each person in the other people's microphones.
        mask: what everybody speaks through.
    """

    echo_db: float = -12.0
    delay_ms: float = 40.0
    reverb_ms: float = 80.0
    noise_db: float = -30.0
    pink: bool = True
    crosstalk_db: float = -20.0
    mask: Mask = "none"


@dataclass(frozen=True, slots=True)
class SpokenWords:
    """What was said, from sample `begin` to just before `end`. over: the prompt it was spoken over, or 0."""

    begin: int
    end: int
    text: str
    meant: str | None
    channel: int
    over: int


class RoomLine(QuietLine):
    """A line in a closed loop: a persona hears what is played, and its words come back through the microphone.

    The same persona, room and seed give the same samples for the same played sounds.

    Args:
        persona: who is there.
        room: how it sounds.
        channels: microphones; channel n is near person n.
        seed: of noise and reflections.
        live: run in real time.
        limit_s: blocks after this are marked `last`, so that a session that hangs comes to an end.
    """

    def __init__(
        self,
        persona: Persona,
        room: Room | None = None,
        *,
        channels: int = 1,
        seed: int = 0,
        live: bool = False,
        limit_s: float = 3600.0,
    ) -> None:
        super().__init__(live, channels)
        self.said: list[SpokenWords] = []
        self._persona = persona
        self._room = room or Room()
        self._limit = round(limit_s * RATE_HZ)
        self._speaking: list[SpokenLine] = []
        self._sounding: tuple[int, int] | None = None  # prompt and beginning of the sound last reported to the persona
        rng = np.random.default_rng(seed)
        paths = [_path(self._room, rng) for _ in range(channels)]
        self._past = np.zeros(len(paths[0]) - 1, dtype=np.float32)  # what was played before the current block
        self._fft = 1 << (len(self._past) + BLOCK_FRAMES - 1).bit_length()
        self._paths = [np.fft.rfft(path, self._fft) for path in paths]
        self._noise = np.stack([room_noise(self._room, rng) for _ in range(channels)], axis=1)

    def _hear(self, at: int, played: Samples) -> tuple[Samples, bool]:
        end = at + len(played)
        for utterance in self._persona.hear(end, self._news()):
            self._begin(utterance, at)
        recent = np.concatenate([self._past, played])
        self._past = recent[len(played) :]
        heard = np.take(self._noise, np.arange(at, end), axis=0, mode="wrap")
        if recent.any():
            spectrum = np.fft.rfft(recent, self._fft)
            for channel, path in enumerate(self._paths):  # overlap-save
                heard[:, channel] += np.fft.irfft(spectrum * path, self._fft)[len(recent) - len(played) : len(recent)]
        for utterance in self._speaking:
            self._add(utterance, heard, at)
        self._speaking = [u for u in self._speaking if u.at + len(u.samples) > end]
        return np.clip(heard, -1.0, 1.0).astype(np.float32), end >= self._limit

    def _news(self) -> list[SoundBegan | SoundEnded]:
        """The beginnings and ends of sounds in this block, in order."""
        news: list[SoundBegan | SoundEnded] = []
        for over in self._mixer.over:
            self._report_begin(news, over.sound.prompt, over.sound.text, over.begin)
            news.append(SoundEnded(over.sound.prompt, over.sound.text, over.end, over.complete))
        if self._mixer.now is not None:
            sound, begin = self._mixer.now
            self._report_begin(news, sound.prompt, sound.text, begin)
        else:
            self._sounding = None
        return news

    def _report_begin(self, news: list[SoundBegan | SoundEnded], prompt: int, text: str, begin: int) -> None:
        if self._sounding != (prompt, begin):
            self._sounding = (prompt, begin)
            news.append(SoundBegan(prompt, text, begin))

    def _begin(self, utterance: SpokenLine, at: int) -> None:
        """Start an utterance at its own sample, or now if that has passed."""
        begin = max(utterance.at, at)
        samples = muffled(utterance.samples, self._room.mask) * np.float32(10 ** (utterance.gain_db / 20))
        self._speaking.append(SpokenLine(utterance.text, begin, samples, utterance.meant, utterance.channel))
        over = self._sounding[0] if self._sounding else 0
        end = begin + len(utterance.samples)
        self.said.append(SpokenWords(begin, end, utterance.text, utterance.meant, utterance.channel, over))

    def _add(self, utterance: SpokenLine, heard: Samples, at: int) -> None:
        first = max(utterance.at, at)
        part = utterance.samples[first - utterance.at : at + len(heard) - utterance.at]
        if not len(part):
            return
        gains = np.full(self.channels, 10 ** (self._room.crosstalk_db / 20), dtype=np.float32)
        if utterance.channel < self.channels:  # a person without a microphone is only heard from a distance
            gains[utterance.channel] = 1.0
        heard[first - at : first - at + len(part)] += part[:, np.newaxis] * gains


def muffled(samples: Samples, mask: Mask) -> Samples:
    """A voice, shape (frames,), behind `mask`."""
    points = _LOSS_DB[mask]
    if not points:
        return samples
    hz = np.fft.rfftfreq(len(samples), 1 / RATE_HZ)
    loss_db = np.interp(hz, [at for at, _ in points], [db for _, db in points])
    return np.fft.irfft(np.fft.rfft(samples) * 10 ** (loss_db / 20), len(samples)).astype(np.float32)


def _path(room: Room, rng: np.random.Generator) -> Samples:
    """The path from loudspeaker to microphone: an impulse response with the energy of `echo_db`."""
    tail = max(1, round(room.reverb_ms / 1000 * RATE_HZ))
    decay = 10 ** (-3.0 * np.arange(tail) / tail)
    path = np.concatenate([np.zeros(round(room.delay_ms / 1000 * RATE_HZ)), 0.2 * rng.standard_normal(tail) * decay])
    path[-tail] = 1.0  # the direct sound
    path *= 10 ** (room.echo_db / 20) / np.sqrt(np.sum(path**2))
    return path.astype(np.float32)


def room_noise(room: Room, rng: np.random.Generator) -> Samples:
    """NOISE_LOOP_S of the room's noise, which can be repeated seamlessly."""
    spectrum = np.fft.rfft(rng.standard_normal(NOISE_LOOP_S * RATE_HZ))
    if room.pink:
        hz = np.fft.rfftfreq(NOISE_LOOP_S * RATE_HZ, 1 / RATE_HZ)
        spectrum *= np.where(hz >= 50, 1 / np.sqrt(np.maximum(hz, 50)), 0)  # no rumble: microphones filter it out
    noise = np.fft.irfft(spectrum)
    noise *= SPEECH_LEVEL * 10 ** (room.noise_db / 20) / np.sqrt(np.mean(noise**2))
    return noise.astype(np.float32)
