"""Sound card drivers behind one interface, that of the sounddevice module.

sounddevice comes first. On Linux it needs the system's PortAudio; where that is missing, miniaudio is used instead,
whose wheel includes drivers for ALSA, PulseAudio and JACK.
"""

from __future__ import annotations

import os
from typing import Any

from voicecoach.errors import AudioError

VARIABLE = "VOICECOACH_AUDIO_DRIVER"
"""Names the driver to use, 'portaudio' or 'miniaudio'; unset: the first that works."""
NAMES = ("portaudio", "miniaudio")
MEND = (
    "python -m pip install miniaudio; or, on Debian or Ubuntu, apt-get install libportaudio2; elsewhere reinstall the "
    "sounddevice package"
)


def load() -> Any:
    """The driver to use, with the interface of the sounddevice module.

    Raises:
        AudioError: no driver is available.
    """
    wanted = os.environ.get(VARIABLE, "")
    if wanted and wanted not in NAMES:
        raise AudioError(f"{wanted!r} is not a driver", where=VARIABLE, expected=" or ".join(NAMES))
    for name in NAMES:
        if wanted in {"", name} and (driver := _load(name)) is not None:
            return driver
    raise AudioError("needs PortAudio or miniaudio, and neither is installed", where="sound card", mend=MEND)


def describe() -> str:
    """Which driver is used, and why, in one line."""
    wanted = os.environ.get(VARIABLE, "")
    if wanted:
        return f"{wanted}, set by {VARIABLE}"
    if _load("portaudio") is not None:
        return "PortAudio, through sounddevice"
    return "miniaudio with its own drivers: the system has no PortAudio"


def _load(name: str) -> Any | None:
    try:
        if name == "portaudio":
            import sounddevice  # noqa: PLC0415 without PortAudio it cannot be imported

            return sounddevice
        from voicecoach.audio.miniaudio_driver import Driver  # noqa: PLC0415 a native library: only where it is used

        return Driver()
    except (ImportError, OSError):
        return None
