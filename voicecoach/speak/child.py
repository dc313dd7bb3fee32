"""The parent's side of the rendering child: starts it, sends requests, and kills it when it hangs."""

from __future__ import annotations

import contextlib
import json
import queue
import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import IO, Any

from voicecoach.errors import EngineError

COMMAND = (sys.executable, "-P", str(Path(__file__).with_name("render.py")))
"""The child is started by path: apart from the standard library and pyttsx3 it needs `system.signals` only."""
START_LIMIT_S = 20.0
"""How long the child may take to start (s): a cold disk or a virus scanner may be slow once."""
GRACE_S = 1.0
"""How much longer than the prompt's own limit its answer may take before the child is killed (s)."""


class Renderer:
    """One rendering child, started when first needed and again after it has ended.

    limit_s: seconds that one prompt may take.
    """

    def __init__(self, command: Sequence[str] = COMMAND, limit_s: float = 5.0) -> None:
        self.limit_s = limit_s
        self._command = tuple(command)
        self._child: subprocess.Popen[str] | None = None
        self._answers: queue.SimpleQueue[str] = queue.SimpleQueue()

    def start(self) -> None:
        """Start the child unless it is running.

        Raises:
            EngineError: this machine cannot render speech.
        """
        if self._child is not None:
            return
        self._answers = queue.SimpleQueue()
        try:
            self._child = subprocess.Popen(  # noqa: S603 our own module, or a test's
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
                encoding="utf-8",
            )
        except OSError as error:
            raise EngineError(f"cannot be started: {error.strerror or error}", where="speech") from None
        assert self._child.stdout is not None
        threading.Thread(target=_read, args=(self._child.stdout, self._answers), daemon=True).start()
        hello = self._answer(START_LIMIT_S)
        if hello["error"]:
            self.close()
            raise EngineError(
                f"cannot be started: {hello['error']}",
                where="speech",
                mend="on Linux: python -m pip install espeakng-loader",
            )

    def render(self, text: str, out: Path, *, voice: str, rate_wpm: int, pitch: int | None = None) -> None:
        """Render one prompt to the file `out`, which must not exist.

        Raises:
            EngineError: it failed, crashed or took longer than `limit_s`.
        """
        self.start()
        assert self._child is not None
        assert self._child.stdin is not None
        request = {
            "text": text,
            "out": str(out),
            "voice": voice,
            "rate_wpm": rate_wpm,
            "pitch": pitch,
            "limit_s": self.limit_s,
        }
        try:
            self._child.stdin.write(json.dumps(request) + "\n")
            self._child.stdin.flush()
        except OSError:
            self.close()
            raise EngineError("the rendering process died", where="speech") from None
        error = self._answer(self.limit_s + GRACE_S)["error"]
        if error:
            raise EngineError(f"{text!r} cannot be rendered: {error}", where="speech")

    def close(self) -> None:
        """Stop the child; safe to call twice."""
        child, self._child = self._child, None
        if child is None:
            return
        child.kill()
        child.wait()
        for pipe in (child.stdin, child.stdout):
            assert pipe is not None
            with contextlib.suppress(OSError):
                pipe.close()

    def _answer(self, limit_s: float) -> dict[str, Any]:
        """The child's next answer; if none comes in time, the child is killed."""
        try:
            line = self._answers.get(timeout=limit_s)
        except queue.Empty:
            self.close()
            raise EngineError(f"the rendering process did not answer within {limit_s:g} s", where="speech") from None
        if not line:
            self.close()
            raise EngineError("the rendering process died", where="speech")
        try:
            answer = json.loads(line)
            return {"error": str(answer["error"])}
        except (ValueError, TypeError, KeyError):
            self.close()
            raise EngineError(f"the rendering process sent an invalid answer: {line[:40]!r}", where="speech") from None


def _read(pipe: IO[str], answers: queue.SimpleQueue[str]) -> None:
    """Queue each line; an empty one means that the pipe has ended."""
    with contextlib.suppress(OSError, ValueError):
        for line in pipe:
            answers.put(line)
    answers.put("")
