"""Verify sees every damage, names it and says how far the record holds."""

import json
import random
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from damages import copy, files, leave, make, spoil

from voicecoach.errors import RecordError
from voicecoach.record import lines
from voicecoach.record.journal import Journal
from voicecoach.record.lines import FILE
from voicecoach.record.manifest import Manifest
from voicecoach.record.sealing import Sealer
from voicecoach.record.verify import code_differs, verify
from voicecoach.record.worn import apart
from voicecoach.session.events import Heard, Reopened, TimerFired


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("finished") / "s", finished=True)


@pytest.fixture(scope="module")
def unfinished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("open") / "s", finished=False)


def test_a_finished_record_is_whole_and_an_open_one_unfinished(finished: Path, unfinished: Path) -> None:
    whole = verify(finished)
    assert (whole.state, whole.status, whole.findings, whole.remarks) == ("whole", 0, (), ())
    assert whole.last_good is not None
    assert whole.sealed_to == whole.lines == whole.last_good.line
    still = verify(unfinished)
    assert (still.state, still.status, still.findings) == ("unfinished", 3, ())
    assert 0 < still.sealed_to <= still.lines
    assert "no" not in next(whole.sentences())
    assert "no end mark" in next(still.sentences())


def test_what_is_not_a_record_is_told_apart_from_a_damaged_one(finished: Path, tmp_path: Path) -> None:
    for place in (tmp_path, tmp_path / "nowhere", finished / FILE):
        with pytest.raises(RecordError, match="is not a record"):
            verify(place)
    folder = copy(finished, tmp_path)
    (folder / "manifest.json").unlink()
    assert verify(folder).state == "damaged"


@pytest.mark.parametrize("seed", range(30))
@pytest.mark.parametrize("kind", ["finished", "unfinished"])
def test_any_single_damage_to_any_file_is_noticed_and_named(
    request: pytest.FixtureRequest, tmp_path: Path, kind: str, seed: int
) -> None:
    folder = copy(request.getfixturevalue(kind), tmp_path)
    damage, name = spoil(folder, random.Random(seed))  # noqa: S311  the same damages each time
    found = verify(folder)
    assert found.state == "damaged", (damage, name)
    assert found.findings[0].file == name, (damage, found.findings)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(1_000, 1_150))
@pytest.mark.parametrize("kind", ["finished", "unfinished"])
def test_many_single_damages_are_noticed_and_named(
    request: pytest.FixtureRequest, tmp_path: Path, kind: str, seed: int
) -> None:
    test_any_single_damage_to_any_file_is_noticed_and_named(request, tmp_path, kind, seed)


def test_a_changed_line_is_the_first_wrong_and_the_one_before_it_the_last_good(finished: Path, tmp_path: Path) -> None:
    folder = copy(finished, tmp_path)
    raw = (folder / FILE).read_bytes().splitlines(keepends=True)
    raw[40] = raw[40].replace(b"wall", b"well")
    (folder / FILE).write_bytes(b"".join(raw))
    found = verify(folder)
    assert found.findings[0][:2] == (FILE, 41)
    assert found.last_good is not None
    assert (found.last_good.line, found.last_good.seq) == (40, 40)
    assert found.sealed_to == 33  # a seal every 32 lines
    assert next(found.sentences()).startswith(f"Damaged: {FILE}, line 41: was damaged or changed. Line 40 of ")


def test_lines_taken_out_are_named_by_their_numbers(finished: Path, tmp_path: Path) -> None:
    folder = copy(finished, tmp_path)
    raw = (folder / FILE).read_bytes().splitlines(keepends=True)
    (folder / FILE).write_bytes(b"".join(raw[:50] + raw[53:]))
    assert "numbers 51 to 53 are missing" in verify(folder).findings[0].what


def reseal(folder: Path, change: Callable[[bytes], bytes]) -> None:
    """What anybody can do in six lines: change the lines and rebuild the chain."""
    chain, made = lines.first_chain((folder / "manifest.json").read_bytes()), b""
    for raw in change((folder / FILE).read_bytes()).splitlines():
        data = json.loads(raw)
        del data["chain"]
        line, chain = lines.seal(chain, data)
        made += line
    (folder / FILE).write_bytes(made)


