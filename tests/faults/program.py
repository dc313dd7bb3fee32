"""`voicecoach run` as a person starts it, and what it shows."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

from voicecoach.record.lock import NAME
from voicecoach.record.read import Session, read
from voicecoach.runtime import supervisor


class Program:
    """`voicecoach run --typed` as a person starts it, and what it shows."""

    def __init__(self, out: Path, *options: str, **variables: str) -> None:
        self.out = out
        command = [sys.executable, "-u", "-m", "voicecoach", "run", "short-practice", "--out", str(out)]
        command += options or ["--typed"]
        environment = {name: value for name, value in os.environ.items() if name != supervisor.SUPERVISED}
        environment |= {"XDG_RUNTIME_DIR": str(out.parent)} | variables
        self.process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            env=environment, start_new_session=True,
        )  # fmt: skip
        self.shown: list[str] = []
        self._deaf = False
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self._lines.put(line)
            if self._deaf:
                break
        self.process.stdout.close()
        self._lines.put(None)

    def stop_reading(self) -> None:
        """Close this end of what it shows, as a terminal does that goes."""
        self._deaf = True

    def until(self, *words: str, limit_s: float = 30.0) -> str:
        """The first line from now on with one of these words."""
        end = time.monotonic() + limit_s
        while time.monotonic() < end:
            with contextlib.suppress(queue.Empty):
                line = self._lines.get(timeout=0.2)
                assert line is not None, self.shown
                self.shown.append(line)
                if any(word in line for word in words):
                    return line
        raise AssertionError((words, self.shown[-15:]))

    def type(self, line: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def kill(self) -> None:
        """Kill the process that runs the session."""
        os.kill(self.pid, signal.SIGKILL)

    def end(self) -> None:
        """End all of its processes at once: one that is left starts the other again."""
        for _ in range(2):  # the second time for one that was just being started
            with contextlib.suppress(ProcessLookupError):
                os.killpg(self.process.pid, signal.SIGKILL)
            time.sleep(0.2)
        self.process.wait(10)

    @property
    def folder(self) -> Path:
        (folder,) = self.out.glob("[!.]*")
        return folder

    @property
    def pid(self) -> int:
        return int(json.loads((self.folder / NAME).read_text())["pid"])

    @property
    def session(self) -> Session:
        return read(self.folder)
