"""The command line, as people call it; what it refuses has its own tests."""

from __future__ import annotations

import importlib
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from typer.main import get_group
from typer.testing import CliRunner, Result

from voicecoach import __version__
from voicecoach.audio.wav import write_wav
from voicecoach.cli.common import CAUTION
from voicecoach.cli.main import COMMANDS, main
from voicecoach.listen import registry
from voicecoach.runtime import library
from voicecoach.speak.voice import render_text

RUB = "+1 wearer: start rubbing\n+4 wearer: hands dry\n"
SCRIPT = (
    "+1 wearer: practice run\n+1 wearer: yes\n+1 wearer: step done\n" + RUB  # prepare
    + "+1 wearer: step done\n" * 3 + "+1 wearer: start removal\n+1 wearer: yes\n"  # dress, work
    + "+1 wearer: all clear\n" + RUB + "+2 wearer: gown off\n" + RUB + "+5 wearer: start rubbing\n"
    + "+4 wearer: hands dry\n+1 wearer: step done\n+1 wearer: yes\n"
)  # fmt: skip
"""The short practice protocol from its beginning to its end."""


def call(*arguments: object) -> Result:
    """The program as it is called, in this process."""
    result = CliRunner().invoke(main, [str(argument) for argument in arguments], env={"COLUMNS": "200"})
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def test_every_command_of_every_file_is_in_the_list_and_the_other_way_round() -> None:
    there: dict[str, str] = {}
    for file in sorted(set(COMMANDS.values())):
        there |= dict.fromkeys(get_group(importlib.import_module(f"voicecoach.cli.{file}").app).commands, file)
    assert there == COMMANDS


def test_a_name_that_is_nearly_a_command_is_answered_with_it() -> None:
    result = call("reveiw")
    assert result.exit_code == 2
    assert "review" in result.stderr


