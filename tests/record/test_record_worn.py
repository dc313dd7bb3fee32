"""What was worn can be had again, whichever single file is damaged (rule 21: nothing is claimed that is not known)."""

from collections.abc import Callable
from pathlib import Path

import pytest

from voicecoach.record.journal import Journal
from voicecoach.record.lines import FILE
from voicecoach.record.manifest import Manifest
from voicecoach.record.worn import apart, last_known_worn, lost_folders
from voicecoach.session.effects import Close, Note
from voicecoach.session.events import Heard, TimerFired


def ledger(on: str, hands: str = "rubbed") -> Note:
    return Note("ledger", (("on", on), ("hands", hands)))


@pytest.fixture
def undressing(tmp_path: Path, made_with: Manifest) -> Path:
    """An open session: gown and gloves went on, the gown came off."""
    folder = tmp_path / "s"
    journal = Journal.create(folder, made_with, {"protocol.yaml": b"x"}, patience_s=30)
    for at, note in enumerate((ledger("gown"), ledger("gown,gloves"), ledger("gloves", "not-rubbed"))):
        journal.write_effects(journal.write(Heard(at, "done")).seq, (note,))
    journal.write(TimerFired(9, "rub"))
    journal.close()
    return folder


def last_worn(folder: Path) -> tuple[tuple[str, ...], tuple[str, ...], str]:
    found = last_known_worn(folder)
    assert found is not None
    return found.on, found.worn.off, found.hands


RIGHT = (("gloves",), ("gown",), "not-rubbed")


def test_both_copies_say_what_is_on_what_is_off_and_the_hands(undressing: Path) -> None:
    assert last_worn(undressing) == RIGHT
    found = last_known_worn(undressing)
    assert found is not None
    assert found.source == "beside"
    assert found.remarks == ()
    assert (undressing / "worn.json").read_bytes() == apart(undressing).read_bytes()


def delete(path: Path) -> None:
    path.unlink()


def empty(path: Path) -> None:
    path.write_bytes(b"")


def flip(path: Path) -> None:
    raw = bytearray(path.read_bytes())
    raw[len(raw) // 2] ^= 4
    path.write_bytes(raw)


def link(path: Path) -> None:
    path.unlink()
    path.symlink_to("/dev/zero")


@pytest.mark.parametrize("damage", [delete, empty, flip, link])
@pytest.mark.parametrize("name", ["manifest.json", FILE, "worn.json", "protocol.yaml", "apart"])
def test_no_damage_to_one_file_takes_it_along(undressing: Path, name: str, damage: Callable[[Path], None]) -> None:
    damage(apart(undressing) if name == "apart" else undressing / name)
    assert last_worn(undressing) == RIGHT


def test_without_both_copies_the_undamaged_lines_are_asked(undressing: Path) -> None:
    (undressing / "worn.json").unlink()
    apart(undressing).unlink()
    assert last_worn(undressing) == RIGHT
    raw = (undressing / FILE).read_bytes().splitlines(keepends=True)
    raw[4] = raw[4].replace(b"done", b"dune")
    (undressing / FILE).write_bytes(b"".join(raw))
    assert last_worn(undressing) == (("gown", "gloves"), (), "rubbed")  # the last that holds, not one after the damage


def test_lines_that_are_newer_than_both_copies_count(undressing: Path) -> None:
    old = (undressing / "worn.json").read_bytes()
    journal = Journal.open_existing(undressing)
    journal.write_effects(journal.write(Heard(20, "done")).seq, (ledger(""),))
    journal.close()
    for path in (undressing / "worn.json", apart(undressing)):
        path.write_bytes(old)
    assert last_worn(undressing) == ((), ("gown", "gloves"), "rubbed")


def test_a_folder_that_is_gone_is_still_known_by_its_copy_apart(undressing: Path) -> None:
    assert list(lost_folders(undressing.parent)) == []
    (undressing / "manifest.json").unlink()
    ((folder, worn),) = lost_folders(undressing.parent)
    assert folder == undressing
    assert worn.on == ("gloves",)


def test_a_closed_session_is_not_lost(tmp_path: Path, made_with: Manifest) -> None:
    journal = Journal.create(tmp_path / "s", made_with, {}, patience_s=30)
    journal.write_effects(journal.write(Heard(1, "done")).seq, (ledger("gown"), Close("done")))
    journal.close()
    (tmp_path / "s" / "manifest.json").unlink()
    assert list(lost_folders(tmp_path)) == []
    assert list(lost_folders(tmp_path / "nowhere")) == []


def test_of_nothing_nothing_is_claimed(tmp_path: Path) -> None:
    assert last_known_worn(tmp_path / "nothing") is None
