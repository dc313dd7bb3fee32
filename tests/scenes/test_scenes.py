"""The six scenes of the conversation, as texts that a practitioner can check, over the true loop."""

from __future__ import annotations

from pathlib import Path

import pytest
from scene import Stage, check, load_scene

from voicecoach.record.read import read
from voicecoach.session.machine import Machine

SCENES = sorted((Path(__file__).parent / "as_written").glob("*.txt"))


@pytest.mark.parametrize("path", SCENES, ids=lambda path: path.stem)
def test_the_scene_plays_as_written(path: Path, tmp_path: Path) -> None:
    scene = load_scene(path)
    stage = Stage(scene, tmp_path)
    check(scene, stage.play())
    # and its record gives the same words again
    machine = Machine(stage.setup)
    state = machine.start()
    for event in read(tmp_path / "record").events:
        state, _ = machine.step(state, event)
    assert state == stage.state
