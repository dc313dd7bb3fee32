"""Cuts one channel into utterances: voice activity, pads, a hang-over, and a limit for endless speech."""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from voicecoach.audio.line import RATE_HZ, Samples
from voicecoach.listen.voice_detector import CHUNK, VoiceDetector

PAD_BEFORE_S = 0.25
PAD_AFTER_S = 0.20
"""Sound kept before and after what the detector marks as speech. It reports an onset up to 0.37 s late and ends some
words early: without pads 16 of 120 commands were taken for others, with these pads none."""

PAD_PLAYING_S = 0.60
"""The same before an onset over a prompt, where soft first sounds are masked."""

SUDDEN_DB = 15.0
"""Over a prompt, a chunk this far above what the echo canceller usually leaves (median of the last 2 s) counts as a
voice at a much lower probability, _HINT. For 150 words over prompts at -6 to -20 dB, in 10 voices, the voice was
noticed after 0.10-0.14 s instead of 0.15-0.20 s (95th at -6 dB 0.32 instead of 0.38 s), and none were missed instead
of 5; in 210 prompts without a voice nothing was noticed."""

ABOVE_DB = 3.0
"""A voice begins only where it is this far above the loudest of the room (the ninth decile of the last 3 s without a
voice), because people in the background have voices too. Among three of them, 10 dB below the speaker, 26 of 36 words
were cut out to within 0.4 s; without this rule half of the cuts came 0.6 s late."""

STILL_DB = 1.0
UNDER_DB = 8.0
"""A voice has ended where it is no more than STILL_DB above the room, if that is UNDER_DB below its own loudest."""

LULL_S = 0.30
"""In speech that does not stop, somebody ABOVE_DB above it, who was not for this long before (s), is a new voice.
Otherwise an answer amid other people's talk is a part of that talk, in which only danger words are looked for."""

PATIENCE_S = 0.20
"""How much longer a pause may be after words that mean nothing yet (s): a synthetic voice pauses for 0.32 s within
"step complete", and people who are thinking pause longer. What is understood is answered as soon as before."""

PIECE_S = 1.5
"""Speech longer than this (s) is not the first half of an answer."""

PAUSE_DB = 4.0
"""After speech without a gap the room counts as at most this much louder than the pause. When such speech itself
counted as the room, no "breach" was noticed for 2.7 s after any sentence of more than 3 s (0 of 42 at 5 and 10 dB above
white noise, all 42 with this limit); among three voices 20 or 10 dB below the speaker as many words were cut out."""

_OPEN = 0.5
_SHUT = 0.35
_HINT = 0.2
_RUN = 2
_USUAL = 64
_ROOM = 94
_SMOOTH = 3

