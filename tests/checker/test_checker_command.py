"""The command `check`: one verdict in every form, and the page of failure modes."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path
from typing import Any

import pytest
import yaml
from typer.testing import CliRunner

from voicecoach.cli.protocol import app
from voicecoach.protocol import include
from voicecoach.runtime import library

FORMS = ((), ("--full",), ("--rests",), ("--slips",), ("--repair",), ("--json",))


def run(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["check", *words])
    return result.exit_code, result.output


def spoiled(folder: Path, change: str) -> Path:
    """A file like the short practice with one thing wrong in it."""
    own, parts = include.split(library.load_protocol("short-practice")[1])
    root: dict[str, Any] = yaml.load(own, yaml.BaseLoader)  # noqa: S506
    undress = root["stages"]["undress"]
    rub = next(n for n, step in enumerate(undress) if any("disinfect" in act for act in step.get("acts", ())))
    off = next(n for n, step in enumerate(undress) if any("doff" in act for act in step.get("acts", ())))
    if change == "a rub left out":
        del undress[rub]
    elif change == "another thing said":
        undress[off]["say"] = "Wipe the sweat off your face now."
    elif change == "nothing after a pause":
        root["rejoin"] = ""
    file = folder / "spoiled.yaml"
    file.write_text(include.whole(yaml.safe_dump(root, sort_keys=False, allow_unicode=True), parts), encoding="utf-8")
    return file


@pytest.mark.parametrize("change", ["", "a rub left out", "another thing said"])
def test_text_and_json_and_exit_status_never_differ_in_the_verdict(tmp_path: Path, change: str) -> None:
    file = str(spoiled(tmp_path, change))
    answers = {form: run(file, *form) for form in FORMS}
    good = not change
    assert {status for status, _ in answers.values()} == {0 if good else 1}
    found = json.loads(answers["--json",][1])
    assert found["good"] is good
    assert bool(found["found"] or found["orders_broken"] or found["lacks"]) is not good
    assert answers[()][1].splitlines()[1].startswith("No contact route found" if good else "NOT GOOD")
    assert ("no contact route found" in answers["--full",][1]) is good


def test_the_page_of_failure_modes_has_every_slip_of_the_table_and_loads_nothing(tmp_path: Path) -> None:
    # columns: IEC 60812, failure mode, effect, severity, likelihood, detection [from memory]
    page, table = tmp_path / "slips.html", tmp_path / "slips.csv"
    status, _ = run("short-practice", "--html", str(page), "--csv", str(table))
    assert status == 0
    html = page.read_text(encoding="utf-8")
    rows = list(csv.DictReader(table.read_text(encoding="utf-8").splitlines()))
    assert len(rows) > 10
    assert len(re.findall(r"<tr><td", html)) == len(rows)
    for row in rows:
        assert f"<bdi>{row['step']}</bdi>" in html
        assert row["slip"] in html
    assert html.count("<svg") == 1
    assert "IEC 60812" in html
    assert not re.search(r"(src|href)=", html)
    assert '<h2 id="h-rests">' in html
    assert "otherwise" in html


def test_a_file_that_is_there_is_never_written_over(tmp_path: Path) -> None:
    page = tmp_path / "slips.html"
    page.write_text("mine", encoding="utf-8")
    status, _ = run("short-practice", "--html", str(page))
    assert status != 0
    assert page.read_text(encoding="utf-8") == "mine"


def test_neither_beliefs_nor_a_repair_wait_for_the_ranking(monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object, **__: object) -> None:
        raise AssertionError("the ranking was computed")

    monkeypatch.setattr("voicecoach.checker.rank.rank", never)
    for form in ("--rests", "--repair", "--full"):
        assert run("short-practice", form)[0] == 0
