"""miniaudio behind the interface of the sounddevice module, as far as `card.py` uses it.

It cannot report how long a frame waited in the input buffer (so a card that falls behind goes unnoticed), nor the
latencies, which are assumed to be one period each.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator
from types import SimpleNamespace
from typing import Any

import miniaudio
import numpy as np

from voicecoach.audio.line import Samples

BACKENDS = [
    miniaudio.Backend[name]
    for name in ("WASAPI", "COREAUDIO", "PULSEAUDIO", "ALSA", "JACK")
    if name in miniaudio.Backend.__members__
]
"""In the order tried. The null backend, which accepts everything and plays nothing, is left out."""
FLOAT32 = miniaudio.SampleFormat.FLOAT32

Callback = Callable[[Samples, Samples, int, object, object], None]
_NO_TIME = SimpleNamespace(inputBufferAdcTime=0.0, currentTime=0.0)


class PortAudioError(Exception):
    """The exception that `card.py` expects from a driver."""


class Driver:
    """Stands in for the sounddevice module."""

    PortAudioError = PortAudioError
    default = SimpleNamespace(device=(-1, -1))

    def query_devices(self, device: str | int | None = None, kind: str | None = None) -> Any:
        """All devices, or the one asked for, as mappings with sounddevice's keys.

        Raises:
            PortAudioError: there is no such device, or no backend.
        """
        listed = _devices()
        if kind is None:
            return [item for item, _ in listed]
        if device is None:
            return {"default_samplerate": 48_000.0}
        return _find(listed, device, kind)[0]

    def Stream(self, *, device: tuple[Any, Any], channels: tuple[int, int], **wanted: Any) -> _Stream:  # noqa: N802 as in sounddevice
        """Microphone and speaker as one stream."""
        return _Stream(device, channels, **wanted)

    def OutputStream(self, *, device: Any, channels: int, callback: Any, **wanted: Any) -> _Stream:  # noqa: N802 as in sounddevice
        """The speaker alone."""

        def both(_: Samples, out: Samples, frames: int, when: object, status: object) -> None:
            callback(out, frames, when, status)

        return _Stream((None, device), (0, channels), callback=both, **wanted)

    def InputStream(self, *, device: Any, channels: int, callback: Any, **wanted: Any) -> _Stream:  # noqa: N802 as in sounddevice
        """The microphone alone."""

        def both(heard: Samples, _: Samples, frames: int, when: object, status: object) -> None:
            callback(heard, frames, when, status)

        return _Stream((device, None), (channels, 0), callback=both, **wanted)

    def _terminate(self) -> None:
        """Do nothing: devices are listed afresh each time."""

    def _initialize(self) -> None:
        """As `_terminate`."""


class _Stream:
    """An open device, or two as one. channels: of microphone and speaker, 0 for one not opened."""

    def __init__(
        self,
        device: tuple[Any, Any],
        channels: tuple[int, int],
        *,
        samplerate: int,
        blocksize: int,
        callback: Callback,
        finished_callback: Callable[[], None],
        dtype: str = "float32",
        latency: str = "low",
    ) -> None:
        del dtype, latency  # this always opens float32 with the shortest buffer
        self._channels, self._callback, self._finished = channels, callback, finished_callback
        period_ms = max(1, math.ceil(1000 * blocksize / samplerate))
        self.latency = tuple(period_ms / 1000 for count in channels if count)
        shared = {"sample_rate": samplerate, "buffersize_msec": period_ms, "backends": BACKENDS}
        heard, spoken = channels
        try:
            listed = _devices()
            into = _find(listed, device[0], "input")[1] if device[0] is not None else None
            out = _find(listed, device[1], "output")[1] if device[1] is not None else None
            if heard and spoken:
                self._device: Any = miniaudio.DuplexStream(
                    playback_format=FLOAT32, playback_channels=spoken, capture_format=FLOAT32, capture_channels=heard,
                    playback_device_id=out, capture_device_id=into, **shared,
                )  # fmt: skip
            elif spoken:
                self._device = miniaudio.PlaybackDevice(
                    output_format=FLOAT32, nchannels=spoken, device_id=out, **shared
                )
            else:
                self._device = miniaudio.CaptureDevice(input_format=FLOAT32, nchannels=heard, device_id=into, **shared)
        except miniaudio.MiniaudioError as error:
            raise PortAudioError(_words(error)) from None
        self._device.stop_callback = self._finished

    def start(self) -> None:
        """Start the callbacks."""
        pump = self._pump()
        next(pump)
        self._device.stop_callback = self._finished
        try:
            self._device.start(pump)
        except miniaudio.MiniaudioError as error:
            raise PortAudioError(_words(error)) from None

    def abort(self) -> None:
        """Stop the callbacks at once."""
        self._device.stop()

    def close(self) -> None:
        """Release the device."""
        self._device.close()

    def _pump(self) -> Generator[bytes, Any, None]:
        """The generator miniaudio exchanges frames with, in miniaudio's own thread."""
        heard, spoken = self._channels
        out = b""
        while True:
            given = yield out
            if heard:
                samples = np.frombuffer(given, np.float32).reshape(-1, heard)
            else:
                samples = np.zeros((int(given), 0), np.float32)
            played = np.zeros((len(samples), spoken), np.float32)
            self._callback(samples, played, len(samples), _NO_TIME, None)
            out = played.tobytes()


Listed = list[tuple[dict[str, Any], Any]]


def _devices() -> Listed:
    """Each device with sounddevice's keys, and its id."""
    try:
        found = miniaudio.Devices(BACKENDS)
        captures, playbacks = found.get_captures(), found.get_playbacks()
    except miniaudio.MiniaudioError as error:
        raise PortAudioError(_words(error)) from None
    listed: Listed = []
    for key, devices in (("max_input_channels", captures), ("max_output_channels", playbacks)):
        for device in devices:
            formats = device.get("formats", [])
            item = {
                "name": f"{device['name']} ({found.backend})",
                "max_input_channels": 0,
                "max_output_channels": 0,
                "default_samplerate": float(max((f["samplerate"] for f in formats), default=0) or 48_000),
            }
            item[key] = max((f["channels"] for f in formats), default=0) or 2
            listed.append((item, device["id"]))
    return listed


def _find(listed: Listed, device: str | int, kind: str) -> tuple[dict[str, Any], Any]:
    """A device by its number or part of its name."""
    key = f"max_{kind}_channels"
    for number, (item, identity) in enumerate(listed):
        meant = number == device if isinstance(device, int) else str(device).lower() in item["name"].lower()
        if meant and item[key]:
            return item, identity
    raise PortAudioError(f"there is no {kind} device {device!r}")


def _words(error: Exception) -> str:
    return " ".join(str(part) for part in error.args) or type(error).__name__
