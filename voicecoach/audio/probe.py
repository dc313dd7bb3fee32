"""A separate process tries a sound card before the session opens it.

The system's sound library may abort or hang and take its caller with it; a restarted session would fail the same way
over and over (rule 19). This file is also that process; it imports nothing large before it has called the library.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import subprocess
import sys
import time
from typing import Any, Literal

from voicecoach.errors import AudioError

LIMIT_S = 4.0
"""A library that takes longer than this (s) hangs; a probe takes 0.2-0.4 s, and a killed session has 10 s to resume."""
GIVES_S = 3.0
"""An opened device that delivers no frames for this long (s) is absent; a sleeping one takes a second to wake."""
GOOD, REFUSED = 0, 1
"""Exit statuses of the process. REFUSED: the library returned an error."""

DevicePair = tuple[str | int | None, str | int | None]
What = Literal["list", "open", "frames"]


def survive(what: What, *, channels: int = 1, device: DevicePair = (None, None), direction: str = "both") -> None:
    """Return once a separate process has survived this, whether it could open the card or not.

    Args:
        what: list devices, open a stream, or open it and wait for frames. channels: of the microphone.
        device: microphone and speaker. direction: both, speaker or microphone.

    Raises:
        AudioError: the process died or hung.
    """
    status = _status(what, LIMIT_S, channels=channels, device=device, direction=direction)
    if status in {GOOD, REFUSED}:
        return
    how = "hangs" if status is None else f"dies (signal {-status})" if status < 0 else f"dies (exit status {status})"
    raise AudioError(
        f"the system's sound library {how} when it is used",
        where="sound card",
        mend="check the system's sound settings, then run voicecoach devices",
    )


def gives(*, channels: int, device: DevicePair, direction: str) -> bool:
    """Whether a card delivers frames in that direction. Takes about a second."""
    return _status("frames", LIMIT_S + GIVES_S, channels=channels, device=device, direction=direction) == GOOD


def _status(what: What, limit_s: float, **arguments: object) -> int | None:
    """Exit status of the process; None if it took longer than `limit_s`."""
    command = [sys.executable, "-m", __name__, what, json.dumps(arguments)]
    quiet = subprocess.DEVNULL
    try:
        process = subprocess.Popen(command, stdin=quiet, stdout=quiet, stderr=quiet)  # noqa: S603 our own module
    except OSError:
        return GOOD  # no process can be started: take the risk
    try:
        return process.wait(limit_s)
    except subprocess.TimeoutExpired:
        process.kill()  # and is not waited for: one that hangs in a driver may never exit
        return None


def main(what: str, arguments: dict[str, Any]) -> int:
    """Run in the process; returns its exit status."""
    with contextlib.suppress(ImportError, OSError, ValueError):  # core dumps must not fill the disk
        resource: Any = importlib.import_module("resource")
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    from voicecoach.audio import drivers  # noqa: PLC0415 native libraries: in the child only

    try:
        sd = drivers.load()  # starts the library
    except AudioError:
        return REFUSED
    if what == "list":
        sd.query_devices()
        return GOOD
    from voicecoach.audio.card import Card  # noqa: PLC0415 likewise
    from voicecoach.audio.mix import Mixer  # noqa: PLC0415 likewise

    try:
        card = Card(sd, Mixer(), arguments["channels"], tuple(arguments["device"]), arguments["direction"])
    except AudioError:
        return REFUSED
    if what == "open":
        return GOOD
    card.arm(0)
    return GOOD if card.fetch(time.monotonic() + GIVES_S) else REFUSED


if __name__ == "__main__":
    status = main(sys.argv[1], json.loads(sys.argv[2]))
    os._exit(status)  # a driver whose device is gone may never let this process exit