@pytest.mark.parametrize(
    ("command", "stays_out"),
    [("--version", {"numpy", "duckdb", "jinja2"}), ("review", {"numpy", "onnxruntime"}), ("run", {"duckdb", "jinja2"})],
)
def test_a_command_loads_nothing_that_only_others_need(command: str, stays_out: set[str]) -> None:
    text = (
        "import sys; from voicecoach.cli.main import COMMANDS, main; from typer.main import get_command;"
        f"get_command(main).get_command(None, {command!r}) if {command!r} in COMMANDS else None;"
        "print(*{name.split('.')[0] for name in sys.modules})"
    )
    place = Path(__file__).parents[1]
    done = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=True, cwd=place)
    assert stays_out & set(done.stdout.split()) == set()


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The record of a whole typed session."""
    folder = tmp_path_factory.mktemp("typed")
    (folder / "script.txt").write_text(SCRIPT)
    result = call("run", "short-practice", "--typed", folder / "script.txt", "--out", folder / "records")
    assert result.exit_code == 0, result.output
    assert "The record is closed." in result.stdout
    assert "ended before" not in result.stdout
    (made,) = (folder / "records").glob("[!.]*")
    return made


def test_it_tells_its_version_and_its_caution() -> None:
    assert call("--version").stdout == f"voicecoach {__version__}\n"
    words = " ".join(call("--help").stdout.replace("│", " ").split())
    assert CAUTION in words


def test_the_caution_stands_at_the_head_of_every_session(tmp_path: Path) -> None:
    (tmp_path / "script.txt").write_text("+1 wearer: practice run\n")
    result = call("run", "short-practice", "--typed", tmp_path / "script.txt", "--out", tmp_path / "records")
    assert result.stdout.startswith(CAUTION)


def test_protocols_names_what_comes_with_the_program_for_people_and_for_programs() -> None:
    rows = json.loads(call("protocols", "--json").stdout)
    assert {Path(row["file"]).name for row in rows} == {path.name for path in library.names("protocols")}
    assert {"name", "title", "file"} == set(rows[0])
    shown = call("protocols").stdout
    assert all(row["name"] in shown for row in rows)


def test_engines_tells_which_recognisers_can_run_and_what_would_make_the_others_run() -> None:
    rows = json.loads(call("engines", "--json").stdout)
    assert [row["name"] for row in rows] == ["mixed", "vosk", "phonemes", "moonshine", "typed"]
    assert all(row["detail"] for row in rows)
    assert all(bool(row["mend"]) != row["runs"] for row in rows)


def test_a_session_s_record_is_readable_by_its_owner_only(record: Path) -> None:
    assert record.stat().st_mode & 0o077 == 0
    assert all(path.stat().st_mode & 0o077 == 0 for path in record.rglob("*"))


def test_a_whole_session_can_be_shown_replayed_reported_and_packed(record: Path, tmp_path: Path) -> None:
    timeline = call("timeline", record, "--svg", tmp_path / "t.svg", "--csv", tmp_path / "t.csv")
    assert timeline.exit_code == 0
    assert "Spread gel over both gloves." in timeline.stdout
    assert (tmp_path / "t.svg").read_text().startswith("<svg")
    assert "gown" in (tmp_path / "t.csv").read_text()
    replay = call("replay", record)
    assert replay.exit_code == 0
    assert replay.stdout.rstrip().endswith("the same")
    report = call("report", record, "--html", tmp_path / "r.html")
    assert report.exit_code == 0
    assert "<html" in (tmp_path / "r.html").read_text()
    assert call("pack", record, tmp_path / "r.zip").exit_code == 0
    assert (tmp_path / "r.zip").stat().st_size > 1000


def test_a_record_that_was_changed_is_told_apart(record: Path, tmp_path: Path) -> None:
    import shutil  # noqa: PLC0415 beside its one use

    copy = tmp_path / "copy"
    shutil.copytree(record, copy)
    events = copy / "events.jsonl"
    events.write_text(events.read_text().replace('"command":"gown-off"', '"command":"gloves-off"'))
    result = call("replay", copy)
    assert result.exit_code != 0


def test_hear_prints_one_json_line_an_utterance_and_refusing_is_no_failure(tmp_path: Path) -> None:
    if not registry.choose("auto").can_run:
        pytest.skip(reason="no audio engine can run here")
    silence = np.zeros(12_000, np.float32)
    words, chatter = render_text("step complete"), render_text("where did they put the blue folder")
    write_wav(tmp_path / "words.wav", np.concatenate([silence, words, silence, chatter, silence]))
    result = call("hear", tmp_path / "words.wav", "--engine", "phonemes", "--json")
    assert result.exit_code == 0, result.stderr
    rows = [json.loads(line) for line in result.stdout.splitlines()]
    assert all(set(row) == {"file", "begin_s", "end_s", "command", "phrase", "score", "floor"} for row in rows)
    assert rows[0]["command"] == "done"
    assert rows[0]["begin_s"] == pytest.approx(0.75, abs=0.35)
    assert {row["command"] for row in rows[1:]} == {None}


def test_hear_says_so_when_a_recording_holds_no_speech(tmp_path: Path) -> None:
    write_wav(tmp_path / "quiet.wav", np.zeros(16_000, np.float32))
    result = call("hear", tmp_path / "quiet.wav", "--engine", "phonemes")
    assert result.stdout == f"{tmp_path / 'quiet.wav'}: no speech was found in it\n"
    assert call("hear", tmp_path / "quiet.wav", "--engine", "phonemes", "--json").stdout == ""


def test_a_recording_with_two_channels_tells_wearer_and_observer_apart(tmp_path: Path) -> None:
    if not registry.choose("auto").can_run:
        pytest.skip(reason="no audio engine can run here")
    lead, words = np.zeros(22 * 16_000, np.float32), render_text("stop stop")
    left = np.concatenate([lead, words, np.zeros(32_000, np.float32)])
    right = np.roll(left, -48_000)
    write_wav(tmp_path / "pair.wav", np.stack([left, right], axis=1))
    arguments = ["run", "short-practice", "--pair", "--channels", 2, "--input", tmp_path / "pair.wav"]
    result = call(*arguments, "--engine", "phonemes", "--out", tmp_path / "records")
    assert result.exit_code == 0, result.output
    (record,) = (tmp_path / "records").glob("[!.]*")
    heard = [json.loads(line) for line in (record / "events.jsonl").read_text().splitlines() if '"heard"' in line]
    assert [event["role"] for event in heard if event.get("command") == "stop"] == ["observer", "wearer"]


def test_words_typed_at_the_keyboard_lead_through_a_session(tmp_path: Path) -> None:
    coach = subprocess.Popen(
        [sys.executable, "-m", "voicecoach", "run", "short-practice", "--typed", "--out", str(tmp_path / "records")],
        cwd=tmp_path, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        env={**os.environ, "COLUMNS": "200"},
    )  # fmt: skip
    assert coach.stdin is not None
    events = _wait_for(tmp_path / "records", '"effect":"say"')
    coach.stdin.write("practice run\n")
    coach.stdin.flush()
    _wait_for(tmp_path / "records", '"phrase":"practice run"')
    # nothing is worn yet: a signal may end it, and what was recorded stays
    coach.send_signal(signal.SIGINT)
    coach.send_signal(signal.SIGTERM)
    out, _ = coach.communicate(timeout=20)
    assert coach.returncode not in {0, 1}, out
    assert "Traceback" not in out
    assert '"source":"key"' in events.read_text()


def _wait_for(root: Path, text: str) -> Path:
    """The journal below `root` once it holds `text`."""
    end = time.monotonic() + 60
    while time.monotonic() < end:
        for path in root.glob("*/events.jsonl"):
            if text in path.read_text():
                return path
        time.sleep(0.05)
    raise AssertionError(f"{text} was not recorded")
