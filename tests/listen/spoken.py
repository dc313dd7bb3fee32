"""Words spoken by eSpeak NG for tests, straight from its library: a voice that is not the coach's own code."""

import functools
import subprocess
import sys
from pathlib import Path

import numpy as np
import soxr
from numpy.typing import NDArray

from voicecoach.audio.line import RATE_HZ

SPEAK_ONCE = Path(__file__).with_name("speak_once.py")


@functools.cache
def say(text: str, voice: str = "ko", rate: int = 150, pitch: int = 50, pads_s: float = 0.0) -> NDArray[np.float32]:
    """`text` at 16 kHz, shape (frames,), cut to its sound, with `pads_s` of a little noise on both sides.

    The same each time: see `speak_once.py`.
    """
    command = [sys.executable, str(SPEAK_ONCE), text, voice, str(rate), str(pitch)]
    data = subprocess.run(command, check=True, capture_output=True).stdout
    (rate_hz,) = np.frombuffer(data, "<i4", 1)
    sound = soxr.resample(np.frombuffer(data, "<i2", offset=4).astype(np.float32) / 32768, int(rate_hz), RATE_HZ)
    loud = np.flatnonzero(np.abs(sound) > 1e-3)
    sound = np.pad(sound[loud[0] : loud[-1] + 1], round(pads_s * RATE_HZ))
    noise = np.random.default_rng(len(sound)).standard_normal(len(sound)) * 1e-3
    spoken: NDArray[np.float32] = (sound + noise).astype(np.float32)
    spoken.flags.writeable = False
    return spoken
