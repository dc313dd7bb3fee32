"""The replay of sessions that tests recorded."""

from __future__ import annotations

from pathlib import Path

from voicecoach.cli.record import machine_of
from voicecoach.debrief.replay import compare
from voicecoach.errors import VoicecoachError
from voicecoach.record.lines import FILE
from voicecoach.record.manifest import FORMAT
from voicecoach.record.read import Session, read
from voicecoach.session.events import Opened

COPIES = {"protocol.yaml", "grammar.yaml"}


def is_whole(session: Session) -> bool:
    """Whether a whole session made this record: tests of the record write some by hand, others begin in the middle."""
    first = next((line for line in session.lines if line.event is not None), None)
    return (
        first is not None
        and isinstance(first.event, Opened)
        and bool(session.effects[first.seq])
        and session.broken_at is None
        and session.manifest.format == FORMAT  # one of an earlier format was made by an earlier machine
        and set(session.manifest.copies) >= COPIES
        and (session.folder / "protocol.yaml").is_file()
        and "\nstages:" in (session.folder / "protocol.yaml").read_text(encoding="utf-8")
    )


def replay_all(folder: Path) -> tuple[int, int]:
    """Replay every whole session below `folder`; how many sessions and effects there were.

    An assertion fails at the first that gives other effects than it recorded.
    """
    sessions = effects = 0
    for path in sorted(folder.rglob(FILE)):
        try:
            session = read(path.parent)
            if not is_whole(session):
                continue
            machine = machine_of(session)
        except (VoicecoachError, OSError, UnicodeError):
            continue  # spoilt on purpose
        result = compare(session, lambda _, made=machine: made)  # type: ignore[misc]
        assert result.same, f"{path.parent}: {result.difference}"
        sessions += 1
        effects += result.effects
    return sessions, effects
