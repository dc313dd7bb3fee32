from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import pytest
from session_driver import Session, setup

from voicecoach.protocol.site import NO_SITE, Site
from voicecoach.session.setup import Setup

Begin = Callable[..., Session]


@pytest.fixture
def begin() -> Begin:
    """Open a session: begin(protocol='short-practice', mode='solo', independent=..., site=...)."""

    def make(
        protocol: str = "short-practice",
        mode: Literal["solo", "pair"] = "solo",
        *,
        independent: bool = True,
        site: Site = NO_SITE,
        the_setup: Setup | None = None,
    ) -> Session:
        session = Session(the_setup or setup(protocol, site), mode, independent=independent and mode == "pair")
        session.said_out()
        return session

    return make
