"""For more than one machine can hold: a review's queries on Spark, and hearing again on a Dask cluster.

Both need the extra 'big', and Spark a Java runtime. ibis translates the SQL of debrief/review/schema.sql for Spark, and
Dask sends each session to a worker.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from functools import partial
from importlib import resources
from pathlib import Path
from typing import Any

from voicecoach.debrief.review.store import EXPORTED
from voicecoach.errors import InputError
from voicecoach.runtime.rehear import Ear, Rehearing, rehear_folder

MEND = "python -m pip install 'voicecoach[big]'"
VIEW = re.compile(r"CREATE VIEW (\w+) AS\s+(.*?);\n", re.DOTALL)


def views() -> list[tuple[str, str]]:
    """A review's views as (name, DuckDB SQL), each after those that it selects from."""
    schema = (resources.files("voicecoach") / "debrief" / "review" / "schema.sql").read_text(encoding="utf-8")
    return VIEW.findall(schema)


def spark_tables(spark: Any, parquet: Path | str) -> Any:
    """The tables and views of a review on Spark, from the Parquet files that `voicecoach review --parquet` wrote.

    Args:
        spark: a SparkSession. parquet: the folder, or an address that the cluster can read.

    Returns:
        An ibis backend: `.table("deviations").to_pandas()`, or `.sql(query, dialect="duckdb")`.

    Raises:
        InputError: ibis is not installed.
    """
    try:
        import ibis  # noqa: PLC0415
    except ImportError:
        raise InputError("ibis is not installed", where="Spark", mend=MEND) from None
    tables = ibis.pyspark.connect(spark)
    for name in EXPORTED:
        spark.read.parquet(f"{parquet}/{name}.parquet").createOrReplaceTempView(name)
    for name, query in views():
        tables.create_view(name, tables.sql(query, dialect="duckdb"), overwrite=True)
    return tables


def rehear_on_dask(folders: Iterable[Path], chosen: Ear, address: str, key: bytes | None = None) -> Iterator[Rehearing]:
    """Hear many sessions again on a Dask cluster, whose workers can read the folders; results in their order.

    Args:
        folders: of sessions. chosen: which ear. address: of the cluster's scheduler. key: of encrypted records.

    Raises:
        InputError: Dask is not installed, or no scheduler answers.
    """
    try:
        from distributed import Client  # noqa: PLC0415
    except ImportError:
        raise InputError("dask.distributed is not installed", where="--cluster", mend=MEND) from None
    try:
        client: Any = Client(address, timeout=10)  # type: ignore[no-untyped-call, unused-ignore]
    except (OSError, ValueError) as error:
        what = f"no scheduler answers: {error}"
        raise InputError(what, where=f"--cluster {address}", expected="such as tcp://host:8786") from None
    with client:
        hear = partial(rehear_folder, chosen=chosen, key=key)
        waiting = client.map(hear, [str(folder) for folder in folders], pure=False)
        for one in waiting:
            yield one.result()
