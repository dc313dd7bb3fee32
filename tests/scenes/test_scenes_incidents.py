"""Every incident of CONVERSATION rules 26 to 37 as a text that a practitioner can check, in two protocols each.

d: a danger, numbered; s: a place where somebody would be left without a way on. Here they are played by the machine
alone; with the true loop, and four of them as sound, in the long tests.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from quick import Quick
from scene import SITE, Scene, check, load_scenes
from typer.testing import CliRunner

from voicecoach.cli.main import main

FOLDER = Path(__file__).parent / "incidents"
SCENES = [scene for path in sorted(FOLDER.glob("*.txt")) for scene in load_scenes(path)]
IDS = [f"{scene.name}-{scene.protocol}" for scene in SCENES]
EACH = pytest.mark.parametrize("scene", SCENES, ids=IDS)


@EACH
def test_the_incident_plays_as_written(scene: Scene) -> None:
    check(scene, Quick(scene).play())


def test_each_danger_and_each_stranding_is_played_in_two_protocols() -> None:
    """The ambulance's tied partner is a thing of that protocol alone."""
    of: dict[str, set[str]] = {}
    for scene in SCENES:
        of.setdefault(scene.name.split("-")[0], set()).add(scene.protocol)
    assert set(of) == {*(f"d{number:02}" for number in range(1, 11)), *(f"s{number}" for number in range(1, 8))}
    assert min(len(protocols) for protocols in of.values()) >= 2


TYPED = ("d02-eyes-touched-n95-gown", "d01-no-air-in-removal-papr-gown")
TYPEABLE = [scene for scene in SCENES if not {"quiet", "cut"} & {line.kind for line in scene.lines}]
"""A script waits for the coach, so that a silence that the coach breaks cannot be typed; nor can a kill."""
NAMES = list(dict.fromkeys(scene.name for scene in TYPEABLE))
IN_TURN = [
    f"{name}-{of[place % len(of)]}"
    for place, name in enumerate(NAMES)
    if (of := [scene.protocol for scene in TYPEABLE if scene.name == name])
]
"""Each incident in one of its protocols, in turn, so that every protocol is among them."""
SITE_FILE = "name: a ward\neyewash: {}\ntell: {}\nflush-eyes: {}\n"
KEPT = {"breach", "exposure", "paid", "not-confirmed", "alarm", "end"}
"""Notes that do not depend on how long a prompt lasts."""


@pytest.mark.parametrize(
    "name", [*TYPED, *(pytest.param(name, marks=pytest.mark.long) for name in IN_TURN if name not in TYPED)]
)
def test_run_typed_plays_the_incident_as_well(name: str, tmp_path: Path) -> None:
    """The same texts as scripts, through the command and its loop: the same is on record there."""
    scene = SCENES[IDS.index(name)]
    quick = Quick(scene)
    quick.play()
    script = tmp_path / "script.txt"
    script.write_text("\n".join(quick.script), encoding="utf-8")
    pair = ["--pair", "--channels", "2"] if scene.people.startswith("with") else []
    site = tmp_path / "site.yaml"
    eyes = "at-once" if scene.site.eyes_at_once else "at-exit"
    site.write_text(SITE_FILE.format(SITE.eyewash, SITE.tell, eyes), encoding="utf-8")
    arguments = ["--typed", str(script), "--site", str(site), "--out", str(tmp_path / "out")]
    made = CliRunner().invoke(main, ["run", scene.protocol, *pair, *arguments])
    assert made.exit_code in {0, 1}, made.output
    (events,) = (tmp_path / "out").glob("*/events.jsonl")
    lines = [json.loads(line) for line in events.read_text(encoding="utf-8").splitlines()]
    played = [(line["what"], dict(line["details"])) for line in lines if line.get("effect") == "note"]
    here = [(moment.text, moment.details) for moment in quick.session.moments if moment.kind == "note"]
    assert [note for note in played if note[0] in KEPT] == [note for note in here if note[0] in KEPT]
