from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from faults_driver import Bench


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
