"""What all tests share: places of their own for caches and records, what the default run leaves out, and the replay of
every session that the tests made.
"""

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

sys.path.insert(0, str(Path(__file__).parent))  # helpers beside this file

INNER = "VOICECOACH_TEST_INNER"
LEFT_OUT = ("long", "realtime")
LEFT = pytest.StashKey[dict[str, set[str]]]()
LONGEST_S = 150.0
"""A test in a process of its own is given up after this (s)."""


def pytest_configure(config: pytest.Config) -> None:
    """Caches of rendered speech and of verdicts on it outlive a run where pytest's own cache does; nothing else does.

    Every program that a test starts inherits the places, so that nobody's own records or models are touched.
    """
    if hasattr(config, "workerinput"):  # one voice for each process of tests
        own = Path(os.environ["XDG_RUNTIME_DIR"]) / config.workerinput["workerid"]
        own.mkdir(mode=0o700, exist_ok=True)
        os.environ["XDG_RUNTIME_DIR"] = str(own)
    if INNER in os.environ or hasattr(config, "workerinput"):
        return  # the outer process has set them
    cache = getattr(config, "cache", None)
    temporary = Path(tempfile.mkdtemp(prefix="voicecoach-tests-"))
    os.environ["XDG_CACHE_HOME"] = str(cache.mkdir("voicecoach") if cache is not None else temporary / "cache")
    os.environ["XDG_DATA_HOME"] = str(temporary / "data")
    os.environ["XDG_RUNTIME_DIR"] = str(temporary / "run")
    (temporary / "run").mkdir(mode=0o700)
    config.add_cleanup(lambda: shutil.rmtree(temporary, ignore_errors=True))


def pytest_deselected(items: list[pytest.Item]) -> None:
    """Remember what the default run leaves out."""
    for item in items:
        for marker in LEFT_OUT:
            if item.get_closest_marker(marker):
                item.config.stash.setdefault(LEFT, {}).setdefault(marker, set()).add(item.nodeid)


def pytest_sessionfinish(session: pytest.Session) -> None:
    """A worker hands over what it left out."""
    output = getattr(session.config, "workeroutput", None)
    if output is not None:
        output["left"] = {marker: sorted(names) for marker, names in session.config.stash.get(LEFT, {}).items()}


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    """Take over what a worker left out; all workers leave out the same."""
    for marker, names in getattr(node, "workeroutput", {}).get("left", {}).items():
        node.config.stash.setdefault(LEFT, {}).setdefault(marker, set()).update(names)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Say in the last lines what was left out, and how to run it."""
    left = config.stash.get(LEFT, {})
    if not left:
        return
    counts = ", ".join(f"{len(names)} {marker}" for marker, names in sorted(left.items()))
    terminalreporter.write_line(f"left out: {counts} tests; run them with: python -m pytest -n 0 -m 'long or realtime'")


@pytest.fixture(scope="session", autouse=True)
def sessions_replay(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Behind the tests of this process, every session they recorded is replayed: the same effects, word for word."""
    yield
    from replaying import replay_all  # noqa: PLC0415 the places are set before anything is imported

    replay_all(tmp_path_factory.getbasetemp())


@pytest.hookimpl(tryfirst=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> bool | None:
    """A sound driver whose device is pulled out may hang for ever, and the whole process with it."""
    if pyfuncitem.get_closest_marker("own_process") is None or INNER in os.environ:
        return None
    command = [sys.executable, "-m", "pytest", pyfuncitem.nodeid, "-q", "-p", "no:cacheprovider", "-n", "0", "-m", ""]
    done = subprocess.run(
        command, cwd=pyfuncitem.config.rootpath, env={**os.environ, INNER: "1"}, stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, timeout=LONGEST_S, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout
    return True
