import shutil
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from recorded import made_with, record, scene, wall
from simulated import BEGUN, Plan, run

__all__ = ["made_with", "record", "scene", "wall"]

SITE = """\
name: Simulated site
tell: Call the shift lead.
check-every-min: 30
refresher-days: 30
follow-up-days: [1, 21]
"""


@pytest.fixture(scope="session")
def programme_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Sessions that two wearers really ran, four each; one still owes the report of a breach. Only to be read."""
    root = tmp_path_factory.mktemp("programme")
    for number in range(8):
        attempt = number // 2 + 1
        plan = Plan(
            code=f"W{number % 2 + 1:02d}", attempt=attempt, protocol="short-practice", seed=number, slips=0.12,
            room=str(number % 2 + 1), begun=BEGUN + timedelta(days=20 * attempt), pair=number % 2 == 0, site=SITE,
        )  # fmt: skip
        if number == 5:
            plan = replace(plan, breach_at="practice-rub-hands", ends_at="report-exposure")
        run(plan, root / f"s{number}")
    return root


@pytest.fixture
def spoilt_folder(programme_folder: Path, tmp_path: Path) -> Path:
    """The same with folders beside that can't be read, or not whole."""
    root = tmp_path / "spoilt"
    shutil.copytree(programme_folder, root)
    (root / "s0" / "manifest.json").unlink()
    manifest = root / "s1" / "manifest.json"
    manifest.write_text(manifest.read_text().replace('"format": ', '"format": 9'))
    events = root / "s2" / "events.jsonl"
    events.write_bytes(events.read_bytes()[:-4000] + b"half a li")
    shutil.copytree(root / "s3", root / "same-again")
    (root / "holiday pictures").mkdir()
    (root / "away").symlink_to(programme_folder / "s4")
    return root
