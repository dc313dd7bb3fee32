from __future__ import annotations

from collections.abc import Iterator

import pytest
from virtual_card import VirtualCard, card, missing


@pytest.fixture
def virtual_card() -> Iterator[VirtualCard]:
    """A virtual sound card with a one-channel microphone; the test is skipped where none can be made."""
    if reason := missing():
        pytest.skip(reason=reason)
    with card() as made:
        yield made


@pytest.fixture
def stereo_card() -> Iterator[VirtualCard]:
    """The same with a two-channel microphone."""
    if reason := missing():
        pytest.skip(reason=reason)
    with card(channels=2) as made:
        yield made
