"""Exposures and what they still owe: a wash and a report. Pure.

An exposure is a debt (rule 26). Only the steps that pay it (`pays` in a protocol) settle it, and only "false alarm" in
the same incident cancels it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from voicecoach.protocol.model import DEBTS
from voicecoach.session.vocabulary import PLACES

UNKNOWN = "unknown"
"""The place of an exposure for which no place has been named yet."""


@dataclass(frozen=True, slots=True)
class Exposure:
    """A contact with something that may be infectious.

    place: a place of the body, 'skin' or UNKNOWN. cause: the kind of incident, or the question that revealed it. stage,
    step: where it happened. at: sample. paid: (debt, sample) of what has been done about it. led: the session has led
    to its wash.
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
        """What this exposure still owes, of DEBTS."""
        return tuple(debt for debt in DEBTS if debt not in dict(self.paid))


def owed(exposures: tuple[Exposure, ...]) -> tuple[str, ...]:
    """What the exposures owe together, each debt once."""
    return tuple(debt for debt in DEBTS if any(debt in one.owed for one in exposures))


def recorded(exposures: tuple[Exposure, ...], new: Exposure, since: int) -> tuple[Exposure, ...]:
    """The exposures with `new`. An unpaid one since sample `since` without a place only gets the place of `new`."""
    for index, one in enumerate(exposures):
        if one.at >= since and one.place == UNKNOWN and new.place != UNKNOWN and not one.paid:
            return (*exposures[:index], replace(one, place=new.place), *exposures[index + 1 :])
    same = any(one.at >= since and (one.place, one.cause) == (new.place, new.cause) for one in exposures)
    return exposures if same else (*exposures, new)


def paid(exposures: tuple[Exposure, ...], debt: str, at: int) -> tuple[Exposure, ...]:
    """The exposures after a step that pays `debt`."""
    return tuple(replace(one, paid=(*one.paid, (debt, at))) if debt in one.owed else one for one in exposures)


def led(exposures: tuple[Exposure, ...]) -> tuple[Exposure, ...]:
    """The exposures once the session has led to their wash."""
    return tuple(replace(one, led=True) for one in exposures)


def interrupted(exposures: tuple[Exposure, ...]) -> tuple[Exposure, ...]:
    """The exposures when something came in between their wash: who still owes anything is led to it again."""
    return tuple(replace(one, led=one.led and not one.owed) for one in exposures)


def without(exposures: tuple[Exposure, ...], since: int) -> tuple[Exposure, ...]:
    """The exposures without those since sample `since`: a false alarm."""
    return tuple(one for one in exposures if one.at < since)


def place_meant(answer: str) -> str:
    """The place of an exposure that an answer names; '' if it denies one."""
    if answer in PLACES:
        return answer
    return {"yes": "skin", "unsure": UNKNOWN, "not answered": UNKNOWN}.get(answer, "")