def without_witnesses(folder: Path) -> Path:
    """As if the folder alone had been taken along."""
    shutil.rmtree(folder.parent / ".beside")
    return folder


def test_a_rebuilt_chain_does_not_fit_the_seals(finished: Path, tmp_path: Path) -> None:
    folder = without_witnesses(copy(finished, tmp_path))
    (folder / "worn.json").unlink()
    reseal(folder, lambda raw: raw.replace(b'"phrase":"done"', b'"phrase":"dune"', 1))
    assert any("a seal made with another key" in finding.what for finding in verify(folder).findings)


def test_a_tail_cut_off_after_a_seal_is_noticed_by_the_folder_alone(finished: Path, tmp_path: Path) -> None:
    folder = without_witnesses(copy(finished, tmp_path))
    raw = (folder / FILE).read_bytes().splitlines(keepends=True)
    (folder / FILE).write_bytes(b"".join(raw[:66]))
    assert b'"seal"' in raw[65]
    assert verify(folder).findings[0].file == FILE
    (folder / "worn.json").unlink()  # and whoever takes that away too has still no end mark
    assert verify(folder).status == 1


def test_another_key_than_that_of_the_manifest_is_seen(finished: Path, tmp_path: Path) -> None:
    folder = without_witnesses(copy(finished, tmp_path))
    forged, made, chain = Sealer(b"f" * 32), b"", lines.first_chain((folder / "manifest.json").read_bytes())
    for raw in (folder / FILE).read_bytes().replace(b'"phrase":"done"', b'"phrase":"dune"', 1).splitlines():
        data = json.loads(raw)
        del data["chain"]
        data.pop("signature", None)
        if data["line"] == "seal" and not data["last"]:
            data["next"] = forged.public_after()
        line, chain = lines.seal(chain, data, forged.sign if data["line"] == "seal" else None)
        made += line
    (folder / FILE).write_bytes(made)
    found = verify(folder)
    assert found.state == "damaged"
    assert "a seal made with another key" in found.findings[0].what


def test_a_rebuilt_chain_without_any_seal_is_noticed(finished: Path, tmp_path: Path) -> None:
    folder = without_witnesses(make(tmp_path / "s", finished=True, steps=40))
    (folder / "worn.json").unlink()

    def change(raw: bytes) -> bytes:
        unsealed = [json.loads(line) for line in raw.splitlines() if b'"line":"seal"' not in line]
        return b"".join(json.dumps(data | {"seq": n}).encode() + b"\n" for n, data in enumerate(unsealed, start=1))

    reseal(folder, change)
    assert any("without a seal" in finding.what for finding in verify(folder).findings)


def test_who_takes_the_key_of_a_running_session_cannot_change_what_is_sealed(tmp_path: Path) -> None:
    folder = make(tmp_path / "s", finished=False)
    stolen = json.loads(apart(folder, "key").read_bytes())
    sealer, made = Sealer(bytes.fromhex(stolen["state"]), stolen["epoch"]), b""
    assert sealer.epoch > 0
    raws = (folder / FILE).read_bytes().splitlines()
    at = next(n for n, raw in enumerate(raws) if b'"phrase":"done"' in raw)
    chain = lines.first_chain((folder / "manifest.json").read_bytes())
    for number, raw in enumerate(raws):
        data = json.loads(raw.replace(b"done", b"dune") if number == at else raw)
        del data["chain"]
        sealed = data.pop("signature", None) is not None
        line, chain = lines.seal(chain, data, sealer.sign if sealed else None)
        made += line
    (folder / FILE).write_bytes(made)
    found = verify(without_witnesses(folder))
    assert "a seal made with another key" in found.findings[0].what
    seed = sealer.state
    assert not any(Sealer(seed).public() == json.loads(raw).get("next") for raw in raws[:at])


