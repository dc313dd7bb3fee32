from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from faults_driver import Bench, cut_off
from program import Program


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Callable[..., Bench]]:
    """Make a session under way: bench(step='...', ...); see Bench."""
    made: list[Bench] = []

    def make(**wanted: Any) -> Bench:
        made.append(Bench(tmp_path / f"session-{len(made)}", **wanted))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.fixture
def program(tmp_path: Path) -> Iterator[Program]:
    """Started by hand beside the record of a session that was cut off."""
    cut_off(tmp_path / "records" / "session")
    made = Program(tmp_path / "records")
    yield made
    made.end()
