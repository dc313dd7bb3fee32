"""The tables of a review, against a second computation in plain Python over the same records."""

import csv
import io
import json
import os
import statistics
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pyarrow.parquet
import pytest
from typer.testing import CliRunner

from voicecoach.cli.main import main
from voicecoach.debrief.review.rows import rows
from voicecoach.debrief.review.store import EXPORTED, SESSION_TABLES, Store
from voicecoach.errors import InputError
from voicecoach.record.read import Session, read
from voicecoach.session.events import Heard


@pytest.fixture(scope="module")
def sessions(programme_folder: Path) -> list[Session]:
    return [read(path) for path in sorted(programme_folder.iterdir()) if not path.name.startswith(".")]


@pytest.fixture(scope="module")
def store(programme_folder: Path) -> Iterator[Store]:
    with Store() as made:
        assert made.update([programme_folder]) == 8
        yield made


def details(session: Session, what: str) -> list[dict[str, str]]:
    """The particulars of the notes of a kind, straight from the lines."""
    return [dict(line.data["details"]) for line in session.notes if line.data["what"] == what]


def test_every_session_has_a_row_with_what_its_record_says(store: Store, sessions: list[Session]) -> None:
    rows = {row["path"]: row for row in store.rows("SELECT * FROM sessions")}
    assert set(rows) == {str(session.folder) for session in sessions}
    for session in sessions:
        row = rows[str(session.folder)]
        assert row["wearer"] == session.manifest.people["wearer"]
        assert row["begun"].isoformat(timespec="milliseconds") + "Z" == session.manifest.begun
        (worn,) = details(session, "wear-time")
        assert row["worn_s"] == float(worn["seconds"])
        steps = {told["step"] for told in details(session, "step-confirmed")}
        assert {
            r["step"]
            for r in store.rows("SELECT step FROM steps WHERE session = ? AND outcome = 'confirmed'", [row["session"]])
        } == steps


def test_words_and_notes_are_all_there(store: Store, sessions: list[Session]) -> None:
    heard = [event for session in sessions for event in session.events if isinstance(event, Heard)]
    assert store.rows("SELECT count(*) AS n, count(*) FILTER (NOT taken) AS refused FROM words") == [
        {"n": len(heard), "refused": sum(event.command is None for event in heard)}
    ]
    notes = Counter(line.data["what"] for session in sessions for line in session.notes)
    counted = store.rows("SELECT what, count(*) AS n FROM notes GROUP BY what")
    assert {row["what"]: row["n"] for row in counted} == dict(notes)


def test_every_event_is_a_row_and_every_table_has_its_rows(store: Store, sessions: list[Session]) -> None:
    for session in sessions:
        made = rows(session, "s")
        assert tuple(made) == SESSION_TABLES
        asked = "SELECT line, event, details FROM events JOIN sessions USING (session) WHERE path = ? ORDER BY line"
        found = store.rows(asked, [str(session.folder)])
        lines = [line for line in session.lines if line.event is not None]
        assert [(row["line"], row["event"]) for row in found] == [(line.seq, line.data["event"]) for line in lines]
        details = json.loads(found[-1]["details"])
        assert {name: lines[-1].data[name] for name in details} == details


def test_rubs_cut_short_are_those_whose_end_was_never_called(store: Store, sessions: list[Session]) -> None:
    begun = sum(len(details(session, "time-started")) for session in sessions)
    over = sum(len(details(session, "time-up")) for session in sessions)
    (row,) = store.rows("SELECT sum(rubs)::INT AS rubs, sum(cut_short)::INT AS cut FROM rubs_cut")
    assert row == {"rubs": begun, "cut": begun - over}
    assert row["cut"] > 0


def test_attempts_are_numbered_for_each_wearer_and_protocol(store: Store) -> None:
    rows = store.rows("SELECT wearer, attempt, begun FROM attempts ORDER BY wearer, begun")
    assert [(row["wearer"], row["attempt"]) for row in rows] == [(w, n) for w in ("W01", "W02") for n in (1, 2, 3, 4)]


def test_the_median_time_of_a_step_is_that_of_its_readings(store: Store, sessions: list[Session]) -> None:
    took = []
    for session in sessions:
        begun = 0.0
        for line in session.notes:
            noted = dict(line.data["details"])
            if line.data["what"] == "step":
                begun = line.at_s
            elif line.data["what"] == "step-confirmed" and noted["step"] == "practice-gown-on":
                took.append(line.at_s - begun)
    rows = store.rows("SELECT median_s, times FROM step_times WHERE step = 'practice-gown-on'")
    assert sum(row["times"] for row in rows) == len(took)
    (every,) = store.rows(
        "SELECT median(took_s) AS m FROM steps WHERE step = 'practice-gown-on' AND outcome = 'confirmed'"
    )
    assert every["m"] == pytest.approx(statistics.median(took), abs=0.002)


def test_months_are_counted_as_pandas_counts_them(store: Store, sessions: list[Session]) -> None:
    begun = pd.Series(pd.to_datetime([session.manifest.begun for session in sessions]))
    wanted = begun.dt.strftime("%Y-%m").value_counts().to_dict()
    assert {row["month"]: row["sessions"] for row in store.rows("SELECT * FROM months")} == wanted


def test_words_not_taken_are_counted_by_room_mask_and_voice(store: Store, sessions: list[Session]) -> None:
    said: Counter[str] = Counter()
    for session in sessions:
        for event in session.events:
            if isinstance(event, Heard):
                said[session.manifest.room] += 1
    rows = {(row["kind"], row["value"]): row for row in store.rows("SELECT * FROM unheard")}
    assert {value: rows["room", value]["said"] for value in said} == dict(said)
    assert rows["mask", "mask"]["said"] == sum(said.values())
    assert {value for kind, value in rows if kind == "voice"} == {"W01", "W02", "T1"}


