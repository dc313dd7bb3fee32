"""Makes a copy of a record that may leave the site: no voice, shifted times, roles instead of codes, none of the
site's own words.

What happened is unchanged: the copy is a whole record with new seals, and replays like the original. The copies of
protocol and grammar are unchanged too; a person has to check a protocol that names its site.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterator, Mapping
from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from voicecoach.debrief.replay import read_copy
from voicecoach.errors import InputError, RecordError
from voicecoach.protocol import site as sites
from voicecoach.protocol.site import NO_SITE, Site
from voicecoach.record.journal import Journal, iso
from voicecoach.record.read import Session
from voicecoach.session.effects import EFFECTS, Effect
from voicecoach.session.events import CLOCK_HZ, Event, PartLost, Reopened, Salvaged

LEFT_OUT = "left out"
OWN_WORDS = "The site says its own words here."
SOME_DAY = "2000-01-01"
"""Replaces the day of approval, which has to be a date."""
MOVED_DAYS = 730
"""Times are moved back by up to this many days."""


def deidentify(session: Session, target: Path, shift: timedelta | None = None) -> Path:
    """Write a de-identified copy of a record into a new folder.

    Args:
        session: the record. target: must not exist. shift: by how much times move back; by default a secret number of
            days and minutes.

    Raises:
        RecordError: the record is damaged. InputError: the folder cannot be created.
    """
    if session.broken_at is not None:
        where = str(session.folder)
        raise RecordError(f"is damaged at line {session.broken_at}", where=where, expected="a record that is whole")
    secret = timedelta(days=1 + secrets.randbelow(MOVED_DAYS), minutes=secrets.randbelow(1440))
    begun = _moved(session.manifest.begun, secret if shift is None else shift)
    site_text = read_copy(session, "site.yaml")
    site = sites.load(site_text, "site.yaml") if site_text else NO_SITE
    copies = {name: (read_copy(session, name) or "").encode() for name in ("protocol.yaml", "grammar.yaml")}
    if site_text:
        copies["site.yaml"] = _site(site).encode()
    source = (
        "recording" if session.manifest.source == "live" else session.manifest.source
    )  # so that it is never continued
    made_with = replace(
        session.manifest, people={}, room="", model="", begun=iso(begun), audio="none", public="", source=source
    )
    clock = _Clock(begun)
    journal = Journal.create(target, made_with, {n: c for n, c in copies.items() if c}, wall=clock, patience_s=30.0)
    try:
        seq, names = 0, _names(session)
        for line in session.lines:
            clock.at = line.at
            if line.event is not None:
                seq = journal.write(_event(line.event)).seq
            elif line.kind == "effect" and (effect := _effect(line.data, site, names)) is not None:
                journal.write_effects(seq, (effect,))
    finally:
        whole = journal.close(30.0)
    if not whole:
        raise InputError("could not be written completely", where=str(target))
    return target


class _Clock:
    """The copy's wall clock: the session clock's time, shifted."""

    def __init__(self, begun: datetime) -> None:
        self._begun = begun
        self.at = 0

    def __call__(self) -> datetime:
        return self._begun + timedelta(seconds=self.at / CLOCK_HZ)


def _moved(begun: str, by: timedelta) -> datetime:
    try:
        at = datetime.fromisoformat(begun)
    except ValueError:
        at = datetime(2000, 1, 1, tzinfo=UTC)
    return (at if at.tzinfo is not None else at.replace(tzinfo=UTC)).astimezone(UTC) - by


def _event(event: Event) -> Event:
    # the reason for a lost part may name a device, a folder or an address
    if isinstance(event, Salvaged):
        return replace(event, record=LEFT_OUT)  # a folder's name contains its time
    return replace(event, why=LEFT_OUT) if isinstance(event, PartLost | Reopened) else event


def _names(session: Session) -> tuple[frozenset[str], tuple[str, ...]]:
    """Texts of events that reappear in notes: as whole texts, and as part of others."""
    whole = frozenset(event.why for event in session.events if isinstance(event, PartLost | Reopened) and event.why)
    parts = tuple(event.record for event in session.events if isinstance(event, Salvaged) and event.record)
    return whole, parts


def _effect(data: Mapping[str, Any], site: Site, names: tuple[frozenset[str], tuple[str, ...]]) -> Effect | None:
    cls = next((cls for cls in EFFECTS if cls.kind == data.get("effect")), None)
    if cls is None:
        return None
    values = {f.name: _frozen(data[f.name]) for f in fields(cls) if f.name in data}
    if cls.kind == "say":
        values["text"] = _unnamed(str(values.get("text", "")), site)
    elif cls.kind == "note":
        values["details"] = tuple((key, _left_out(str(value), names)) for key, value in values.get("details", ()))
    try:
        return cls(**values)
    except TypeError:
        return None


def _left_out(text: str, names: tuple[frozenset[str], tuple[str, ...]]) -> str:
    whole, parts = names
    if text in whole:
        return LEFT_OUT
    for part in parts:
        text = text.replace(part, LEFT_OUT)
    return text


def _unnamed(text: str, site: Site) -> str:
    for key in sites.SPOKEN:
        if own := getattr(site, key.replace("-", "_")):
            text = text.replace(own, OWN_WORDS)
    return text


def _site(site: Site) -> str:
    return "\n".join(_site_lines(site)) + "\n"


def _site_lines(site: Site) -> Iterator[str]:
    yield "name: Site"
    for key in sites.SPOKEN:
        if getattr(site, key.replace("-", "_")):
            yield f"{key}: {OWN_WORDS}"
    if site.approved:
        yield f"approved: {SOME_DAY}"
    if site.contact_times:
        yield "contact-times: {" + ", ".join(f"{agent}: {s:g}" for agent, s in site.contact_times) + "}"
    if site.wear_limit_s:
        yield f"wear-limit-min: {site.wear_limit_s / 60:g}"
    yield f"check-every-min: {site.check_s / 60:g}"


def _frozen(value: Any) -> Any:
    return tuple(_frozen(one) for one in value) if isinstance(value, list) else value
