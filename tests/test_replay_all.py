"""Every session that the tests have made gives the same effects again, word for word. Runs behind all other tests."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from voicecoach.cli.main import main
from voicecoach.cli.record import machine_of
from voicecoach.errors import VoicecoachError
from voicecoach.record.journal import FILE
from voicecoach.record.read import Session, read
from voicecoach.record.replay import compare
from voicecoach.session.events import Opened
from voicecoach.session.machine import Machine

SCRIPT = "+1 wearer: practice run\n+1 wearer: yes\n+1 wearer: step done\n@0.4 wearer: breach\n+5 wearer: false alarm\n"


def machine_for(session: Session, ran_on: dict[Path, Any]) -> Machine | None:
    """The machine that a record was made with; None for a record that no whole session has made.

    Tests of the record write records by hand, some of the loop begin in the middle: neither has all events and effects.
    """
    first = next((line for line in session.lines if line.event is not None), None)
    if first is None or not isinstance(first.event, Opened) or not session.effects[first.seq]:
        return None
    if session.broken_at is not None:
        return None
    if session.folder in ran_on:
        rules = ran_on[session.folder]
        return Machine(rules) if rules is not None else None
    copy = session.folder / "protocol.yaml"
    if not copy.is_file() or "\nstages:" not in copy.read_text(encoding="utf-8"):
        return None
    return machine_of(session)


def test_every_session_gives_the_same_effects_again(
    tmp_path_factory: pytest.TempPathFactory, tmp_path: Path, ran_on: dict[Path, Any]
) -> None:
    script = tmp_path / "script.txt"
    script.write_text(SCRIPT)  # at least one, when this test runs alone
    done = CliRunner().invoke(main, ["run", "short-practice", "--typed", str(script), "--out", str(tmp_path / "own")])
    assert done.exit_code == 0, done.output
    told, effects = [], 0
    for path in sorted(tmp_path_factory.getbasetemp().rglob(FILE)):
        try:
            session = read(path.parent)
        except VoicecoachError:
            continue  # spoilt on purpose
        machine = machine_for(session, ran_on)
        if machine is not None:
            result = compare(session, lambda _, made=machine: made)  # type: ignore[misc]
            assert result.same, f"{path.parent}: {result.difference}"
            told.append(path.parent.name)
            effects += result.effects
    assert (tmp_path / "own") in [path.parent.parent for path in tmp_path_factory.getbasetemp().rglob(FILE)]
    assert told
    assert effects > len(told)
    print(f"{len(told)} sessions replayed, {effects} effects")