def test_what_stays_unsealed_for_a_while_is_sealed_without_another_line(
    tmp_path: Path, made_with: Manifest, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("voicecoach.record.journal.SEAL_S", 0.1)
    journal = Journal.create(tmp_path / "s", made_with, {}, patience_s=30)
    journal.write(TimerFired(1, "rub"))
    until = time.monotonic() + 10
    while b'"line":"seal"' not in (tmp_path / "s" / FILE).read_bytes():
        assert time.monotonic() < until
        time.sleep(0.02)
    time.sleep(0.3)
    assert (tmp_path / "s" / FILE).read_bytes().count(b'"line":"seal"') == 1
    journal.close()


def test_a_record_rewritten_as_a_whole_has_another_code(finished: Path, tmp_path: Path) -> None:
    # who rewrites everything with keys of their own makes a whole record: only the code on paper shows it
    code = verify(finished).code()
    other = without_witnesses(make(tmp_path / "forged", finished=True))
    found = verify(other)
    assert found.state == "whole"
    assert code is not None
    assert len(code) == 15
    assert code_differs(verify(finished), code) == ""
    assert code_differs(verify(finished), code.replace(" ", "-")) == ""
    assert code_differs(found, code) == "The code belongs to another record."
    changed = code[:-1] + str((int(code[-1]) + 1) % 10)
    assert "group 4 of 4" in code_differs(verify(finished), changed)
    assert "has 3 digits, not 12" in code_differs(verify(finished), "1 2 3")


def test_a_silenced_clip_is_named(finished: Path, tmp_path: Path) -> None:
    folder = copy(finished, tmp_path)
    clip = sorted((folder / "audio").iterdir())[1]
    raw = clip.read_bytes()
    clip.write_bytes(raw[:44] + bytes(len(raw) - 44))
    assert verify(folder).findings[0].file == f"audio/{clip.name}"
    clip.write_bytes(raw)
    assert verify(folder).state == "whole"
    (folder / "audio" / "clip-9-9.wav").write_bytes(raw)
    assert "not mentioned by any line" in verify(folder).findings[0].what


def test_going_on_after_a_kill_keeps_the_seals_together(tmp_path: Path) -> None:
    folder = make(tmp_path / "s", finished=False)
    for round_ in range(3):
        journal = Journal.open_existing(folder)
        journal.write(Reopened(99, 1.0, "killed"))
        for at in range(40 * round_):
            journal.write(TimerFired(100 + at, "rub"))
        leave(journal)
    journal = Journal.open_existing(folder)
    journal.write(Reopened(999, 1.0, "killed"))
    journal.close()
    found = verify(folder)
    assert (found.state, found.findings) == ("unfinished", ())


def test_a_lost_key_is_said_where_the_new_one_begins(tmp_path: Path) -> None:
    folder = make(tmp_path / "s", finished=False)
    apart(folder, "key").unlink()
    before = verify(folder).lines
    journal = Journal.open_existing(folder)
    journal.write(Reopened(99, 1.0, "killed"))
    journal.close()
    found = verify(folder)
    assert found.findings[0][:2] == (FILE, before + 1)
    assert "new key" in found.findings[0].what
    assert len(found.findings) == 1


def test_lines_lost_before_a_resume_leave_a_gap_in_the_numbers(tmp_path: Path) -> None:
    folder = make(tmp_path / "s", finished=False)
    raw = (folder / FILE).read_bytes().splitlines(keepends=True)
    (folder / FILE).write_bytes(b"".join(raw[:20]))
    journal = Journal.open_existing(folder)
    journal.write(Heard(5, "yes"))
    journal.close()
    found = verify(folder)
    assert found.findings[0][:2] == (FILE, 21)
    assert found.last_good is not None
    assert found.last_good.line == 20


def test_the_key_of_a_finished_record_is_gone(finished: Path) -> None:
    assert not apart(finished, "key").exists()


def test_sound_written_before_a_kill_and_not_recorded_is_taken_up(tmp_path: Path) -> None:
    folder = make(tmp_path / "s", finished=False)
    clip = min((folder / "audio").iterdir())
    (folder / "audio" / "clip-000000000001-000000000002.wav").write_bytes(clip.read_bytes())
    assert verify(folder).state == "damaged"
    Journal.open_existing(folder).close()
    assert verify(folder).findings == ()


def test_every_file_of_a_record_is_looked_at(finished: Path) -> None:
    names = {str(path.relative_to(finished)) for path in files(finished)}
    assert len(names) == 8
    assert {"manifest.json", FILE, "worn.json", "protocol.yaml", "grammar.yaml"} < names
