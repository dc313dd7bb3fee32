"""What can be read of a damaged record is copied, what can't is named, and the record itself is not touched."""

import random
from pathlib import Path

import pytest
from damages import COPIES, copy, make, spoil
from typer.testing import CliRunner

from voicecoach.cli.main import main
from voicecoach.errors import InputError, RecordError
from voicecoach.record.journal import Journal
from voicecoach.record.lines import FILE
from voicecoach.record.manifest import Manifest
from voicecoach.record.read import find_open, read
from voicecoach.record.salvage import salvage
from voicecoach.record.verify import verify
from voicecoach.record.worn import last_known_worn
from voicecoach.session.events import Heard


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("finished") / "s", finished=True)


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def test_salvaging_a_whole_record_keeps_everything_yet_marks_it_as_salvaged(finished: Path, tmp_path: Path) -> None:
    before = contents(finished.parent)
    made = salvage(finished, tmp_path / "new")
    assert made.missing == []
    assert contents(finished.parent) == before
    old, new = read(finished), read(tmp_path / "new")
    assert new.events == old.events
    assert list(new.effects.values()) == list(old.effects.values())
    found = verify(tmp_path / "new")
    assert (found.state, found.findings) == ("unfinished", ())
    assert "a copy of what could be read" in " ".join(found.remarks)


def test_a_damaged_line_is_left_out_and_named(finished: Path, tmp_path: Path) -> None:
    folder = copy(finished, tmp_path)
    raw = (folder / FILE).read_bytes().splitlines(keepends=True)
    assert b'"done"' in raw[3]
    raw[3] = raw[3].replace(b"done", b"dune")
    raw[20] = b"\0" * (len(raw[20]) - 1) + b"\n"
    (folder / FILE).write_bytes(b"".join(raw[:30] + raw[34:]))
    made = salvage(folder, tmp_path / "new")
    assert made.missing == [
        f"{FILE}, line 4: was changed.",
        f"{FILE}, line 21: is damaged.",
        f"{FILE}: number 21 is missing.",
        f"{FILE}: numbers 31 to 34 are missing.",
    ]
    assert (tmp_path / "new" / "missing.txt").read_text().splitlines() == made.missing
    assert verify(tmp_path / "new").state == "unfinished"
    assert read(tmp_path / "new").broken_at is None
    assert b"dune" not in (tmp_path / "new" / FILE).read_bytes()


def test_a_changed_copy_and_a_silenced_clip_do_not_pass_for_the_true_ones(finished: Path, tmp_path: Path) -> None:
    folder = copy(finished, tmp_path)
    (folder / "protocol.yaml").write_bytes(b"protocol: another\n")
    clip = min((folder / "audio").iterdir())
    clip.write_bytes(bytes(len(clip.read_bytes())))
    made = salvage(folder, tmp_path / "new")
    assert any(sentence.startswith("protocol.yaml: is not what") for sentence in made.missing)
    assert any(sentence.startswith(f"audio/{clip.name}: ") for sentence in made.missing)
    assert not (tmp_path / "new" / "protocol.yaml").exists()
    assert (tmp_path / "new" / "protocol.yaml.unproven").exists()
    assert not (tmp_path / "new" / "audio" / clip.name).exists()
    assert len(list((tmp_path / "new" / "audio").iterdir())) == 2


@pytest.mark.parametrize("seed", range(15))
def test_whatever_the_damage_a_readable_copy_comes_of_it(finished: Path, tmp_path: Path, seed: int) -> None:
    folder = copy(finished, tmp_path)
    damage, name = spoil(folder, random.Random(seed))  # noqa: S311  the same damages each time
    made = salvage(folder, tmp_path / "new")
    assert made.missing, (damage, name)
    assert verify(tmp_path / "new").state == "unfinished"
    if name != FILE:
        assert read(tmp_path / "new").events == read(finished).events


def test_without_a_manifest_the_lines_are_still_saved(finished: Path, tmp_path: Path) -> None:
    folder = copy(finished, tmp_path)
    (folder / "manifest.json").unlink()
    made = salvage(folder, tmp_path / "new")
    assert read(tmp_path / "new").events == read(finished).events
    assert any("is not known" in sentence for sentence in made.missing)


def test_a_salvaged_open_session_is_never_continued(tmp_path: Path) -> None:
    folder = make(tmp_path / "s", finished=False)
    salvage(folder, tmp_path / "new")
    assert tmp_path / "new" not in list(find_open(tmp_path))
    known = last_known_worn(tmp_path / "new")
    assert known is not None
    assert known.on == tuple(f"piece-{n}" for n in range(0, 24, 4))


def test_an_encrypted_record_comes_out_plain_with_its_key(tmp_path: Path, made_with: Manifest) -> None:
    key = bytes(32)
    journal = Journal.create(tmp_path / "s", made_with, COPIES, key=key, patience_s=30)
    journal.write(Heard(5, "breach", phrase="breach"))
    journal.close()
    with pytest.raises(RecordError, match="is encrypted"):
        salvage(tmp_path / "s", tmp_path / "new")
    made = salvage(tmp_path / "s", tmp_path / "new", key)
    assert made.missing == []
    assert read(tmp_path / "new").events == (Heard(5, "breach", phrase="breach"),)


def test_places_that_cannot_be_are_refused(finished: Path, tmp_path: Path) -> None:
    for new in (finished, finished / "new", tmp_path):
        with pytest.raises(InputError):
            salvage(finished, new)
    with pytest.raises(RecordError, match="is not a record"):
        salvage(tmp_path, tmp_path / "new")


def test_the_command_says_what_is_missing_by_its_status_too(finished: Path, tmp_path: Path) -> None:
    done = CliRunner().invoke(main, ["salvage", str(finished), str(tmp_path / "one")])
    assert (done.exit_code, "lines were copied to" in done.output) == (0, True)
    folder = copy(finished, tmp_path)
    (folder / "grammar.yaml").unlink()
    done = CliRunner().invoke(main, ["salvage", str(folder), str(tmp_path / "two")])
    assert (done.exit_code, "missing: grammar.yaml: is missing." in done.output) == (1, True)
