"""What the commands about records say of a damaged one, in words and in their exit status."""

import json
import shutil
from pathlib import Path

import pytest
from damages import make
from typer.testing import CliRunner

from voicecoach.cli.main import main
from voicecoach.record.lines import FILE

WHOLE, DAMAGED, NO_RECORD, UNFINISHED = 0, 1, 2, 3


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> dict[int, Path]:
    """Exit status -> a folder that has it."""
    root = tmp_path_factory.mktemp("records")
    damaged = make(root / "damaged", finished=True)
    raw = (damaged / FILE).read_bytes()
    (damaged / FILE).write_bytes(raw.replace(b"done", b"dune", 1))
    (root / "none").mkdir()
    return {
        WHOLE: make(root / "whole", finished=True),
        DAMAGED: damaged,
        NO_RECORD: root / "none",
        UNFINISHED: make(root / "open", finished=False),
    }


def call(*arguments: object) -> tuple[int, str]:
    done = CliRunner().invoke(main, [str(argument) for argument in arguments], env={"COLUMNS": "200"})
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.exit_code, done.output


@pytest.mark.parametrize("command", ["verify", "timeline", "report"])
@pytest.mark.parametrize("status", [WHOLE, DAMAGED, NO_RECORD, UNFINISHED])
def test_each_command_ends_with_the_status_of_the_record_and_says_why(
    made: dict[int, Path], status: int, command: str
) -> None:
    got, output = call(command, made[status])
    assert got == status
    words = {DAMAGED: f"Damaged: {FILE}, line ", UNFINISHED: "Unfinished: ", NO_RECORD: "is not a record of a session"}
    assert words.get(status, "") in output
    assert ("Damaged" in output, "Unfinished" in output) == (status == DAMAGED, status == UNFINISHED)


@pytest.mark.parametrize("status", [WHOLE, DAMAGED, NO_RECORD, UNFINISHED])
def test_packing_says_it_too(made: dict[int, Path], tmp_path: Path, status: int) -> None:
    got, _ = call("pack", made[status], tmp_path / "out.zip")
    assert got == status
    assert (tmp_path / "out.zip").exists() == (status != NO_RECORD)  # what is damaged is kept all the same


@pytest.mark.parametrize("status", [WHOLE, DAMAGED, UNFINISHED])
def test_an_archive_is_verified_like_its_folder(made: dict[int, Path], tmp_path: Path, status: int) -> None:
    call("pack", made[status], tmp_path / "out.zip")
    got, output = call("verify", tmp_path / "out.zip")
    assert got == status
    assert {WHOLE: "Whole: ", DAMAGED: f"Damaged: {FILE}, line ", UNFINISHED: "Unfinished: "}[status] in output
    got, output = call("verify", "--json", tmp_path / "out.zip", made[WHOLE])
    assert [json.loads(line)["state"] for line in output.splitlines()] == [
        {WHOLE: "whole", DAMAGED: "damaged", UNFINISHED: "unfinished"}[status], "whole",
    ]  # fmt: skip


def test_a_file_that_is_not_an_archive_and_its_code_are_reported_in_one_line(
    made: dict[int, Path], tmp_path: Path
) -> None:
    (tmp_path / "out.zip").write_bytes(b"PK and no more")
    status, output = call("verify", tmp_path / "out.zip")
    assert (status, len(output.splitlines()), "is not an archive of a session" in output) == (NO_RECORD, 1, True)
    status, output = call("verify", tmp_path / "out.zip", "--code", "000 000 000 000")
    assert (status, "a code is checked against a folder" in output) == (NO_RECORD, True)


def test_of_several_records_the_worst_counts(made: dict[int, Path]) -> None:
    assert call("verify", made[WHOLE], made[WHOLE])[0] == WHOLE
    assert call("verify", made[WHOLE], made[UNFINISHED])[0] == UNFINISHED
    assert call("verify", made[UNFINISHED], made[NO_RECORD])[0] == NO_RECORD
    assert call("verify", made[NO_RECORD], made[DAMAGED], made[WHOLE])[0] == DAMAGED


def test_json_tells_the_first_wrong_and_the_last_good(made: dict[int, Path]) -> None:
    status, output = call("verify", "--json", made[DAMAGED], made[WHOLE])
    damaged, whole = (json.loads(line) for line in output.splitlines())
    assert status == DAMAGED
    assert damaged["state"] == "damaged"
    assert damaged["first_wrong"]["file"] == FILE
    assert damaged["last_good"]["line"] == damaged["first_wrong"]["line"] - 1
    assert (whole["state"], whole["first_wrong"], whole["findings"]) == ("whole", None, [])
    assert whole["code"].replace(" ", "").isdigit()


def test_a_code_that_was_written_down_is_compared(made: dict[int, Path]) -> None:
    _, output = call("verify", "--json", made[WHOLE])
    code = json.loads(output)["code"]
    assert call("verify", made[WHOLE], "--code", code)[0] == WHOLE
    assert call("verify", made[WHOLE], "--code", "".join(code.split()))[0] == WHOLE
    status, output = call("verify", made[WHOLE], "--code", "000 000 000 000")
    assert (status, "another record" in output) == (DAMAGED, True)
    status, output = call("verify", made[UNFINISHED], "--code", code)
    assert (status, "cannot be checked" in output) == (DAMAGED, True)
    assert call("verify", made[WHOLE], made[WHOLE], "--code", code)[0] == NO_RECORD


def test_a_damaged_manifest_is_a_damage_and_not_no_record(made: dict[int, Path], tmp_path: Path) -> None:
    shutil.copytree(made[WHOLE], tmp_path / "s")
    (tmp_path / "s" / "manifest.json").write_text("{")
    for command in ("verify", "timeline", "report", "replay"):
        assert call(command, tmp_path / "s")[0] == DAMAGED, command
