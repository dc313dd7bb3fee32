"""The page of a review."""

import re
from datetime import date
from html import unescape
from pathlib import Path

from scipy.stats import spearmanr
from typer.testing import CliRunner

from voicecoach.cli.main import main
from voicecoach.debrief.review.page import html, review
from voicecoach.debrief.review.store import Store

TODAY = date(2026, 5, 1)


def test_the_page_says_what_is_owed_who_is_due_and_what_was_left_out(spoilt_folder: Path) -> None:
    with Store() as store:
        store.update([spoilt_folder])
        result = review(store, TODAY)
    page = unescape(html(result))
    assert "6 sessions, 2026-02-14 to 2026-03-26" in page
    assert "Breach called: neck" in page
    assert [(one["wearer"], one["due"]) for one in result.refreshers] == [("W01", "2026-04-25"), ("W02", "2026-04-25")]
    assert "6 days overdue" in page
    assert "does not hold a session" in page
    assert "is incomplete: manifest.json missing" in page


def test_a_refresher_s_interval_can_be_given(programme_folder: Path) -> None:
    with Store() as store:
        store.update([programme_folder])
        result = review(store, TODAY, 60)
    assert {one["say"] for one in result.refreshers} == {"in 24 days"}


def test_deviations_stand_beside_the_check_s_ranking(programme_folder: Path) -> None:
    with Store() as store:
        store.update([programme_folder])
        (table,) = review(store, TODAY).deviations
        rows = store.rows("SELECT wrong / readings AS often, weight FROM deviations WHERE readings >= 5")
    wanted = spearmanr([row["often"] for row in rows], [row["weight"] for row in rows]).statistic
    said = float(re.findall(r"correlation over all \d+ steps ([+-]\d\.\d\d)", table["say"])[0])
    assert abs(said - wanted) < 0.006
    assert min(row["weight_place"] for row in table["rows"]) >= 1
    assert [row["place"] for row in table["rows"]] == sorted(row["place"] for row in table["rows"])


def test_a_learning_curve_for_each_wearer(programme_folder: Path) -> None:
    with Store() as store:
        store.update([programme_folder])
        result = review(store, TODAY)
    assert [one["wearer"] for one in result.curves] == ["W01", "W02"]
    assert all("each doubling of practice" in one["say"] and "polygon" in one["chart"] for one in result.curves)


def test_incidents_only_leaves_out_all_else(programme_folder: Path, tmp_path: Path) -> None:
    page = tmp_path / "review.html"
    command = ["review", str(programme_folder), "--database", str(tmp_path / "r.duckdb"), "--html", str(page)]
    assert CliRunner().invoke(main, [*command, "--incidents-only"]).exit_code == 0
    result = page.read_text(encoding="utf-8")
    assert "Incidents owed" in result
    assert "Refreshers" not in result
    assert "Learning" not in result
