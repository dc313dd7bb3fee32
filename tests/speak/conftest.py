"""Rendering children that misbehave."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Callable
from pathlib import Path

import pytest

from voicecoach.speak.child import Renderer

HEAD = """
import json, os, struct, sys, time, wave
def tell(**data): print(json.dumps(data), flush=True)
def write(path, seconds=1.0, level=8000):
    with wave.open(path, "wb") as out:
        out.setnchannels(1); out.setsampwidth(2); out.setframerate(22050)
        out.writeframes((struct.pack("<h", level) * 25 + struct.pack("<h", -level) * 25) * int(441 * seconds))
tell(error="", engine="fake")
for line in sys.stdin:
    request = json.loads(line)
    text, path = request["text"], request["out"]
"""


@pytest.fixture
def fake(tmp_path: Path) -> Callable[..., Renderer]:
    """A renderer whose child runs `body` for each request; each start leaves a line in tmp_path/starts."""

    def make(body: str, limit_s: float = 0.3) -> Renderer:
        script = tmp_path / "child.py"
        starts = f"open({str(tmp_path / 'starts')!r}, 'a').write('start\\n')\n"
        script.write_text(starts + HEAD + textwrap.indent(textwrap.dedent(body), "    "))
        return Renderer([sys.executable, str(script)], limit_s=limit_s)

    return make


@pytest.fixture
def starts(tmp_path: Path) -> Callable[[], int]:
    """How often the fake's child was started."""
    return lambda: len((tmp_path / "starts").read_text().splitlines()) if (tmp_path / "starts").exists() else 0