def test_an_exposure_owes_a_wash_and_a_report_until_the_record_says_each_was_done(
    store: Store, sessions: list[Session]
) -> None:
    exposed = [session for session in sessions if details(session, "exposure")]
    assert exposed
    for session in exposed:
        rows = store.rows(
            "SELECT owed, paid FROM incidents JOIN sessions USING (session) WHERE path = ? AND owed || paid <> ''",
            [str(session.folder)],
        )
        for row in rows:
            assert sorted(filter(None, f"{row['owed']}, {row['paid']}".split(", "))) == ["report", "wash"]
        last = details(session, "owed")[-1]["what"]
        left = sorted({debt for row in rows for debt in filter(None, row["owed"].split(", "))})
        assert left == ([] if last.startswith("nothing") else sorted(last.split(", ")))
        listed = store.rows("SELECT owed FROM owed WHERE path = ?", [str(session.folder)])
        assert len(listed) == sum(bool(row["owed"]) for row in rows)


def test_only_what_is_new_or_changed_is_read_again(programme_folder: Path, tmp_path: Path) -> None:
    import shutil  # noqa: PLC0415

    root = tmp_path / "copy"
    shutil.copytree(programme_folder, root)
    database = tmp_path / "review.duckdb"
    with Store(database) as store:
        assert store.update([root]) == 8
    with Store(database) as store:
        assert store.update([root]) == 0
        shutil.rmtree(root / "s7")
        with (root / "s6" / "events.jsonl").open("ab") as file:
            file.write(b"half")
        assert store.update([root]) == 1
        assert len(store.rows("SELECT * FROM sessions")) == 7
        assert store.rows("SELECT count(DISTINCT session) AS n FROM notes") == [{"n": 7}]


def test_folders_that_are_damaged_or_foreign_are_listed_with_the_reason(spoilt_folder: Path) -> None:
    with Store() as store:
        store.update([spoilt_folder])
        reasons = {Path(row["path"]).name: row["reason"] for row in store.rows("SELECT * FROM folders")}
        sessions = store.rows("SELECT path FROM sessions")
        doubled = store.rows("SELECT session, number, count(*) AS n FROM steps GROUP BY ALL HAVING count(*) > 1")
    assert reasons["s0"] == "is incomplete: manifest.json missing"
    assert "has format" in reasons["s1"]
    assert "is unfinished" in reasons["s2"]
    assert reasons["same-again"] == "" or "is the same session as" in reasons["same-again"] + reasons["s3"]
    assert reasons["holiday pictures"] == "does not hold a session"
    assert reasons["away"] == "is a link, which is not followed"
    assert reasons["s4"] == ""
    assert {Path(row["path"]).name for row in sessions} >= {"s2", "s4", "s5", "s6", "s7"}
    assert len(sessions) == 6
    assert doubled == []


def test_parquet_files_hold_the_same_rows(store: Store, tmp_path: Path) -> None:
    paths = store.to_parquet(tmp_path / "out")
    assert [path.stem for path in paths] == list(EXPORTED)
    for path in paths:
        table = pyarrow.parquet.read_table(path)
        (row,) = store.rows(f"SELECT count(*) AS n FROM {path.stem}")  # noqa: S608
        assert table.num_rows == row["n"]


def test_a_question_of_ones_own_is_answered_as_csv(programme_folder: Path, tmp_path: Path) -> None:
    command = ["review", str(programme_folder), "--database", str(tmp_path / "r.duckdb")]
    done = CliRunner().invoke(
        main, [*command, "--sql", "SELECT wearer, count(*) AS n FROM sessions GROUP BY 1 ORDER BY 1"]
    )
    assert list(csv.reader(io.StringIO(done.stdout))) == [["wearer", "n"], ["W01", "4"], ["W02", "4"]]
    listed = CliRunner().invoke(main, [*command, "--tables"])
    assert "sessions: One row for each session that could be read" in listed.output


@pytest.mark.parametrize(
    "query",
    [
        "DROP TABLE sessions",
        "SELECT 1; SELECT 2",
        "SELECT * FROM read_csv('/etc/passwd')",
        "COPY sessions TO 'x.csv'",
        "SELECT nothing FROM nowhere",
        "ATTACH 'x.duckdb'",
        "",
    ],
)
def test_a_question_that_writes_or_reads_elsewhere_is_refused(query: str) -> None:
    with Store() as store, pytest.raises(InputError, match="--sql"):
        store.ask(query)


def test_what_is_not_a_folder_and_what_is_not_a_database_are_reported(tmp_path: Path) -> None:
    with Store() as store, pytest.raises(InputError, match="is not a folder"):
        store.update([tmp_path / "nowhere"])
    (tmp_path / "x.duckdb").write_text("not a database")
    with pytest.raises(InputError, match="cannot be opened"):
        Store(tmp_path / "x.duckdb")
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe")
        with pytest.raises(InputError, match="is a folder, a pipe or a device"):
            Store(tmp_path / "pipe")


def test_an_empty_folder_gives_an_empty_review(tmp_path: Path) -> None:
    done = CliRunner().invoke(main, ["review", str(tmp_path), "--database", str(tmp_path / "r.duckdb")])
    assert done.exit_code == 0, done.output
    assert "0 sessions" in done.output
