"""Exposures and what they leave owed: a wash and a report, until each is done. Pure.

An exposure is a debt (rule 26). Nothing that is said later cancels it but a "false alarm" in the very incident that it
belongs to; only the steps that pay for it (`pays` in a protocol) do away with it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from voicecoach.protocol.model import DEBTS
from voicecoach.session.vocabulary import PLACES

UNKNOWN = "unknown"
"""The place of an exposure while nobody has named one."""


@dataclass(frozen=True, slots=True)
class Exposure:
    """One contact with what may be infectious.

    place: a place of the body, 'skin' or UNKNOWN. cause: the kind of incident, or the question that brought it to
    light. stage, step: where it happened. at: sample. paid: (debt, sample) of what has been done about it. led: whether
    its wash has been led to already.
    """

    place: str
    cause: str
    stage: str
    step: str
    at: int
    paid: tuple[tuple[str, int], ...] = ()
    led: bool = False

    @property
    def owed(self) -> tuple[str, ...]:
        """What is still owed, of DEBTS."""
        return tuple(debt for debt in DEBTS if debt not in dict(self.paid))


def owed(exposures: tuple[Exposure, ...]) -> tuple[str, ...]:
    """What is owed for any of them, each debt once."""
    return tuple(debt for debt in DEBTS if any(debt in one.owed for one in exposures))


def recorded(exposures: tuple[Exposure, ...], new: Exposure, since: int) -> tuple[Exposure, ...]:
    """The exposures with a new one; it names the place of one from sample `since` on that has none yet."""
    for index, one in enumerate(exposures):
        if one.at >= since and one.place == UNKNOWN and new.place != UNKNOWN:
            return (*exposures[:index], replace(one, place=new.place), *exposures[index + 1 :])
    same = any(one.at >= since and (one.place, one.cause) == (new.place, new.cause) for one in exposures)
    return exposures if same else (*exposures, new)


def paid(exposures: tuple[Exposure, ...], debt: str, at: int) -> tuple[Exposure, ...]:
    """The exposures after a step that pays this debt."""
    return tuple(replace(one, paid=(*one.paid, (debt, at))) if debt in one.owed else one for one in exposures)


def led(exposures: tuple[Exposure, ...]) -> tuple[Exposure, ...]:
    """The exposures once their wash has been led to."""
    return tuple(replace(one, led=True) for one in exposures)


def without(exposures: tuple[Exposure, ...], since: int) -> tuple[Exposure, ...]:
    """The exposures without those from sample `since` on: it was a false alarm."""
    return tuple(one for one in exposures if one.at < since)


def place_meant(answer: str) -> str:
    """The place of an exposure that an answer names; '' if it says that there was none."""
    if answer in PLACES:
        return answer
    return {"yes": "skin", "unsure": UNKNOWN, "not answered": UNKNOWN}.get(answer, "")
