"""The replay that runs after all tests finds what they recorded."""

from __future__ import annotations

from pathlib import Path

import pytest
from replaying import replay_all
from typer.testing import CliRunner

from voicecoach.cli.main import main
from voicecoach.record.lines import FILE
from voicecoach.session.actions import wait

SCRIPT = "+1 wearer: practice run\n+1 wearer: yes\n+1 wearer: step done\n@0.4 wearer: breach\n+5 wearer: false alarm\n"


def test_a_session_gives_the_same_effects_again(tmp_path: Path) -> None:
    script = tmp_path / "script.txt"
    script.write_text(SCRIPT)
    done = CliRunner().invoke(main, ["run", "short-practice", "--typed", str(script), "--out", str(tmp_path / "own")])
    assert done.exit_code == 0, done.output
    sessions, effects = replay_all(tmp_path)
    assert sessions == 1
    assert effects > 10


def test_a_session_whose_record_says_something_else_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    script = tmp_path / "script.txt"
    script.write_text(SCRIPT)
    CliRunner().invoke(main, ["run", "short-practice", "--typed", str(script), "--out", str(tmp_path / "own")])
    (record,) = tmp_path.rglob(FILE)
    assert record.is_file()
    monkeypatch.setattr(wait, "FIRST_SILENCE_S", wait.FIRST_SILENCE_S + 1)
    with pytest.raises(AssertionError, match="Event"):
        replay_all(tmp_path)
