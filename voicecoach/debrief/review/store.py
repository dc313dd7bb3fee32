"""The database of a review, in DuckDB; no other module uses it."""

from __future__ import annotations

import errno
import json
import tempfile
from collections.abc import Callable, Iterable, Sequence
from importlib import resources
from pathlib import Path
from typing import Any, Self

import duckdb

from voicecoach.debrief.review.gather import FolderResult, RecordFolder, find, read_all
from voicecoach.errors import InputError

VERSION = "3"
"""Version of the tables; a database of another version is built again."""
SESSION_TABLES = ("sessions", "steps", "rubs", "incidents", "words", "notes", "events")
EXPORTED = (*SESSION_TABLES, "weights", "folders")
OF_INCIDENTS = ("sessions", "incidents", "folders")
READING = {duckdb.StatementType.SELECT, duckdb.StatementType.EXPLAIN}


class Store:
    """The records of some folders as tables and views, which schema.sql describes.

    Args:
        path: the database's file, created if it is missing; None for one in memory.
    """

    def __init__(self, path: Path | None = None) -> None:
        self.path = path
        try:
            self._db = self._open(path)
        except (duckdb.Error, OSError) as error:
            what = f"cannot be opened: {_line(error)}"
            raise InputError(what, where=str(path), expected="a review's database, or a new file") from None

    def _open(self, path: Path | None) -> duckdb.DuckDBPyConnection:
        if path is None:
            db = duckdb.connect(":memory:")
        else:
            path.parent.mkdir(parents=True, exist_ok=True)
            if path.exists() and not path.is_file():
                raise OSError(errno.EINVAL, "it is a folder, a pipe or a device")
            db = duckdb.connect(str(path))
        db.execute("SET preserve_insertion_order = false")
        db.execute("CREATE TABLE IF NOT EXISTS about (version VARCHAR)")
        versions = [row[0] for row in db.execute("SELECT version FROM about").fetchall()]
        if versions != [VERSION]:
            if versions:
                _drop(db)
            schema = (resources.files("voicecoach") / "debrief" / "review" / "schema.sql").read_text(encoding="utf-8")
            db.execute(schema)
            db.execute("INSERT INTO about VALUES (?)", [VERSION])
        return db

    def __enter__(self) -> Self:
        """This store."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the database."""
        self._db.close()

    def update(
        self, roots: Iterable[Path], on_progress: Callable[[int, int], None] | None = None, key: bytes | None = None
    ) -> int:
        """Bring the tables up to date with the records below `roots`; only new or changed ones are read.

        Args:
            roots: folders. on_progress: called with the number read and the total. key: of encrypted records.

        Returns:
            How many records were read.

        Raises:
            InputError: a root is not a folder.
        """
        found = find(roots)
        known = dict(self._db.execute("SELECT path, stamp FROM folders").fetchall())
        there = {one.path: one.stamp for one in found}
        gone = [path for path, stamp in known.items() if there.get(path) != stamp]
        fresh = [one for one in found if known.get(one.path) != one.stamp]
        if gone:
            self._forget(gone)
        if fresh:
            self._take(fresh, on_progress, key)
        return len(fresh)

    def _forget(self, paths: Sequence[str]) -> None:
        self._db.execute("BEGIN")
        for table in SESSION_TABLES:
            self._db.execute(
                f"DELETE FROM {table} WHERE session IN "  # noqa: S608  our own names
                "(SELECT session FROM folders WHERE path IN (SELECT unnest(?)) AND session <> '')",
                [list(paths)],
            )
        self._db.execute("DELETE FROM folders WHERE path IN (SELECT unnest(?))", [list(paths)])
        self._db.execute("COMMIT")

    def _take(
        self, fresh: Sequence[RecordFolder], on_progress: Callable[[int, int], None] | None, key: bytes | None
    ) -> None:
        db = self._db
        with tempfile.TemporaryDirectory(prefix="voicecoach-review-") as temp:
            target = Path(temp)
            results = list(read_all([one for one in fresh if not one.reason], target, on_progress, key))
            results += [FolderResult(one.path, one.stamp, "", one.reason) for one in fresh if one.reason]
            db.execute("BEGIN")
            known = dict(db.execute("SELECT session, path FROM folders WHERE session <> ''").fetchall())
            copies = []
            lines = []
            for one in sorted(results, key=lambda one: one.path):
                session, reason = one.session, one.reason
                if session and session in known:
                    copies.append((session, known[session]))
                    session, reason = "", f"is the same session as {known[session]}"
                elif session:
                    known[session] = one.path
                lines.append(json.dumps({"path": one.path, "session": session, "reason": reason, "stamp": one.stamp}))
            (target / "folders-0.json").write_text("\n".join(lines) + "\n", encoding="utf-8")
            for table in EXPORTED:
                self._load(table, target)
            for session, path in copies:  # their rows were loaded a second time
                self._keep_one(session, path)
            db.execute("COMMIT")

    def _load(self, table: str, folder: Path) -> None:
        if not any(folder.glob(f"{table}-*.json")):
            return
        columns = self._db.execute(
            "SELECT column_name, data_type FROM duckdb_columns() WHERE table_name = ? ORDER BY column_index", [table]
        ).fetchall()
        spec = ", ".join(f"'{name}': '{kind}'" for name, kind in columns)
        once, keep = ("DISTINCT ON (protocol, step)", "OR IGNORE") if table == "weights" else ("", "")
        self._db.execute(
            f"INSERT {keep} INTO {table} SELECT {once} * FROM "  # noqa: S608  our own names
            f"read_json(?, format = 'newline_delimited', columns = {{{spec}}})",
            [str(folder / f"{table}-*.json")],
        )

    def _keep_one(self, session: str, path: str) -> None:
        self._db.execute("DELETE FROM sessions WHERE session = ? AND path <> ?", [session, path])
        for table in SESSION_TABLES[1:]:
            self._db.execute(
                f"CREATE OR REPLACE TEMP TABLE once AS SELECT DISTINCT * FROM {table} WHERE session = ?",  # noqa: S608  our own names
                [session],
            )
            self._db.execute(f"DELETE FROM {table} WHERE session = ?", [session])  # noqa: S608  our own names
            self._db.execute(f"INSERT INTO {table} SELECT * FROM once")  # noqa: S608  our own names

    def rows(self, query: str, values: Sequence[Any] = ()) -> list[dict[str, Any]]:
        """The rows of one of our own queries, each as column -> value."""
        done = self._db.execute(query, list(values))
        names = [column[0] for column in done.description or ()]
        return [dict(zip(names, row, strict=True)) for row in done.fetchall()]

    def ask(self, query: str) -> tuple[list[str], list[tuple[Any, ...]]]:
        """Run a person's own query, which can only read the tables; returns column names and rows.

        Raises:
            InputError: the query is not allowed, or wrong.
        """
        wanted = "one SELECT over the tables and views that --tables lists"
        try:
            self._db.execute("SET enable_external_access = false")
            statements = self._db.extract_statements(query)
            if len(statements) != 1 or statements[0].type not in READING:
                raise InputError("is not a single query", where="--sql", expected=wanted)
            done = self._db.execute(statements[0])
            return [column[0] for column in done.description or ()], done.fetchall()
        except duckdb.Error as error:
            raise InputError(_line(error), where="--sql", expected=wanted) from None

    def describe(self) -> list[dict[str, Any]]:
        """Every table and view: name, columns with their types, and description."""
        return self.rows(
            """SELECT c.table_name AS name,
                string_agg(c.column_name || ' ' || lower(c.data_type), ', ' ORDER BY c.column_index) AS columns,
                coalesce(any_value(t.comment), any_value(v.comment), '') AS about
            FROM duckdb_columns() c LEFT JOIN duckdb_tables() t USING (table_name)
                LEFT JOIN duckdb_views() v ON v.view_name = c.table_name AND NOT v.internal
            WHERE NOT c.internal AND c.table_name <> 'about' GROUP BY c.table_name ORDER BY c.table_name"""
        )

    def to_parquet(self, folder: Path, *, incidents_only: bool = False) -> tuple[Path, ...]:
        """Write each table (or only sessions, incidents and folders) as a Parquet file; returns the files' paths.

        Raises:
            InputError: the folder cannot be written.
        """
        try:
            folder.mkdir(parents=True, exist_ok=True)
            paths = []
            for table in OF_INCIDENTS if incidents_only else EXPORTED:
                path = folder / f"{table}.parquet"
                self._db.execute(f"COPY {table} TO '{_quoted(path)}' (FORMAT parquet, COMPRESSION zstd)")
                paths.append(path)
        except (OSError, duckdb.Error) as error:
            raise InputError(f"cannot be written: {_line(error)}", where=str(folder)) from None
        return tuple(paths)


def _drop(db: duckdb.DuckDBPyConnection) -> None:
    for kind, name in db.execute(
        "SELECT 'VIEW', view_name FROM duckdb_views() WHERE NOT internal UNION ALL SELECT 'TABLE', table_name FROM "
        "duckdb_tables() WHERE NOT internal"
    ).fetchall():
        db.execute(f'DROP {kind} IF EXISTS "{name}"')
    db.execute("CREATE TABLE about (version VARCHAR)")


def _quoted(path: Path) -> str:
    return str(path).replace("'", "''")


def _line(error: Exception) -> str:
    return " ".join(str(getattr(error, "strerror", None) or error).split())
