"""A recogniser in a process of its own, which is watched.

Native recognisers can abort, hang or print; none of that may reach the loop. `worker` runs in the process; whatever a
damaged one sends is only ever data.
"""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import queue
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Any

import numpy as np

from voicecoach.audio.line import Block
from voicecoach.errors import EngineError
from voicecoach.listen.process_usage import ProcessUsage, used
from voicecoach.listen.worker import HEADER, WORKING, Spec, run
from voicecoach.session.events import (
    Event,
    Heard,
    SoundTrouble,
    SpeechEnded,
    SpeechStarted,
    SpeechUnending,
    from_json,
    to_json,
)

READY_S = 60.0
"""A child that is not ready after this (s) has failed; the largest model tried loads in about 3 s."""

HANG_S = 0.8
"""A live child that was fed and does not answer for this long (s) hangs, unless it is the machine that is slow."""

ASLEEP_S, SPINS = 0.01, 0.75
"""A child that used less processor time than this meanwhile (s) is blocked, and one that used more than this fraction
of `HANG_S` is spinning; in between, the machine is overloaded. Its longest piece of work took 0.3 s."""

LATE_S = 5.0
"""An answer this late (s) is useless, whatever the reason."""

LOCKSTEP_S = 60.0
"""The same on a recording's clock (s), where nobody waits for a reply and the machine may be busy."""

MAX_ANSWER = 1_000_000
MOST_TOGETHER = 16
"""Blocks sent in one message where nobody waits for their answers meanwhile."""
HEARABLE: tuple[type[Event], ...] = (SpeechStarted, SpeechEnded, SpeechUnending, SoundTrouble, Heard)


