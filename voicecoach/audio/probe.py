"""A sound card is tried by a process of its own before the session opens it.

The system's sound library may abort or hang, and takes with it whoever called it: a session that is started again would
run into it again and again (rule 19). This file is that process, too; it imports nothing large before it has met the
library.
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
"""Longer than this (s) a library hangs; a trial takes 0.2-0.4 s, and a killed session has 10 s to go on."""
GIVES_S = 3.0
"""A device that was opened and gives no frames for so long (s) is not there; a sleeping one needs a second to wake."""
GOOD, REFUSED = 0, 1
"""Exit statuses of the process. REFUSED: the library came back with an error."""

Device = tuple[str | int | None, str | int | None]
What = Literal["list", "open", "frames"]


def survive(what: What, *, channels: int = 1, device: Device = (None, None), way: str = "both") -> None:
    """Return when a process of its own came back from it, whether it could open the card or not.

    Args:
        what: list devices, open a stream, or open it and wait for frames. channels: of the microphone.
        device: microphone and speaker. way: both, speaker or microphone.

    Raises:
        AudioError: the process died or hung.
    """
    status = _status(what, LIMIT_S, channels=channels, device=device, way=way)
    if status in {GOOD, REFUSED}:
        return
    how = "hangs" if status is None else f"dies (signal {-status})" if status < 0 else f"dies (exit status {status})"
    raise AudioError(
        f"the system's sound library {how} when it is used",
        where="sound card",
        mend="mend the system's sound settings, then try voicecoach devices",
    )


def gives(*, channels: int, device: Device, way: str) -> bool:
    """Whether that way of a card gives frames. Takes about a second."""
    return _status("frames", LIMIT_S + GIVES_S, channels=channels, device=device, way=way) == GOOD


def _status(what: What, limit_s: float, **asked: object) -> int | None:
    """How the process ended; None when it took longer than `limit_s`."""
    command = [sys.executable, "-m", __name__, what, json.dumps(asked)]
    quiet = subprocess.DEVNULL
    try:
        process = subprocess.Popen(command, stdin=quiet, stdout=quiet, stderr=quiet)  # noqa: S603 our own module
    except OSError:
        return GOOD  # without a process to spare it has to be risked
    try:
        return process.wait(limit_s)
    except subprocess.TimeoutExpired:
        process.kill()  # and not waited for: one that hangs in a driver may never go
        return None


def main(what: str, asked: dict[str, Any]) -> int:
    """The process: do what is asked; its exit status."""
    with contextlib.suppress(ImportError, OSError, ValueError):  # an abort every second must not fill the disk
        resource: Any = importlib.import_module("resource")
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    from voicecoach.audio import drivers  # noqa: PLC0415

    try:
        sd = drivers.load()  # this starts the library
    except AudioError:
        return REFUSED
    if what == "list":
        sd.query_devices()
        return GOOD
    from voicecoach.audio.card import Card  # noqa: PLC0415
    from voicecoach.audio.mix import Mixer  # noqa: PLC0415

    try:
        card = Card(sd, Mixer(), asked["channels"], tuple(asked["device"]), asked["way"])
    except AudioError:
        return REFUSED
    if what == "open":
        return GOOD
    card.arm(0)
    return GOOD if card.fetch(time.monotonic() + GIVES_S) else REFUSED


if __name__ == "__main__":
    status = main(sys.argv[1], json.loads(sys.argv[2]))
    os._exit(status)  # a driver whose device has gone may never let this process end
