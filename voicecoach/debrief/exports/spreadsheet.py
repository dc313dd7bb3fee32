"""The timeline as CSV for a spreadsheet. Pure."""

from __future__ import annotations

import csv
import io

from voicecoach.debrief.timeline import rows
from voicecoach.record.read import Session

COLUMNS = ("at_s", "time", "who", "what", "text", "mark")


def to_csv(session: Session, *, incidents_only: bool = False) -> str:
    """The timeline's rows as CSV (RFC 4180, with a header line). at_s: seconds on the session clock."""
    out = io.StringIO()
    table = csv.writer(out)
    table.writerow(COLUMNS)
    for row in rows(session, incidents_only=incidents_only):
        table.writerow([f"{row.at_s:.3f}", row.time, *(harmless(t) for t in (row.who, row.what, row.text, row.mark))])
    return out.getvalue()


def harmless(text: str) -> str:
    """The text, changed if a spreadsheet would take it for a formula."""
    # formulas begin with one of these
    return "'" + text if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text
