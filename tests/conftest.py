"""What all tests share: places of their own for caches and records, and the last word for the replay of all records."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import pytest

LAST = "test_replay_all.py"


def pytest_configure(config: pytest.Config) -> None:
    """Caches of rendered speech and of verdicts on it outlive a run where pytest's own cache does; nothing else does.

    Every program that a test starts inherits the places, so that nobody's own records or models are touched.
    """
    cache = getattr(config, "cache", None)
    temporary = Path(tempfile.mkdtemp(prefix="voicecoach-tests-"))
    os.environ["XDG_CACHE_HOME"] = str(cache.mkdir("voicecoach") if cache is not None else temporary / "cache")
    os.environ["XDG_DATA_HOME"] = str(temporary / "data")
    config.add_cleanup(lambda: _remove(temporary))


def _remove(folder: Path) -> None:
    import shutil  # noqa: PLC0415 needed once, at the end

    shutil.rmtree(folder, ignore_errors=True)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The records that the other tests made are replayed behind them."""
    items.sort(key=lambda item: item.path.name == LAST)
