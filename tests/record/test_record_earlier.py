"""Records of earlier formats stay what they are: read, verified, shown, replayed, continued.

The records under `earlier/` were made by the program as it was when their format was new.
"""

import zipfile
from pathlib import Path

import pytest
from typer.testing import CliRunner

from voicecoach.cli.main import main
from voicecoach.cli.record import machine_of
from voicecoach.record.journal import Journal
from voicecoach.record.lines import FILE
from voicecoach.record.read import find_open, read
from voicecoach.record.verify import verify
from voicecoach.record.worn import last_known_worn
from voicecoach.session.events import Reopened

MADE = Path(__file__).parent / "earlier"


@pytest.fixture
def closed(tmp_path: Path) -> Path:
    return unpack("format-1-closed", tmp_path)


@pytest.fixture
def killed(tmp_path: Path) -> Path:
    return unpack("format-1-killed", tmp_path)


def unpack(name: str, root: Path) -> Path:
    folder = root / name
    with zipfile.ZipFile(MADE / f"{name}.zip") as archive:
        archive.extractall(folder)
    return folder


def test_a_closed_one_is_whole_and_a_killed_one_unfinished(closed: Path, killed: Path) -> None:
    found = verify(closed)
    assert (found.state, found.findings, found.format) == ("whole", (), 1)
    assert found.remarks == ("This is an older record: it has no seals, and nothing vouches for its sound.",)
    assert found.code() is None
    assert verify(killed).state == "unfinished"


def test_a_change_is_still_seen(closed: Path) -> None:
    raw = (closed / FILE).read_bytes()
    (closed / FILE).write_bytes(raw.replace(b"gown-off", b"gown-on ", 1))
    assert verify(closed).state == "damaged"


@pytest.mark.parametrize("command", ["timeline", "report"])
def test_they_are_shown(closed: Path, killed: Path, command: str) -> None:
    for folder, status in ((closed, 0), (killed, 3)):
        done = CliRunner().invoke(main, [command, str(folder)])
        assert done.exit_code == status, done.output
        assert "practice" in done.output


def test_their_events_and_effects_are_all_read(closed: Path, killed: Path) -> None:
    session = read(closed)
    assert (len(session.lines), session.closed, session.broken_at) == (286, True, None)
    session = read(killed)
    assert (session.closed, session.broken_at) == (False, None)
    assert session.manifest.source == "live"


def test_they_run_through_the_machine_of_today(closed: Path, killed: Path) -> None:
    # the machine may say other words than it did then; what it must not do is fail, or fall out of step with the ledger
    for folder in (closed, killed):
        session = read(folder)
        done = CliRunner().invoke(main, ["replay", str(folder)])
        assert done.exit_code in {0, 1, 3}, done.output
        if done.exit_code == 1:
            assert "made by another version of the program" in done.output
        machine = machine_of(session)
        state = machine.start()
        for event in session.events:
            state, _ = machine.step(state, event)


def test_what_was_worn_is_known_from_their_lines(killed: Path) -> None:
    found = last_known_worn(killed)
    assert found is not None
    assert found.on == ("gown", "mask", "gloves")
    assert found.source == "lines"


def test_a_killed_session_is_found_and_continued_in_its_own_format(killed: Path) -> None:
    assert list(find_open(killed.parent)) == [killed]
    before = len(read(killed).lines)
    journal = Journal.open_existing(killed)
    journal.write(Reopened(1 << 30, 1.0, "killed"))
    journal.close()
    session = read(killed)
    assert (session.broken_at, len(session.lines)) == (None, before + 1)
    assert b'"line":"seal"' not in (killed / FILE).read_bytes()
    assert verify(killed).state == "unfinished"
