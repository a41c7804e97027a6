"""The one place where SQL runs: steps are files under ``sql/`` whose header declares what they read and make."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import TracebackType
from typing import ClassVar

import duckdb
import polars as pl
import pyarrow.dataset

from pipeline.errors import RESTORE, ConfigError, QueryError
from pipeline.settings import PROJECT
from pipeline.tables import Table, table

SQL = PROJECT / "sql"
_FIELDS = ("table", "grain", "reads", "params", "note")
_LIMIT = re.compile(r"\bparams\.(\w+)")


@dataclass(frozen=True)
class Step:
    """One SQL file: the table it makes, the tables it reads, the limits it uses and its text."""

    path: Path
    table: str
    grain: str
    reads: tuple[str, ...]
    params: tuple[str, ...]
    note: str
    text: str


@cache
def step(name: str) -> Step:
    """A step by file name without ``.sql``, such as ``10_trips`` or ``checks/keys``.

    Raises:
        ConfigError: the file is missing or its header is incomplete.
    """
    path = SQL / f"{name}.sql"
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise ConfigError(f"sql/{name}.sql: no such step") from error
    header: dict[str, str] = {}
    field = ""
    for line in text.splitlines():
        if not line.startswith("--"):
            break
        content = line[2:].strip()
        label, colon, rest = content.partition(":")
        if colon and label in _FIELDS:
            field = label
            header[field] = rest.strip()
        elif field:
            header[field] += " " + content
    missing = [label for label in _FIELDS if label not in header]
    if missing:
        raise ConfigError(f"sql/{name}.sql: the header lacks {', '.join(missing)}")

    def names(label: str) -> tuple[str, ...]:
        return tuple(part.strip() for part in header[label].split(",") if part.strip())

    return Step(
        path=path,
        table=header["table"],
        grain=header["grain"],
        reads=names("reads"),
        params=names("params"),
        note=header["note"],
        text=text,
    )


class Session:
    """A private in-memory engine: attach inputs, run steps in order, fetch what they made.

    Times are UTC; nothing outside the process is reachable but the files attached.
    """

    _checked: ClassVar[set[Step]] = set()

    def __init__(self, params: dict[str, float], threads: int = 2, memory_limit_mb: int = 2000) -> None:
        self._params = params
        self._words: dict[str, pl.Enum] = {}
        self._connection = duckdb.connect(config={"threads": str(threads), "memory_limit": f"{memory_limit_mb}MB"})
        self._connection.execute("set TimeZone = 'UTC'")
        # It would gather every column of a table that a step reads twice; reading it twice is cheaper.
        self._connection.execute("set disabled_optimizers = 'common_subplan'")
        self._connection.execute((SQL / "lib" / "macros.sql").read_text(encoding="utf-8"))

    def __enter__(self) -> Session:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._connection.close()

    def attach(self, name: str, frame: pl.DataFrame) -> None:
        """Make a frame readable under a table name; a frame attached before under that name is replaced.

        A column of the type ``pl.Enum`` is held as the place of each word, a small number to compare and group by. Under
        its name the same goes for every frame attached later, of which only rows with a known word are held; :meth:`fetch`
        puts the words back.
        """
        self._words |= {column: kind for column, kind in frame.schema.items() if isinstance(kind, pl.Enum)}
        for column, kind in self._words.items():
            if column in frame.columns:
                frame = frame.with_columns(pl.col(column).cast(kind, strict=False).to_physical()).drop_nulls(column)
        self._connection.register(name, frame.to_arrow())

    def detach(self, name: str) -> None:
        """Let go of a frame that no later step reads."""
        self._connection.unregister(name)

    def attach_files(self, name: str, uris: list[str]) -> None:
        """Make the Parquet files of a declared table readable under its name, partition columns included."""
        declared = table(name)
        if not uris:
            self.attach(name, declared.empty())
            return
        try:
            relation = self._connection.read_parquet(uris, hive_partitioning=True, union_by_name=True)
            _declared(relation, declared).create_view(name, replace=True)
        except duckdb.Error as error:
            raise QueryError(f"the files of table {name!r} cannot be read: {error}{_advice(name)}") from error

    def attach_dataset(self, name: str, dataset: pyarrow.dataset.Dataset) -> None:
        """Make a declared table readable under its name from files that the engine cannot reach by itself.

        They are read anew, bit by bit, by every query; nothing is gathered.
        """
        declared = table(name)
        try:
            self._connection.register(f"{name}_elsewhere", dataset)
            _declared(self._connection.table(f"{name}_elsewhere"), declared).create_view(name, replace=True)
        except duckdb.Error as error:
            raise QueryError(f"the files of table {name!r} cannot be read: {error}{_advice(name)}") from error

    def run(self, name: str) -> None:
        """Run one step and keep its result under the step's table name, or its text where the table is a view.

        Raises:
            QueryError: the engine refuses the step, or its columns are not those of ``tables.toml``.
        """
        made = step(name)
        text = self._text(made)
        kind = "view" if table(made.table).view else "table"
        try:
            self._connection.execute(f"create or replace temp {kind} {made.table} as {text}")
        except duckdb.Error as error:
            raise QueryError(f"{made.path.name}: {error}") from error
        # Columns come out of the text, not out of the rows: once is enough, and a view would be planned anew for it.
        if made not in self._checked:
            self._check(made, table(made.table))
            self._checked.add(made)

    def offenders(self, name: str) -> pl.DataFrame:
        """Rows returned by a data check: none means that it passes."""
        made = step(name)
        text = self._text(made)
        try:
            return self._connection.sql(text).pl()
        except duckdb.Error as error:
            raise QueryError(f"{made.path.name}: {error}") from error

    def fetch(self, name: str) -> pl.DataFrame:
        """The rows of a table in declared column order, types and sort order.

        Raises:
            QueryError: the table is a view, and the engine refuses it.
        """
        declared = table(name)
        try:
            frame = self._connection.table(name).pl()
        except duckdb.Error as error:
            raise QueryError(f"table {name!r}: {error}") from error
        told = [pl.col(column).cat.to(kind) for column, kind in self._words.items() if column in frame.columns]
        return frame.with_columns(told).select(pl.col(c).cast(spec.type) for c, spec in declared.columns.items()).sort(
            list(declared.sort)
        )

    def _text(self, made: Step) -> str:
        """The step with its limits written in as numbers: the engine then plans with constants, and a misspelt limit
        is an error, not a silent null.
        """
        unknown = [name for name in made.params if name not in self._params]
        if unknown:
            raise ConfigError(f"{made.path.name}: limits.toml [qualify] lacks {', '.join(unknown)}")

        def number(found: re.Match[str]) -> str:
            if found[1] not in made.params:
                raise QueryError(f"{made.path.name}: params.{found[1]} is not in its header")
            return f"cast({self._params[found[1]]!r} as double)"

        return _LIMIT.sub(number, made.text)

    def _check(self, made: Step, declared: Table) -> None:
        found = self._connection.table(made.table).columns
        expected = list(declared.columns)
        if sorted(found) != sorted(expected):
            missing = sorted(set(expected) - set(found))
            surplus = sorted(set(found) - set(expected))
            raise QueryError(f"{made.path.name}: lacks {missing}, has undeclared {surplus}")


def _advice(name: str) -> str:
    return f"; {RESTORE}" if name == "readings" else ""


def _declared(relation: duckdb.DuckDBPyRelation, declared: Table) -> duckdb.DuckDBPyRelation:
    """The relation in declared columns and types; a column that it lacks is null."""
    present = set(relation.columns)
    return relation.project(
        ", ".join(_typed(column, spec.type, column in present) for column, spec in declared.columns.items())
    )


def _typed(column: str, kind: pl.DataType, present: bool) -> str:
    engine = {
        pl.String: "varchar",
        pl.Date: "date",
        pl.Int32: "integer",
        pl.Int64: "bigint",
        pl.Float32: "float",
        pl.Float64: "double",
        pl.Boolean: "boolean",
    }.get(kind.base_type(), "timestamptz")
    source = f'"{column}"' if present else "null"
    return f'cast({source} as {engine}) as "{column}"'
