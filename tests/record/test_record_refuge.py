"""Rule 23: a record whose file or folder is removed while it is written is reported and written again."""

from __future__ import annotations

import errno
import os
import shutil
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from voicecoach.audio.line import RATE_HZ, Block
from voicecoach.record import disk, refuge
from voicecoach.record.clips import ClipKeeper
from voicecoach.record.journal import Journal
from voicecoach.record.lines import FILE
from voicecoach.record.manifest import Manifest
from voicecoach.record.read import read
from voicecoach.record.verify import verify
from voicecoach.runtime import open_sessions
from voicecoach.session.effects import Note
from voicecoach.session.events import TimerFired

COPIES = {"protocol.yaml": b"protocol: x\n"}


@pytest.fixture(autouse=True)
def places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setattr(refuge.tempfile, "gettempdir", lambda: str(tmp_path / "temporary"))


class Writing:
    """A journal under way, one event after the other."""

    def __init__(self, folder: Path, made_with: Manifest, opener: disk.Opener = disk.OwnFile) -> None:
        self.journal = Journal.create(folder, made_with, COPIES, opener=opener, patience_s=0.2, retry_s=0.05)
        self.at = 0

    def event(self) -> bool:
        """Whether it was late."""
        self.at += 100
        written = self.journal.write(TimerFired(self.at, "x"))
        self.journal.write_effects(written.seq, [Note("ledger", (("on", "gown"), ("hands", "clean")))])
        return written.late


def waited(true: Callable[[], bool], wait_s: float = 5.0) -> bool:
    """Whether it became true."""
    end_s = time.monotonic() + wait_s
    while not true() and time.monotonic() < end_s:
        time.sleep(0.02)
    return true()


REPLACE: dict[str, Callable[[Path], object]] = {
    "removed": lambda folder: (folder / FILE).unlink(),
    "replaced by a copy": lambda folder: (
        shutil.copy(folder / FILE, folder / "copy"), (folder / "copy").replace(folder / FILE),
    ),
    "replaced by another": lambda folder: ((folder / "x").write_text("x\n"), (folder / "x").replace(folder / FILE)),
    "replaced by a link": lambda folder: (
        (folder / FILE).unlink(), (folder / FILE).symlink_to(folder / "manifest.json"),
    ),
    "cut": lambda folder: os.truncate(folder / FILE, 40),
    "emptied": lambda folder: os.truncate(folder / FILE, 0),
    "written to": lambda folder: (folder / FILE).open("ab").write(b"nonsense\n"),
}  # fmt: skip


@pytest.mark.skipif(sys.platform == "win32", reason="an open file cannot be taken away there")
@pytest.mark.parametrize("what", REPLACE)
def test_a_file_that_is_removed_is_noticed_at_the_next_event_and_rewritten(
    what: str, tmp_path: Path, made_with: Manifest
) -> None:
    folder = tmp_path / "records" / "s"
    run = Writing(folder, made_with)
    assert [run.event() for _ in range(5)] == [False] * 5
    REPLACE[what](folder)
    before = (folder / "manifest.json").read_bytes()
    assert run.event()
    run.event()
    assert run.journal.close()
    session = read(folder)
    assert session.broken_at is None
    assert [event.at for event in session.events] == list(range(100, 800, 100))
    (gap,) = session.gaps
    assert "removed or replaced" in str(gap.data["why"]) or "shortened" in str(gap.data["why"])
    assert (folder / "manifest.json").read_bytes() == before


@pytest.mark.skipif(sys.platform == "win32", reason="an open file cannot be taken away there")
@pytest.mark.parametrize("how", ["removed", "moved", "a file"])
def test_a_record_whose_folder_is_removed_continues_elsewhere_with_all_its_lines(
    how: str, tmp_path: Path, made_with: Manifest
) -> None:
    folder = tmp_path / "records" / "s"
    run = Writing(folder, made_with)
    for _ in range(5):
        run.event()
    folder.rename(tmp_path / "elsewhere")  # at once: small files are still being written there
    if how != "moved":
        shutil.rmtree(tmp_path / "elsewhere", ignore_errors=True)
    if how == "a file":
        folder.write_text("x")
    assert run.event()
    assert run.journal.close()
    assert run.journal.folder == tmp_path / "records" / "s-again"
    session = read(run.journal.folder)
    assert session.broken_at is None
    assert [event.at for event in session.events] == list(range(100, 700, 100))
    assert "it continues in" in str(session.gaps[0].data["why"])


