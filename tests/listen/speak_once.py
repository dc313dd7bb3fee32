"""Speaks one text with eSpeak NG: `speak_once.py TEXT VOICE RATE PITCH` writes its rate in Hz and then 16-bit samples.

The library never says the same word twice the same way in one process, and always in a new one.
"""

import ctypes
import struct
import sys

import espeakng_loader

_HEARD = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.POINTER(ctypes.c_short), ctypes.c_int, ctypes.c_void_p)


def main(text: str, voice: str, rate: int, pitch: int) -> None:
    """Write the sound to standard output."""

    def take(samples: "ctypes._Pointer[ctypes.c_short]", count: int, _events: object) -> int:
        if samples and count > 0:
            sys.stdout.buffer.write(ctypes.string_at(samples, 2 * count))
        return 0

    heard = _HEARD(take)
    library = ctypes.CDLL(espeakng_loader.get_library_path())
    rate_hz = library.espeak_Initialize(1, 0, espeakng_loader.get_data_path().encode(), 0)
    sys.stdout.buffer.write(struct.pack("<i", rate_hz))
    library.espeak_SetSynthCallback(heard)
    library.espeak_SetVoiceByName(voice.encode())
    library.espeak_SetParameter(1, rate, 0)
    library.espeak_SetParameter(3, pitch, 0)
    data = text.encode()
    library.espeak_Synth(data, len(data) + 1, 0, 1, 0, 1, None, None)  # position by character, UTF-8
    library.espeak_Synchronize()


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))
