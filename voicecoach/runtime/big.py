"""For data beyond one machine: a review's queries on Spark, and recognition of kept sound on a Dask cluster.

Both need the extra 'big'; Spark also needs a Java runtime. ibis translates the SQL of debrief/review/schema.sql for
Spark, and Dask sends each session to a worker.
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
from voicecoach.runtime.rehear import RecogniserChoice, Rehearing, rehear_folder

MEND = "python -m pip install 'voicecoach[big]'"
VIEW = re.compile(r"CREATE VIEW (\w+) AS\s+(.*?);\n", re.DOTALL)


def views() -> list[tuple[str, str]]:
    """A review's views as (name, DuckDB SQL), each after the views it selects from."""
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
        import ibis  # noqa: PLC0415 in the extra 'big' only
    except ImportError:
        raise InputError("ibis is not installed", where="Spark", mend=MEND) from None
    tables = ibis.pyspark.connect(spark)
    for name in EXPORTED:
        spark.read.parquet(f"{parquet}/{name}.parquet").createOrReplaceTempView(name)
    for name, query in views():
        tables.create_view(name, tables.sql(query, dialect="duckdb"), overwrite=True)
    return tables


def rehear_on_dask(
    folders: Iterable[Path], chosen: RecogniserChoice, address: str, key: bytes | None = None
) -> Iterator[Rehearing]:
    """Run the sound of many sessions through a recogniser on a Dask cluster; results are in the order of the folders.

    Args:
        folders: of sessions; the workers must be able to read them. chosen: the recogniser. address: of the cluster's
        scheduler. key: of encrypted records.

    Raises:
        InputError: Dask is not installed, or no scheduler answers.
    """
    try:
        from distributed import Client  # noqa: PLC0415 likewise
    except ImportError:
        raise InputError("dask.distributed is not installed", where="--cluster", mend=MEND) from None
    try:
        client: Any = Client(address, timeout=10)  # type: ignore[no-untyped-call, unused-ignore]
    except (OSError, ValueError) as error:
        what = f"the scheduler does not answer: {error}"
        raise InputError(what, where=f"--cluster {address}", expected="an address such as tcp://host:8786") from None
    with client:
        hear = partial(rehear_folder, chosen=chosen, key=key)
        waiting = client.map(hear, [str(folder) for folder in folders], pure=False)
        for one in waiting:
            yield one.result()