def test_clips_go_where_the_record_continues_and_those_deleted_are_gone_in_both_places(
    tmp_path: Path, made_with: Manifest
) -> None:
    folder = tmp_path / "records" / "s"
    run = Writing(folder, made_with)
    clips = ClipKeeper(run.journal.audio, "clips", on_written=run.journal.sound, on_deleted=run.journal.sound_gone)

    def speak() -> None:
        at = run.at + RATE_HZ
        for begin in range(at, at + 2 * RATE_HZ, RATE_HZ):
            clips.feed(Block(begin, np.full((RATE_HZ, 1), 0.1, np.float32), np.zeros(RATE_HZ, np.float32)))
        clips.utterance(at + 100, at + 200)
        run.at = at + 3 * RATE_HZ

    def clips_in(place: Path) -> list[str]:
        return [path.name for path in place.glob("*.wav")]

    run.event()
    speak()
    clips.work(True)
    clips.work(False)
    assert waited(lambda: len(clips_in(folder / "audio")) == 1)
    moved = tmp_path / "elsewhere"
    folder.rename(moved)
    speak()
    clips.work(True)  # cut before the journal knows that its folder is gone
    clips.work(False)
    assert waited(lambda: clips.trouble is not None)
    run.event()
    assert waited(lambda: run.journal.folder.name == "s-again")
    speak()
    clips.work(True)
    again = run.journal.folder
    assert waited(lambda: len(clips_in(again / "audio")) == 2)
    assert clips.trouble is None
    assert waited(lambda: run.journal.unsaved == 0 and (again / FILE).read_bytes().count(b'"line":"sound"') == 3)
    sound = [one.what for one in verify(again).findings if one.file.startswith("audio")]
    assert len(sound) == 1  # what was there before stays where it was
    assert "is missing" in sound[0]
    moved.rename(folder)  # the disk is back
    clips.no_audio()
    clips.close()
    assert [*folder.glob("audio/*"), *again.glob("audio/*")] == []
    assert run.journal.close()


class ReadOnly(disk.OwnFile):
    """A file system that turns read-only, below one folder."""

    below: Path | None = None

    def __init__(self, path: Path) -> None:
        self._path = path
        if self._refused():
            raise OSError(errno.EROFS, "Read-only file system")
        super().__init__(path)

    def _refused(self) -> bool:
        return self.below is not None and self.below in self._path.parents

    def write(self, data: bytes) -> None:
        if self._refused():
            raise OSError(errno.EROFS, "Read-only file system")
        super().write(data)


def test_on_a_disk_that_turns_read_only_it_continues_in_the_users_own_folder(
    tmp_path: Path, made_with: Manifest, monkeypatch: pytest.MonkeyPatch
) -> None:
    root = tmp_path / "records"
    run = Writing(root / "s", made_with, ReadOnly)
    for _ in range(3):
        run.event()
    monkeypatch.setattr(ReadOnly, "below", root)
    make = refuge.Refuge._make

    def refuse(self: refuge.Refuge, place: Path) -> Path:
        if place == root:
            raise OSError(errno.EROFS, "Read-only file system")
        return make(self, place)

    monkeypatch.setattr(refuge.Refuge, "_make", refuse)
    assert run.event()
    assert run.journal.close()
    assert run.journal.folder.parent == tmp_path / "data" / "voicecoach" / "sessions"
    session = read(run.journal.folder)
    assert [event.at for event in session.events] == [100, 200, 300, 400]
    assert session.broken_at is None
    # both say that the session is open; the one that went on is looked at, and the place that was lost is not
    looked = open_sessions._folders(root, [])
    assert looked[0] == run.journal.folder
    assert looked[1:] == [root / "s"]


def test_with_no_place_at_all_the_lines_wait(
    tmp_path: Path, made_with: Manifest, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = Writing(tmp_path / "records" / "s", made_with, ReadOnly)
    monkeypatch.setattr(ReadOnly, "below", tmp_path)
    monkeypatch.setattr(refuge, "roots", lambda _: ())
    monkeypatch.setattr(run.journal._spool._refuge, "_roots", ())
    assert run.event()
    monkeypatch.setattr(ReadOnly, "below", None)
    end_s = time.monotonic() + 5
    while run.journal.unsaved and time.monotonic() < end_s:
        time.sleep(0.02)
    assert run.journal.close()
    assert len(read(tmp_path / "records" / "s").events) == 1


def test_when_there_is_too_much_to_hold_it_writes_on_without_what_was_lost(
    tmp_path: Path, made_with: Manifest, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(refuge, "MOST_KEPT", 100)
    folder = tmp_path / "records" / "s"
    run = Writing(folder, made_with)
    run.event()
    (folder / FILE).unlink()
    run.event()
    assert run.journal.close()
    session = read(folder)
    assert [event.at for event in session.events] == [200]
    assert session.broken_at == 1
