"""Words spoken by eSpeak NG for tests, straight from its library: a voice that is not the coach's own code."""

import ctypes
import functools

import espeakng_loader
import numpy as np
import soxr
from numpy.typing import NDArray

from voicecoach.audio.line import RATE_HZ

_HEARD = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.POINTER(ctypes.c_short), ctypes.c_int, ctypes.c_void_p)
_parts: list[NDArray[np.int16]] = []


def _take(samples: "ctypes._Pointer[ctypes.c_short]", count: int, _events: object) -> int:
    if samples and count > 0:
        _parts.append(np.ctypeslib.as_array(samples, (count,)).copy())
    return 0


_callback = _HEARD(_take)
_library = ctypes.CDLL(espeakng_loader.get_library_path())
_rate_hz = _library.espeak_Initialize(1, 0, espeakng_loader.get_data_path().encode(), 0)
_library.espeak_SetSynthCallback(_callback)


@functools.cache
def say(text: str, voice: str = "ko", rate: int = 150, pitch: int = 50, pads_s: float = 0.0) -> NDArray[np.float32]:
    """`text` at 16 kHz, shape (frames,), cut to its sound, with `pads_s` of a little noise on both sides.

    The synthesiser never says the same word the same way twice: within one run of the tests it is rendered once.
    """
    _parts.clear()
    _library.espeak_SetVoiceByName(voice.encode())
    _library.espeak_SetParameter(1, rate, 0)
    _library.espeak_SetParameter(3, pitch, 0)
    data = text.encode()
    _library.espeak_Synth(data, len(data) + 1, 0, 1, 0, 1, None, None)  # position by character, UTF-8
    _library.espeak_Synchronize()
    sound = soxr.resample(np.concatenate(_parts).astype(np.float32) / 32768, _rate_hz, RATE_HZ)
    loud = np.flatnonzero(np.abs(sound) > 1e-3)
    sound = np.pad(sound[loud[0] : loud[-1] + 1], round(pads_s * RATE_HZ))
    noise = np.random.default_rng(len(sound)).standard_normal(len(sound)) * 1e-3
    spoken: NDArray[np.float32] = (sound + noise).astype(np.float32)
    spoken.flags.writeable = False
    return spoken
