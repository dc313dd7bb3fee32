"""What all tests share: places of their own for caches and records, and the replay of every session that was made."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

LAST = "test_replay_all.py"
INNER = "VOICECOACH_TEST_INNER"
LONGEST_S = 150.0
"""A test in a process of its own is given up after this (s)."""


def pytest_configure(config: pytest.Config) -> None:
    """Caches of rendered speech and of verdicts on it outlive a run where pytest's own cache does; nothing else does.

    Every program that a test starts inherits the places, so that nobody's own records or models are touched.
    """
    config.addinivalue_line("markers", "own_process: runs in a process of its own, which a driver may hang")
    if INNER in os.environ:
        return
    cache = getattr(config, "cache", None)
    temporary = Path(tempfile.mkdtemp(prefix="voicecoach-tests-"))
    os.environ["XDG_CACHE_HOME"] = str(cache.mkdir("voicecoach") if cache is not None else temporary / "cache")
    os.environ["XDG_DATA_HOME"] = str(temporary / "data")
    config.add_cleanup(lambda: shutil.rmtree(temporary, ignore_errors=True))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The sessions that the other tests made are replayed behind them."""
    items.sort(key=lambda item: item.path.name == LAST)


@pytest.fixture(scope="session", autouse=True)
def ran_on() -> Iterator[dict[Path, Any]]:
    """Record's folder -> rules (None: no true machine), of every session that a coach has run in this process."""
    from voicecoach.runtime.loop import Coach, Parts  # noqa: PLC0415 the places are set before anything is imported
    from voicecoach.session.machine import Machine  # noqa: PLC0415

    found: dict[Path, Any] = {}
    begin = Coach.__init__

    def remember(self: Coach, parts: Parts, *state: Any, **others: Any) -> None:
        begin(self, parts, *state, **others)
        found[parts.journal.folder] = parts.machine.setup if isinstance(parts.machine, Machine) else None

    Coach.__init__ = remember  # type: ignore[method-assign]
    yield found
    Coach.__init__ = begin  # type: ignore[method-assign]


@pytest.hookimpl(tryfirst=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> bool | None:
    """A sound driver whose device is pulled out may hang for ever, and the whole process with it."""
    if pyfuncitem.get_closest_marker("own_process") is None or INNER in os.environ:
        return None
    command = [sys.executable, "-m", "pytest", pyfuncitem.nodeid, "-q", "-p", "no:cacheprovider"]
    done = subprocess.run(
        command, cwd=pyfuncitem.config.rootpath, env={**os.environ, INNER: "1"}, stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, timeout=LONGEST_S, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout
    return True
