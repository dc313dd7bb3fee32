"""Scenes with sound through the real recogniser: the same texts, the same checks."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from scene import check, load_scene, load_scenes
from spoken_scene import SpokenStage, as_meant

WRITTEN = Path(__file__).parent / "as_written"
ALOUD = (
    "s6-killed",
    *(
        pytest.param(name, marks=pytest.mark.long)
        for name in ("s1-alone", "s2-observer", "s3-no-air", "s4-torn", "s5-noise", "s6-microphone")
    ),
)  # fmt: skip
LATER_S = 0.3
"""The scene asks for silence 0.3 s after a voice begins. The onset of a voice is noticed later, as the bench of hearing
over a prompt prints; with sound this much is asked for.
"""

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="the phoneme engine has no library for Windows")


INCIDENTS = (
    "d05-help-me",
    *(
        pytest.param(name, marks=pytest.mark.long)
        for name in (
            "d01-no-air-in-removal",
            "d05-end-session-alone",
            "s1-not-clear-to-the-all-clear",
            "s5-faulty-piece",
        )
    ),
)
"""Those of the incidents that are played with sound, each with its first protocol."""


@pytest.mark.parametrize("name", ALOUD)
def test_the_scene_plays_as_written_with_sound(name: str, tmp_path: Path) -> None:
    scene = load_scene(WRITTEN / f"{name}.txt")
    scene.lines = [line._replace(within_s=LATER_S) if line.kind == "silence" else line for line in scene.lines]
    stage = SpokenStage(scene, tmp_path)
    moments = stage.play()
    as_meant(scene, moments, stage.spoken)
    check(scene, moments)


@pytest.mark.parametrize("name", INCIDENTS)
def test_the_incident_plays_as_written_with_sound(name: str, tmp_path: Path) -> None:
    scene = load_scenes(WRITTEN.parent / "incidents" / f"{name}.txt")[0]
    stage = SpokenStage(scene, tmp_path)
    moments = stage.play()
    as_meant(scene, moments, stage.spoken)
    check(scene, moments)