class RecogniserProcess:
    """A recogniser of sound: one engine in one watched process.

    Args:
        spec: how the child builds its recogniser.
        lockstep: `poll` waits until everything fed is answered, so that a session on a recording's clock is the same
            every time; otherwise nothing here ever waits, except the constructor and `restart`.
        behind: in lockstep, how many blocks are left to the next `poll`. With one or more both processes work in
            parallel; the more, the less one waits for a long piece of the other's work. Half as many blocks are sent
            together, because each message wakes the other process. Events come so many blocks late, and the session is
            still the same every time.
        hang_s: how long a child may leave something unanswered (s); the default depends on `lockstep`.
        ready_s: how long it may take to start (s).
        now_s: the clock by which it is watched (s).

    Raises:
        EngineError: the child cannot start; its reason is the message.
    """

    def __init__(
        self,
        spec: Spec,
        *,
        lockstep: bool = False,
        behind: int = 0,
        hang_s: float | None = None,
        ready_s: float = READY_S,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.engine = spec.engine
        self._spec = spec
        self._lockstep = lockstep
        self._behind = behind
        self._hang_s = hang_s if hang_s is not None else LOCKSTEP_S if lockstep else HANG_S
        self._ready_s = ready_s
        self._live: tuple[str, ...] = ()
        self._floors: tuple[tuple[str, float], ...] = ()
        self._swap = threading.Lock()
        self._closed = False
        self._now_s = now_s
        self._together = (max(1, behind // 2) if behind else MOST_TOGETHER) if lockstep else 1
        self._link = _Link(spec, ready_s, now_s, self._together)

    @property
    def pid(self) -> int | None:
        """Process id of the child."""
        return self._link.process.pid

    @property
    def lag_s(self) -> float:
        """How far the child lags behind what it was fed (s); it grows on a machine that is too slow."""
        return self._link.lag_s()

    def listen(self, commands: tuple[str, ...]) -> None:
        """Accept only these command ids from now on."""
        with self._swap:
            self._live = commands
            self._link.listen(commands)

    def set_floors(self, floors: tuple[tuple[str, float], ...]) -> None:
        """Use these floors from now on, by command id."""
        with self._swap:
            self._floors = floors
            self._link.set_floors(floors)

    def feed(self, block: Block) -> None:
        """Send the block to the child; what a dead child was sent is lost."""
        self._link.feed(block)

    def poll(self) -> list[Event]:
        """Events found since the last call, by time.

        Raises:
            EngineError: the child is dead, hangs or sent an invalid answer. It is raised again until `restart`.
        """
        link = self._link
        if self._lockstep:
            link.settle(self._hang_s, self._behind)
        elif link.hangs(self._hang_s):
            link.fail(f"has not answered for {self._hang_s:g} s")
        found = link.take(self._behind)
        if not found and link.broken and not self._closed:
            raise EngineError(link.broken, where=f"recogniser {self.engine}")
        return found

    def restart(self) -> None:
        """Start a new child in place of the old one.

        Raises:
            EngineError: it cannot start either.
        """
        self._link.close()
        link = _Link(self._spec, self._ready_s, self._now_s, self._together)
        with self._swap:
            if self._closed:
                link.close()
                return
            link.set_floors(self._floors)
            link.listen(self._live)
            self._link = link

    def close(self) -> None:
        """Stop the child; safe to call twice."""
        with self._swap:
            self._closed = True
        self._link.close()


class _Link:
    """One child and its pipe, with a thread each way: neither a full pipe nor half an answer delays the loop."""

    def __init__(self, spec: Spec, ready_s: float, now_s: Callable[[], float], together: int) -> None:
        self.broken = ""
        self._together = together
        self._blocks: list[bytes] = []  # not sent yet
        self._now_s = now_s
        self._where = f"recogniser {spec.engine}"
        self._out: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self._changed = threading.Condition()
        self._ready = False
        self._unanswered: deque[float] = deque()  # when each was sent, monotonic s
        self._answered = 0.0
        self._alive = 0.0  # when it last answered or reported that it is working
        self._used: ProcessUsage | None = None  # by the child until then, or until it was fed
        self._found: deque[list[Event]] = deque()  # one list per answer
        context = multiprocessing.get_context("spawn")
        self._pipe, theirs = context.Pipe()
        self.process = context.Process(target=run, args=(spec, theirs), name=f"ear-{spec.engine}", daemon=True)
        self.process.start()
        theirs.close()  # or the end of the child would go unnoticed
        for target in (self._write, self._read):
            threading.Thread(target=target, name=f"ear-{target.__name__}", daemon=True).start()
        with self._changed:
            if not self._changed.wait_for(lambda: self._ready or self.broken, ready_s):
                self.broken = f"was not ready within {ready_s:g} s"
        if self.broken:
            self.close()
            raise EngineError(self.broken, where=self._where)

    def listen(self, commands: tuple[str, ...]) -> None:
        self._send(HEADER.pack(b"L", 0, 0, 0) + json.dumps(commands).encode())

    def set_floors(self, floors: tuple[tuple[str, float], ...]) -> None:
        if floors:
            self._send(HEADER.pack(b"F", 0, 0, 0) + json.dumps(floors).encode())

    def feed(self, block: Block) -> None:
        if self.broken:
            return
        heard = np.ascontiguousarray(block.heard, dtype=np.float32)
        played = np.ascontiguousarray(block.played, dtype=np.float32)
        header = HEADER.pack(b"B", block.at, heard.shape[0], heard.shape[1])
        self._blocks.append(header + heard.tobytes() + played.tobytes())
        self._expect()
        if len(self._blocks) >= self._together:
            self._send_blocks()

    def _send_blocks(self) -> None:
        if self._blocks:
            self._out.put(b"".join(self._blocks))
            self._blocks = []

    def _send(self, message: bytes) -> None:
        if self.broken:
            return
        self._send_blocks()
        self._expect()
        self._out.put(message)

    def _expect(self) -> None:
        """One more thing is to be answered."""
        with self._changed:
            if not self._unanswered:
                self._used = used(self.process.pid)
            self._unanswered.append(self._now_s())

    def hangs(self, hang_s: float) -> bool:
        """Whether the child has been silent for `hang_s` although it was fed.

        Not if it waits for a processor or for memory: a system short of memory swaps out what is idle, and reading a
        model back in can take seconds.
        """
        with self._changed:
            if not self._unanswered:
                return False
            sent, now_s, before = self._unanswered[0], self._now_s(), self._used
        if now_s - max(sent, self._answered) > LATE_S:
            return True
        if now_s - max(sent, self._alive) <= hang_s:
            return False
        now = used(self.process.pid)
        if now is None or before is None:
            return True
        waits_for_memory = now.pages > before.pages
        return not (waits_for_memory or ASLEEP_S < now.work_s - before.work_s < SPINS * hang_s)

    def lag_s(self) -> float:
        """How long ago the oldest unanswered message was sent (s)."""
        with self._changed:
            return self._now_s() - self._unanswered[0] if self._unanswered else 0.0

    def settle(self, hang_s: float, behind: int) -> None:
        """Wait until everything sent but the last `behind` is answered; each answer may take `hang_s`."""
        if len(self._blocks) > behind:
            self._send_blocks()
        with self._changed:
            while len(self._unanswered) > behind and not self.broken:
                left = len(self._unanswered)
                if not self._changed.wait_for(lambda left=left: len(self._unanswered) < left or self.broken, hang_s):  # type: ignore[misc]
                    break
            stuck = len(self._unanswered) > behind and not self.broken
        if stuck:
            self.fail(f"has not answered for {hang_s:g} s")

    def take(self, behind: int) -> list[Event]:
        """The events of all answers but those to the last `behind` messages."""
        found: list[Event] = []
        with self._changed:
            while self._found and len(self._found) + len(self._unanswered) > behind:
                found += self._found.popleft()
        return found

    def fail(self, why: str) -> None:
        """Give up on this child."""
        with self._changed:
            self.broken = self.broken or why
            self._changed.notify_all()
        self.process.kill()
        self._out.put(None)

    def close(self) -> None:
        with self._changed:
            self.broken = self.broken or "is closed"
        self._out.put(None)
        if self._status(0.5) is None:
            self.process.kill()
            self._status(2.0)

    def _write(self) -> None:
        """Thread: pass on what is queued. Closing the pipe is what tells the child to end."""
        with contextlib.suppress(OSError, ValueError):
            while (message := self._out.get()) is not None:
                self._pipe.send_bytes(message)
            self._pipe.send_bytes(HEADER.pack(b"E", 0, 0, 0))

    def _read(self) -> None:
        """Thread: read answers until the child ends or sends something else."""
        try:
            while True:
                self._answer(json.loads(self._pipe.recv_bytes(MAX_ANSWER)))
        except (EOFError, ConnectionError):
            self.fail(self._end())
        except EngineError as error:
            self.fail(error.what)
        except Exception:  # noqa: BLE001 whatever goes wrong in reading it, it is not an answer
            self.fail("sent an invalid answer")

    def _end(self) -> str:
        """How the child ended."""
        code = self._status(1.0)
        if code is None:
            return "closed its pipe"
        return f"died (signal {-code})" if code < 0 else f"ended (exit status {code})"

    def _status(self, within_s: float) -> int | None:
        """The child's exit status; None if it still runs after `within_s`.

        Polled: of two threads that reap the child at once, one finds no child before the other has stored the status,
        and `join` and `is_alive` then report it as running.
        """
        until_s = time.monotonic() + within_s
        while (code := self.process.exitcode) is None and time.monotonic() < until_s:
            time.sleep(0.01)
        return code

    def _answer(self, data: dict[str, Any]) -> None:
        if "error" in data:
            raise EngineError(str(data["error"]))
        if data == WORKING:
            self._is_working()
            return
        answers = [[_event(item) for item in events] for events in data["events"]]
        with self._changed:
            if not self._ready:
                self._ready = data["ready"] is True
            elif not answers:
                raise EngineError("sent an invalid answer", where=self._where)
            for events in answers:
                self._unanswered.popleft()
                self._answered = self._alive = self._now_s()
                if self._unanswered:
                    self._used = used(self.process.pid)
                self._found.append(events)
            self._changed.notify_all()

    def _is_working(self) -> None:
        """The child reported progress."""
        with self._changed:
            self._alive = self._now_s()
            self._used = used(self.process.pid)


def _event(data: dict[str, Any]) -> Event:
    """An event from a recogniser, with its types checked.

    Raises:
        Exception: of several kinds, if it is not one.
    """
    event = from_json(data)
    if not isinstance(event, HEARABLE):
        raise TypeError(event.kind)
    for name, value in to_json(event).items():
        if name in {"at", "begin", "end", "channel"}:
            good = type(value) is int and value >= 0
        elif name in {"score", "floor"}:
            good = type(value) in {int, float}
        elif name in {"command", "near", "runner_up"}:
            good = value is None or isinstance(value, str)
        else:
            good = isinstance(value, str)
        if not good:
            raise TypeError(name)
    return event
