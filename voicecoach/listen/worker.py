"""What runs in a recogniser's process, and the protocol of its pipe.

The parent sends blocks as raw bytes, one or several in a message; the worker answers each message with the events found
in each block, as JSON (never pickle). During a long piece of work it reports now and then that it is still working.
"""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import os
import struct
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import import_module
from multiprocessing.connection import Connection, wait
from typing import Protocol

import numpy as np

from voicecoach.audio.line import Samples
from voicecoach.errors import VoicecoachError
from voicecoach.session.events import Event, Role, to_json
from voicecoach.system import signals

HEADER = struct.Struct("<cqii")
"""What a message to the worker begins with: its kind, first sample, frames, channels. The sound of a block follows, and
then perhaps another block; what follows anything else is text.
"""

WORKING = {"working": True}
"""Sent while an answer is still being worked out."""


class ChildRecogniser(Protocol):
    """What runs in the child."""

    def listen(self, commands: tuple[str, ...]) -> None:
        """Accept only these command ids from now on."""

    def set_floors(self, floors: dict[str, float]) -> None:
        """Use these floors from now on, by command id."""

    def feed(self, at: int, heard: Samples, played: Samples) -> list[Event]:
        """Take in frames that begin at sample `at`; returns the events found."""


@dataclass(frozen=True, slots=True)
class Spec:
    """How to build the recogniser in a child; plain values, so that it can be sent to another process."""

    engine: str
    """Name for messages and for the record."""
    grammar: str
    """The text of the grammar."""
    grammar_file: str
    """Its file name."""
    model: str = ""
    """The folder of the model; '' for none."""
    roles: tuple[tuple[int, Role], ...] = ()
    """(channel, role) pairs."""
    factory: str = "voicecoach.listen.registry:build"
    """'module:function' that makes a `ChildRecogniser` from this and a function to call between long pieces of work."""


def run(spec: Spec, pipe: Connection) -> None:
    """The child: build the recogniser, report that it is ready, and answer every message until the pipe ends."""
    signals.leave_terminal_to_parent()
    null = os.open(os.devnull, os.O_RDWR)
    for stream in (1, 2):
        os.dup2(null, stream)  # recognisers print, even from native code
    threading.Thread(target=_follow_parent, name="follow-parent", daemon=True).start()

    def working() -> None:
        _send(pipe, **WORKING)

    try:
        module, _, name = spec.factory.partition(":")
        ear: ChildRecogniser = getattr(import_module(module), name)(spec, working)
        _send(pipe, ready=True, events=[])
        while True:
            message = pipe.recv_bytes()
            kind = message[:1]
            found: list[list[Event]] = [[]]
            if kind == b"L":
                ear.listen(tuple(json.loads(message[HEADER.size :])))
            elif kind == b"F":
                ear.set_floors(dict(json.loads(message[HEADER.size :])))
            elif kind == b"B":
                found = [ear.feed(*block) for block in _blocks(message)]
            else:
                return
            _send(pipe, events=[[to_json(event) for event in events] for events in found])
    except (EOFError, BrokenPipeError, ConnectionResetError):
        return  # the parent is gone
    except VoicecoachError as error:
        line = error.line()
    except Exception as error:  # noqa: BLE001 whatever an engine raises is passed on as one line
        line = " ".join(f"{type(error).__name__}: {error}".split())
    with contextlib.suppress(OSError):
        _send(pipe, error=line)
    sys.exit(1)


def _blocks(message: bytes) -> Iterator[tuple[int, Samples, Samples]]:
    """The blocks of a message: first sample, what was heard, what was played."""
    place = 0
    while place < len(message):
        _, at, frames, channels = HEADER.unpack_from(message, place)
        count = frames * (channels + 1)
        data = np.frombuffer(message, np.float32, count, place + HEADER.size).copy()
        place += HEADER.size + data.nbytes
        yield at, data[: frames * channels].reshape(frames, channels), data[frames * channels :]


def _send(pipe: Connection, **answer: object) -> None:
    pipe.send_bytes(json.dumps(answer).encode())


def _follow_parent() -> None:
    """Thread: end with the parent; a child that hangs in native code would not notice the end of the pipe."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(1)
