"""Rule 21: no open session is skipped in silence, whatever happened to its record, and nobody dresses twice."""

from __future__ import annotations

import io
import os
import random
import re
import shutil
import sys
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from faults_driver import cut_off, driver
from program import Program
from rich.console import Console

from voicecoach.record import ended, lines, manifest, worn
from voicecoach.record.lock import Lock
from voicecoach.record.read import read
from voicecoach.runtime import app, options, resume
from voicecoach.runtime import open_sessions as sessions
from voicecoach.runtime.open_sessions import DoubtfulSession
from voicecoach.runtime.resume import OpenSession
from voicecoach.session.events import Salvaged

WORN = ("gown", "mask", "gloves")


@pytest.fixture
def root(tmp_path: Path) -> Path:
    cut_off(tmp_path / "records" / "open")
    assert isinstance(sessions.find(tmp_path / "records").open, OpenSession)
    return tmp_path / "records"


def flip(path: Path, at: int = -40) -> None:
    data = bytearray(path.read_bytes())
    data[at] ^= 0x04
    path.write_bytes(data)


def on(root: Path) -> tuple[str, ...]:
    found = sessions.find(root).open
    assert found is not None
    return found.on if isinstance(found, DoubtfulSession) else found.state.ledger.on()


def swap(path: Path, old: bytes, new: bytes) -> None:
    path.write_bytes(path.read_bytes().replace(old, new))


def add(path: Path, text: str) -> None:
    path.write_bytes(path.read_bytes() + text.encode())


def cut(path: Path, lines_left: int) -> None:
    path.write_bytes(b"".join(path.read_bytes().splitlines(keepends=True)[:lines_left]))


