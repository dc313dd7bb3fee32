from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator

import pytest
from virtual_card import VirtualCard, card, missing


@pytest.fixture
def virtual_card() -> Iterator[VirtualCard]:
    """A virtual sound card with a one-channel microphone; the test is skipped where none can be made."""
    if reason := missing():
        pytest.skip(reason)
    with card() as made:
        yield made


@pytest.fixture
def stereo_card() -> Iterator[VirtualCard]:
    """The same with a two-channel microphone."""
    if reason := missing():
        pytest.skip(reason)
    with card(channels=2) as made:
        yield made


INNER = "VOICECOACH_TEST_INNER"
LONGEST_S = 150.0


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "own_process: runs in a process of its own, which a driver may hang")


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