_LATE = 8
"""Chunks before an onset that count as no louder than the room usually is. Counted in full, they were a tenth of what
was known about it after the first word, and a second word within 3 s of the start went unnoticed."""


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of speech. begin, end: its first sample and the one after its last. start: number of samples[0], a pad
    before `begin`. samples: shape (frames,). noticed: the same stretch of the sound in which the voice was detected.
    over_noise_db: its mean power above the median before it; infinite when that is not known. played: the coach was
    sounding meanwhile. part: a piece of longer speech, not an utterance. resumed: where it continued after a pause
    longer than the hang-over; `begin` if there was none.
    """

    begin: int
    end: int
    start: int
    samples: Samples
    noticed: Samples
    over_noise_db: float = math.inf
    played: bool = False
    part: bool = False
    resumed: int = 0

    def after_pause(self) -> Segment:
        """What was said after its last long pause, as an utterance of its own."""
        start = max(self.resumed - _frames(PAD_BEFORE_S), self.start)
        kept = slice(start - self.start, None)
        return replace(self, begin=self.resumed, start=start, samples=self.samples[kept], noticed=self.noticed[kept])


@dataclass(frozen=True, slots=True)
class SegmentEvent:
    """What a segmenter noticed at sample `at`.

    what: 'onset' (a voice began), 'draft' (silence long enough to decode, though the utterance may continue), 'whole'
    (the hang-over has passed, or what was said is clear), 'window' (a look back into speech that continues), 'unending'
    (speech has reached the limit; reported once), 'cut' (its last piece up to the limit).
    """

    what: str
    at: int
    segment: Segment


class Detector(Protocol):
    """Estimates how likely a chunk is speech."""

    def probability(self, chunk: Samples) -> float:
        """Probability that CHUNK samples are speech."""

    def reset(self) -> None:
        """Forget the previous chunks."""


class Segmenter:
    """Finds utterances in one channel.

    Args:
        detector: Silero's voice detector if not given.
        hangover_s: silence that ends an utterance (s). Below 0.30 s words with a gap ("pause") are split in two.
        unfinished: says whether what came before a pause means nothing yet, so that it may continue for PATIENCE_S
        more. finished: says whether it is so clear that it ends after PAD_AFTER_S of silence already. longest_s: speech
        without a gap is cut after this long (s). window_s, hop_s: while speech continues, look back over `window_s`
        every `hop_s` (s).
    """

    def __init__(
        self,
        *,
        hangover_s: float = 0.30,
        unfinished: Callable[[Segment], bool] = lambda _: False,
        finished: Callable[[Segment], bool] = lambda _: False,
        longest_s: float = 3.0,
        window_s: float = 1.3,
        hop_s: float = 0.65,
        detector: Detector | None = None,
    ) -> None:
        self._detector = detector if detector is not None else VoiceDetector()
        self._hangover = _frames(hangover_s)
        self._patience = self._hangover + _frames(PATIENCE_S)
        self._unfinished, self._finished = unfinished, finished
        self._longest = _frames(longest_s)
        self._window = _frames(window_s)
        self._hop = _frames(hop_s)
        self._keep = self._longest + self._patience + _frames(PAD_PLAYING_S) + 4 * CHUNK
        self._reset(0)

    def _reset(self, at: int) -> None:
        self._sound = np.zeros(0, np.float32)
        self._natural = np.zeros(0, np.float32)
        self._sound_at = at
        self._looked = at
        self._run = 0
        self._begin: int | None = None
        self._end = at
        self._last_begin = at
        self._drafted = self._asked = -1
        self._waits = False
        self._resumed = at
        self._window_at = at
        self._unending = False
        self._over = False
        self._powers: deque[float] = deque(maxlen=_USUAL)
        self._last: deque[float] = deque(maxlen=_SMOOTH)
        self._without: deque[float] = deque(maxlen=_ROOM)  # powers of chunks outside utterances
        self._within: list[float] = []  # and inside the current one
        self._room = self._loudest = 0.0
        self._before = math.inf
        self._louder = self._lull = 0
        self._detector.reset()

    @property
    def speaking(self) -> bool:
        """Whether a voice has begun and its hang-over has not passed."""
        return self._begin is not None

    def spoke(self, begin: int, end: int) -> bool:
        """Whether a voice of this channel sounded between the two samples, as far as is known."""
        return self._last_begin < end and self._end > begin

    def power(self, begin: int, end: int) -> float:
        """Mean square of this channel between two samples, as far as it is still stored."""
        return _power(self._natural[max(begin - self._sound_at, 0) : max(end - self._sound_at, 0)])

    def feed(
        self, at: int, samples: Samples, *, playing: bool = False, natural: Samples | None = None
    ) -> list[SegmentEvent]:
        """Take samples, shape (frames,), that begin at sample `at`.

        playing: the coach is sounding meanwhile, so that a sudden sound counts as a voice sooner. natural: the same
        stretch of sound for the segments, if it differs from that for detecting voices. After a jump in `at` the
        segmenter starts afresh.
        """
        if at != self._sound_at + len(self._sound):
            self._reset(at)
        self._sound = np.concatenate((self._sound, np.asarray(samples, np.float32)))
        self._natural = np.concatenate((self._natural, np.asarray(samples if natural is None else natural, np.float32)))
        found: list[SegmentEvent] = []
        while self._looked + CHUNK <= self._sound_at + len(self._sound):
            low = self._looked - self._sound_at
            chunk = self._sound[low : low + CHUNK]
            self._looked += CHUNK
            self._over = playing if self._begin is None else self._over or playing
            power = _power(chunk)
            sudden = self._sudden(power) and playing
            voice = self._detector.probability(chunk)
            heard = self._stands_out(power) or self._over
            found.extend(self._step(voice if heard else 0.0, sudden=sudden))
        surplus = len(self._sound) - self._keep
        if surplus > 0:
            self._sound = self._sound[surplus:]
            self._natural = self._natural[surplus:]
            self._sound_at += surplus
        return found

    def _sudden(self, power: float) -> bool:
        """Whether a chunk of this power stands out from the previous ones."""
        usual = self._usual()
        self._powers.append(power)
        return power > usual * 10 ** (SUDDEN_DB / 10)

    def _stands_out(self, power: float) -> bool:
        """Whether a voice in this chunk would be louder than those in the background."""
        self._last.append(power)
        smooth = sum(self._last) / len(self._last)
        if self._begin is None:
            self._room = _ninth_decile(self._without)
            self._without.append(power)
            self._loudest = smooth
            return smooth >= self._room * 10 ** (ABOVE_DB / 10)
        self._within.append(power)
        self._loudest = max(self._loudest, smooth)
        self._look_out(smooth >= self._room * 10 ** (ABOVE_DB / 10))
        still = min(self._room * 10 ** (STILL_DB / 10), self._loudest * 10 ** (-UNDER_DB / 10))
        return smooth >= still

    def _look_out(self, louder: bool) -> None:
        """Count chunks in a row that stand out from speech that does not stop, and those between the last such rows."""
        if not louder:
            self._lull = 1 if self._louder else self._lull + 1
        self._louder = self._louder + 1 if louder else 0

    def _usual(self) -> float:
        """The median power of the last 2 s; infinite when there is too little of it."""
        return statistics.median(self._powers) if len(self._powers) >= _USUAL // 8 else math.inf

    def _step(self, voice: float, *, sudden: bool) -> list[SegmentEvent]:
        now = self._looked
        if self._begin is None or self._is_new_voice(voice):
            return self._wait(voice, sudden=sudden) if self._begin is None else self._hand_over(self._begin)
        if voice >= _SHUT:
            if now - self._end > self._hangover:
                self._resumed = now - CHUNK
            self._end = now
        silence = now - self._end
        if silence >= self._hangover and not self._may_go_on(silence):
            return self._whole(self._segment(self._begin, self._end, part=self._unending))
        if silence >= _frames(PAD_AFTER_S) and self._drafted != self._end:
            self._drafted = self._end
            segment = self._segment(self._begin, self._end, part=self._unending)
            clear = not self._unending and self._finished(segment)
            return self._whole(segment) if clear else [SegmentEvent("draft", now, segment)]
        if now - self._begin >= self._longest:
            return self._cut(now)
        if silence == 0 and now >= self._window_at:
            self._window_at = now + self._hop
            return [SegmentEvent("window", now, self._segment(max(self._begin, now - self._window), now, part=True))]
        return []

    def _whole(self, segment: Segment) -> list[SegmentEvent]:
        """End the utterance."""
        self._judge_pause(self._looked)
        self._begin, self._run, self._unending = None, 0, False
        self._within = []
        return [SegmentEvent("whole", self._looked, segment)]

    def _may_go_on(self, silence: int) -> bool:
        """Whether this silence may be a pause between two words of one answer."""
        if self._begin is None or self._unending or self._end - self._begin > _frames(PIECE_S):
            return False
        if self._asked != self._end:
            self._asked = self._end
            self._waits = self._unfinished(self._segment(self._begin, self._end))
        return self._waits and silence < self._patience

    def _judge_pause(self, now: int) -> None:
        """Speech without a gap was counted as the room; if it was a voice, the room is what its pause leaves."""
        if self._unending:
            most = _power(self._sound[self._end - self._sound_at : now - self._sound_at]) * 10 ** (PAUSE_DB / 10)
            self._without = deque((min(power, most) for power in self._without), _ROOM)

    def _is_new_voice(self, voice: float) -> bool:
        """Whether somebody louder has begun amid speech that does not stop."""
        begun = self._louder >= _RUN and self._lull * CHUNK >= _frames(LULL_S)
        return self._unending and not self._over and begun and voice >= _OPEN

    def _hand_over(self, begin: int) -> list[SegmentEvent]:
        """End the last piece of speech that does not stop where a louder voice begins."""
        now = self._looked
        onset = now - self._louder * CHUNK
        last = SegmentEvent("whole", now, self._segment(begin, max(onset, begin + CHUNK), part=True))
        return [last, self._begun(onset)]

    def _begun(self, begin: int) -> SegmentEvent:
        self._begin, self._end = begin, self._looked
        self._last_begin = self._resumed = begin
        self._window_at = begin + self._window
        self._unending, self._within = False, []
        return SegmentEvent("onset", self._looked, self._segment(begin, self._looked))

    def _wait(self, voice: float, *, sudden: bool) -> list[SegmentEvent]:
        now = self._looked
        self._run = self._run + 1 if voice >= _OPEN else 0
        if self._run < _RUN and not (sudden and voice >= _HINT):
            return []
        early = [self._without.pop() for _ in range(min(_LATE, len(self._without)))]
        usual = statistics.median(self._without) if self._without else 0.0
        self._without.extend(min(power, usual) for power in early)  # the voice itself is not the room
        self._before = self._usual()
        return [self._begun(now - _RUN * CHUNK)]

    def _cut(self, now: int) -> list[SegmentEvent]:
        # the windows have covered the rest; the next piece begins half a window back, so that no word is cut in half
        cut = SegmentEvent("cut", now, self._segment(now - self._window, now, part=True))
        found = [cut] if self._unending else [replace(cut, what="unending"), cut]
        self._begin, self._unending = now - self._window // 2, True
        self._without.extend(self._within)  # what does not stop counts as the room
        self._within, self._room, self._loudest = [], _ninth_decile(self._without), 0.0
        self._louder = self._lull = 0
        self._window_at = now + self._hop
        return found

    def _segment(self, begin: int, end: int, *, part: bool = False) -> Segment:
        start = max(begin - _frames(PAD_PLAYING_S if self._over else PAD_BEFORE_S), self._sound_at)
        stop = min(end + _frames(PAD_AFTER_S), self._looked)  # not what a larger block already contains
        kept = slice(start - self._sound_at, stop - self._sound_at)
        voice = self._sound[max(begin - self._sound_at, 0) : end - self._sound_at]
        known = 0.0 < self._before < math.inf and len(voice)
        over_noise_db = 10 * math.log10(max(_power(voice) / self._before, 1e-9)) if known else math.inf
        natural, noticed = self._natural[kept].copy(), self._sound[kept].copy()
        return Segment(begin, end, start, natural, noticed, over_noise_db, self._over, part, max(self._resumed, begin))


def _power(sound: Samples) -> float:
    """Mean square."""
    exact = sound.astype(np.float64)
    # not a dot product: of more than 10,000 numbers it wakes threads, which on a busy machine takes 8 ms
    return float(np.einsum("i,i->", exact, exact)) / len(exact) if len(exact) else 0.0


def _ninth_decile(powers: Collection[float]) -> float:
    """Interpolated like numpy's quantile; 0 while there are too few values."""
    if len(powers) < _USUAL // 8:
        return 0.0
    ordered = sorted(powers)  # for a hundred numbers, ten times as fast as numpy
    below, part = divmod(0.9 * (len(ordered) - 1), 1)
    low, high = ordered[int(below)], ordered[min(int(below) + 1, len(ordered) - 1)]
    return low + part * (high - low)


def _frames(seconds: float) -> int:
    return round(seconds * RATE_HZ)