DAMAGES: dict[str, Callable[[Path], object]] = {
    "a byte of the manifest": lambda folder: flip(folder / manifest.FILE),
    "a comment in the protocol's copy": lambda folder: add(folder / "protocol.yaml", "# a remark\n"),
    "the protocol's copy is missing": lambda folder: (folder / "protocol.yaml").unlink(),
    "the grammar's copy is missing": lambda folder: (folder / "grammar.yaml").unlink(),
    "the manifest is missing": lambda folder: (folder / manifest.FILE).unlink(),
    "the manifest is empty": lambda folder: (folder / manifest.FILE).write_bytes(b""),
    "whether anybody was there": lambda folder: swap(folder / manifest.FILE, b'"live"', b'"life"'),
    "that nobody was there": lambda folder: swap(folder / manifest.FILE, b'"live"', b'"demo"'),
    "the manifest is another's": lambda folder: flip(folder / manifest.FILE, 20),
    "events emptied": lambda folder: (folder / lines.FILE).write_bytes(b""),
    "events missing": lambda folder: (folder / lines.FILE).unlink(),
    "events cut": lambda folder: cut(folder / lines.FILE, 6),
    "a byte of an event": lambda folder: flip(folder / lines.FILE, 900),
    "the whole folder is gone": shutil.rmtree,
    "the whole folder is a file": lambda folder: (shutil.rmtree(folder), folder.write_text("")),
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_an_open_session_that_is_damaged_is_found_with_what_its_last_good_lines_say(damage: str, root: Path) -> None:
    DAMAGES[damage](root / "open")
    found = sessions.find(root).open
    assert isinstance(found, DoubtfulSession)
    assert found.why == "damaged"
    assert found.detail
    assert set(found.on) == set(WORN)


@pytest.mark.parametrize("copy", ["worn.json", "../.beside/open.worn.json"])
def test_one_damaged_copy_of_what_is_worn_changes_nothing(copy: str, root: Path) -> None:
    flip(root / "open" / copy)
    assert isinstance(sessions.find(root).open, OpenSession)


@pytest.mark.parametrize("copies", ["flip", "unlink"])
def test_with_both_copies_of_what_is_worn_gone_the_lines_say_it(copies: str, root: Path) -> None:
    for path in (root / "open" / "worn.json", worn.apart(root / "open")):
        flip(path) if copies == "flip" else path.unlink()
    assert set(on(root)) == set(WORN)
    flip(root / "open" / manifest.FILE)
    found = sessions.find(root).open
    assert isinstance(found, DoubtfulSession)
    assert set(found.on) == set(WORN)


def test_events_that_lead_to_other_things_worn_than_the_lines_say_are_asked_about(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = resume.replayed_states

    def otherwise(*given: Any) -> Any:
        return tuple(driver_without(state) for state in before(*given))

    def driver_without(state: Any) -> Any:
        import dataclasses  # noqa: PLC0415 beside its one use

        return dataclasses.replace(state, ledger=state.ledger.put("gown", "off"))

    monkeypatch.setattr(sessions, "replayed_states", otherwise)
    found = sessions.find(root).open
    assert isinstance(found, DoubtfulSession)
    assert "disagree on what is worn" in found.detail
    assert set(found.on) == set(WORN)


def test_a_session_of_an_earlier_program_is_not_skipped(tmp_path: Path) -> None:
    packed = Path(__file__).parents[1] / "record" / "earlier" / "format-1-killed.zip"
    if not packed.exists():
        pytest.skip(reason="the record of an earlier program is not there")
    with zipfile.ZipFile(packed) as archive:
        archive.extractall(tmp_path / "session")
    assert set(on(tmp_path)) == set(WORN)


class Clock:
    """A wall clock that has moved by so many hours."""

    def __init__(self, hours: float) -> None:
        self._by = timedelta(hours=hours)

    def __call__(self) -> datetime:
        return datetime.now(UTC) + self._by


@pytest.mark.parametrize("hours", [13, 24 * 365 * 12])
def test_a_clock_that_has_moved_hides_nothing(hours: float, root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sessions, "now_utc", Clock(hours))
    found = sessions.find(root).open
    assert isinstance(found, DoubtfulSession)
    assert found.why == "old"
    assert set(found.on) == set(WORN)
    monkeypatch.setattr(sessions, "now_utc", Clock(-hours))
    assert isinstance(sessions.find(root).open, OpenSession)  # and is asked "right?", as ever


def test_an_old_one_before_a_later_session_that_was_closed_is_a_remark(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    closed = driver.Session(driver.setup())
    closed.go_to_end()
    from test_faults_resume import write_record  # noqa: PLC0415 only here

    write_record(root / "zz-later", closed)
    monkeypatch.setattr(sessions, "now_utc", Clock(13))
    found = sessions.find(root)
    assert found.open is None
    assert "was never closed, but a later session was" in found.remarks[0]


def test_what_was_ended_by_hand_is_over(root: Path) -> None:
    ended.end(root / "open", "a test")
    assert sessions.find(root).open is None


def neighbours(root: Path) -> None:
    """Folders that are no sessions, or bad ones."""
    (root / "empty").mkdir()
    (root / "file").write_text("x")
    (root / "link").symlink_to(root / "open")
    (root / "loop").symlink_to(root / "loop")
    for number, text in enumerate(
        ('{"format": 2, "roles": [1, 2]}', "[]", "null", "{", '{"format": "x"}', "\x00\xff", "[" * 100_000)
    ):
        (root / f"bad-{number}").mkdir()
        (root / f"bad-{number}" / manifest.FILE).write_text(text)
        (root / f"bad-{number}" / lines.FILE).write_text("nonsense\n[1]\nnull\n")
    if hasattr(os, "mkfifo"):
        for name in (manifest.FILE, lines.FILE, "worn.json"):
            (root / f"pipe-{name}").mkdir()
            os.mkfifo(root / f"pipe-{name}" / name)
    (root / "folder").mkdir()
    (root / "folder" / manifest.FILE).mkdir()


def test_bad_neighbours_are_remarked_on_and_stop_neither_a_start_nor_a_resume(root: Path) -> None:
    neighbours(root)
    found = sessions.find(root)
    assert isinstance(found.open, OpenSession)
    together = " ".join(found.remarks)
    assert all(name in together for name in ("link", "bad-0", "bad-6", "folder"))
    shutil.rmtree(root / "open")
    for path in (root / ".beside").iterdir():
        path.unlink()
    assert sessions.find(root).open is None


def test_a_session_in_use_is_reported_by_name(root: Path) -> None:
    lock = Lock(root / "open")
    assert lock.take(datetime.now(UTC))
    found = sessions.find(root)
    assert found.open is None
    assert f"is in use by process {os.getpid()}" in found.remarks[0]
    lock.release()


def test_what_never_began_is_not_a_session_to_continue(tmp_path: Path) -> None:
    cut_off(tmp_path / "fresh")
    for path in (tmp_path / "fresh" / "worn.json", worn.apart(tmp_path / "fresh")):
        path.unlink()
    (tmp_path / "fresh" / lines.FILE).write_bytes(b"")
    made = (tmp_path / "fresh" / manifest.FILE).stat().st_mtime
    os.utime(tmp_path / "fresh" / lines.FILE, (made, made))
    assert sessions.find(tmp_path).open is None
    os.utime(tmp_path / "fresh" / lines.FILE, (made + 60, made + 60))
    found = sessions.find(tmp_path).open
    assert isinstance(found, DoubtfulSession)  # it was emptied: nobody knows
    assert found.on == ()


def begun(root: Path, monkeypatch: pytest.MonkeyPatch, protocol: str = "short-practice") -> tuple[Any, str]:
    """The first event of the program started over these records, and what it showed."""
    first: list[Any] = []

    def start(running: Any, event: Any, then: Callable[[], None] = lambda: None) -> int:
        first.append(event)
        running._coach.begin(event)
        then()
        running._coach.parts.journal.close()
        running._coach.parts.ear.close()
        return 0

    monkeypatch.setattr(app._Running, "start", start)
    shown = io.StringIO()
    runner = app.Runner(options.Options(protocol, script="-", out=root), Console(file=shown, width=300), io.StringIO())
    assert runner.run() == 0
    return first[0], shown.getvalue()


@pytest.mark.parametrize("damage", DAMAGES)
def test_the_program_leads_out_of_what_is_worn_and_leaves_the_damaged_record_alone(
    damage: str, root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    DAMAGES[damage](root / "open")
    before = {path: path.read_bytes() for path in root.glob("open/*") if path.is_file()}
    event, shown = begun(root, monkeypatch, "n95-gown")
    assert isinstance(event, Salvaged)
    assert set(event.on.split(",")) == set(WORN)
    assert "By its last good lines you wear: " in shown
    assert {path: path.read_bytes() for path in root.glob("open/*") if path.is_file()} == before
    (made,) = (path for path in root.iterdir() if path.name not in {"open", ".beside"})
    assert read(made).manifest.protocol.startswith("short-practice")
    # from now on the new one is the one to go on with
    found = sessions.find(root).open
    assert isinstance(found, OpenSession)
    assert found.folder == made
    assert set(found.state.ledger.on()) == set(WORN)
    assert found.state.question == "item"


def test_a_place_that_can_no_longer_hold_a_record_is_no_reason_to_leave_the_wearer(
    root: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    flip(root / "open" / manifest.FILE)
    create = app.Journal.create.__func__  # type: ignore[attr-defined]

    def refuse(cls: Any, folder: Path, *given: Any, **named: Any) -> Any:
        if folder.parent == root:
            raise app.InputError("cannot be used for a record: Read-only file system", where=str(folder))
        return create(cls, folder, *given, **named)

    monkeypatch.setattr(app.Journal, "create", classmethod(refuse))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    event, _ = begun(root, monkeypatch)
    assert isinstance(event, Salvaged)
    assert len(list((tmp_path / "data").glob("voicecoach/sessions/2*"))) == 1


def random_damage(folder: Path, rng: random.Random) -> str:
    """Do one thing to one file of a record; what was done."""
    files = sorted(path for path in [*folder.rglob("*"), *worn.apart(folder).parent.glob("open.*")] if path.is_file())
    path = rng.choice([path for path in files if path.name != "lock"])
    data = path.read_bytes()
    kind = rng.choice(["flip", "cut", "delete", "zero", "replace", "swap"])
    if kind == "delete":
        path.unlink()
    elif kind == "flip" and data:
        flip(path, rng.randrange(len(data)))
    elif kind == "cut":
        path.write_bytes(data[: rng.randrange(len(data) + 1)])
    elif kind == "zero":
        path.write_bytes(bytes(len(data)))
    elif kind == "swap":
        rows = data.splitlines(keepends=True)
        rng.shuffle(rows)
        path.write_bytes(b"".join(rows))
    else:
        path.write_bytes(rng.randbytes(len(data)))
    return f"{kind} {path.name}"


MANY = int(os.environ.get("VOICECOACH_DAMAGES", "80"))
"""Damages in a run of CI; the bench of kills does a thousand."""


def held_against_damage(root: Path, count: int, seed: int) -> None:
    """Whatever is damaged: found, with all that is worn, nothing more taken off, and no cleaner hands than it said."""
    whole = root.parent / "whole"
    before = sessions.find(root).open
    assert isinstance(before, OpenSession)
    worn_then, off = set(on(root)), {item for item, worn in before.state.ledger.items if worn == "off"}
    shutil.copytree(root, whole)
    rng = random.Random(seed)  # noqa: S311 not for secrets
    wrong = []
    for _ in range(count):
        shutil.rmtree(root)
        shutil.copytree(whole, root)
        done = random_damage(root / "open", rng)
        found = sessions.find(root).open
        if found is None or set(on(root)) != worn_then or claims_more(found, off, before.state.ledger.hands):
            wrong.append((done, found))
    assert wrong == []


def claims_more(found: OpenSession | DoubtfulSession, off: set[str], hands: str) -> bool:
    """Whether more is said to be off than was, or the hands to be cleaner; a doubtful one says nothing of hands."""
    if isinstance(found, DoubtfulSession):
        return not set(found.off) <= off
    said_off = {item for item, worn in found.state.ledger.items if worn == "off"}
    return not said_off <= off or found.state.ledger.hands not in {hands, "not-rubbed"}


def test_after_any_single_damage_it_is_found_with_all_that_is_worn(root: Path) -> None:
    held_against_damage(root, 40, seed=int(os.environ.get("VOICECOACH_SEED", "13")))


@pytest.mark.parametrize("count", [15, pytest.param(MANY, marks=pytest.mark.long)])
def test_amid_a_removal_no_damage_makes_more_of_it_done_or_the_hands_cleaner(count: int, tmp_path: Path) -> None:
    cut_off(tmp_path / "records" / "open", "practice-rub-hands")
    assert on(tmp_path / "records") == ("mask",)
    held_against_damage(tmp_path / "records", count, seed=15)


@pytest.mark.long
def test_after_many_damages_it_was_found_with_all_that_is_worn_each_time(root: Path) -> None:
    held_against_damage(root, MANY, seed=14)


@pytest.mark.skipif(sys.platform == "win32", reason="is about POSIX processes")
def test_as_a_program_it_says_so_aloud_and_asks_piece_by_piece(root: Path) -> None:
    flip(root / "open" / manifest.FILE)
    program = Program(root)
    try:
        program.until("An open session was found. Its record is damaged.")
        program.until("By its last good lines,")
        program.until("still worn?")
        assert not any(re.search(r"Nobody here|mirror", line) for line in program.shown)
    finally:
        program.end()


def test_an_open_session_is_ended_by_hand_only_once_nothing_is_worn(root: Path) -> None:
    from typer.testing import CliRunner  # noqa: PLC0415 beside its one use

    from voicecoach.cli.main import main  # noqa: PLC0415

    asked = CliRunner().invoke(main, ["end", str(root / "open")])
    assert asked.exit_code == 2
    assert "still worn: gown, mask, gloves" in asked.stderr
    assert isinstance(sessions.find(root).open, OpenSession)
    lock = Lock(root / "open")
    assert lock.take(datetime.now(UTC))
    assert "is in use by" in CliRunner().invoke(main, ["end", str(root / "open"), "--nothing-worn"]).stderr
    lock.release()
    assert CliRunner().invoke(main, ["end", str(root / "open"), "--nothing-worn"]).exit_code == 0
    assert sessions.find(root).open is None
    assert CliRunner().invoke(main, ["end", str(root / "nowhere"), "--nothing-worn"]).exit_code == 2
