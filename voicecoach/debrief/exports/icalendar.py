"""Follow-up after exposures as a calendar, if the site gives the days: iCalendar (RFC 5545). Pure."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from voicecoach.debrief.contents import debrief
from voicecoach.debrief.pages.html import clean
from voicecoach.errors import InputError
from voicecoach.record.manifest import digest
from voicecoach.record.read import Session

LINE_BYTES = 75
"""Longest line without its end (bytes): RFC 5545, 3.1."""


def to_icalendar(session: Session) -> str:
    """An all-day entry on each of the site's follow-up days after each incident that owed anything.

    Raises:
        InputError: the site gives no days, or the record does not say when it was made.
    """
    contents = debrief(session)
    days = contents.words.site.follow_up_days
    if not days:
        what = "the site gives no days for follow-up"
        raise InputError(what, where=str(session.folder), expected="follow-up-days: [...] in its site file")
    try:
        begun = datetime.fromisoformat(session.manifest.begun)
    except ValueError:
        what = "the record does not say when it was made"
        raise InputError(what, where=str(session.folder), expected="a time in manifest.json") from None
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//voicecoach//follow-up//EN", "CALSCALE:GREGORIAN"]
    who = dict(contents.people).get("wearer") or "wearer without a code"
    for number, one in enumerate(contents.incidents):
        if not one.owed or one.false_alarm:
            continue
        at = begun + timedelta(seconds=one.at_s)
        for day in days:
            name = digest(f"{session.manifest.begun} {session.manifest.public} {number} {day}".encode())[:32]
            date = (at + timedelta(days=day)).date()
            lines += [
                "BEGIN:VEVENT",
                f"UID:{name}@voicecoach.invalid",
                f"DTSTAMP:{begun:%Y%m%dT%H%M%SZ}",
                f"DTSTART;VALUE=DATE:{date:%Y%m%d}",
                f"DTEND;VALUE=DATE:{date + timedelta(days=1):%Y%m%d}",
                f"SUMMARY:{_text(f'Follow-up, day {day}: {who}')}",
                f"DESCRIPTION:{_text(f'{one.title}, {at:%Y-%m-%d}, {contents.title}. Local protocol comes first.')}",
                "TRANSP:TRANSPARENT",
                "END:VEVENT",
            ]
    return "".join(part + "\r\n" for line in [*lines, "END:VCALENDAR"] for part in _folded(line))


def _text(text: str) -> str:
    plain = clean(text)
    for character in "\\;,":
        plain = plain.replace(character, f"\\{character}")
    return plain.replace("\n", "\\n")


def _folded(line: str) -> Iterator[str]:
    part, size = "", 0
    for character in line:
        width = len(character.encode())
        if size + width > LINE_BYTES:
            yield part
            part, size = " ", 1
        part += character
        size += width
    yield part
