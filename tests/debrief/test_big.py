"""The same answers on other engines: a review's SQL on Spark with two workers, hearing again on Dask with two."""

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from simulated import Plan, run
from typer.testing import CliRunner

from voicecoach.cli.main import main
from voicecoach.debrief.review.store import Store
from voicecoach.runtime.big import views

pytestmark = pytest.mark.long
JAVA = "-XX:TieredStopAtLevel=1 -XX:+UseSerialGC"
"""For a short run: no second compiler, no threads that collect garbage."""


def plain(value: Any) -> Any:
    """A value as both engines give it: whole numbers, rounded ones, texts."""
    if value is None or value != value:  # noqa: PLR0124  not a number
        return None
    if isinstance(value, bool):
        return value
    if hasattr(value, "isoformat"):
        return value.isoformat()[:19]
    try:
        return round(float(value), 6)
    except (TypeError, ValueError):
        return str(value)


@pytest.fixture(scope="module")
def spark() -> Iterator[Any]:
    pyspark = pytest.importorskip("pyspark.sql", reason="needs the packages of the extra 'big'")
    if shutil.which("java") is None:
        pytest.skip(reason="needs a Java runtime")
    session = (
        pyspark.SparkSession.builder.master("local-cluster[2,1,1024]")
        .config("spark.ui.enabled", "false")
        .config("spark.driver.bindAddress", "127.0.0.1")
        .config("spark.driver.host", "127.0.0.1")
        .config("spark.sql.shuffle.partitions", "2")
        .config("spark.sql.session.timeZone", "UTC")
        .config("spark.sql.codegen.wholeStage", "false")  # to compile takes longer than to count a few sessions
        .config("spark.driver.extraJavaOptions", JAVA)
        .config("spark.executor.extraJavaOptions", JAVA)
        .getOrCreate()
    )
    yield session
    session.stop()


def test_two_workers_of_spark_give_the_answers_of_duckdb(spark: Any, programme_folder: Path, tmp_path: Path) -> None:
    from voicecoach.runtime.big import spark_tables  # noqa: PLC0415

    with Store() as store:
        store.update([programme_folder])
        store.to_parquet(tmp_path / "out")
        tables = spark_tables(spark, tmp_path / "out")
        assert len(views()) >= 8
        for name, _ in views():
            here = store.rows(f"SELECT * FROM {name}")  # noqa: S608
            there = tables.table(name).to_pandas().to_dict("records")
            assert there, name
            mine = sorted(repr(sorted((k, plain(v)) for k, v in row.items())) for row in here)
            others = sorted(repr(sorted((k, plain(v)) for k, v in row.items())) for row in there)
            assert mine == others, name
        question = "SELECT wearer, count(*) AS n FROM sessions GROUP BY wearer"
        own = tables.sql(question, dialect="duckdb").to_pandas()
        assert {row["wearer"]: row["n"] for row in own.to_dict("records")} == {"W01": 4, "W02": 4}


def test_two_workers_of_dask_hear_sessions_again(tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed", reason="needs the packages of the extra 'big'")
    for number in range(2):
        run(Plan(protocol="short-practice", seed=number, slips=0.0, sound=True), tmp_path / "all" / f"s{number}")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
    ) as cluster:
        command = ["replay", str(tmp_path / "all"), "--hear", "phonemes", "--cluster", cluster.scheduler_address]
        far = CliRunner().invoke(main, command)
    near = CliRunner().invoke(main, ["replay", str(tmp_path / "all"), "--hear", "phonemes"])
    assert far.exit_code == 0, far.output
    assert far.output == near.output
    assert far.output.strip().endswith("2 sessions, 0 utterances, 0 heard differently")
