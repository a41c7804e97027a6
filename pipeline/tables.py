"""Table declarations: polars schemas, empty frames and validation, all from ``config/tables.toml``."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache

import polars as pl

from pipeline.errors import ConfigError, SchemaError, UnfitError
from pipeline.settings import CONFIG
from pipeline.signals import signals

_TYPES = {
    "text": pl.String,
    "time": pl.Datetime("us", "UTC"),
    "date": pl.Date,
    "int32": pl.Int32,
    "int64": pl.Int64,
    "float32": pl.Float32,
    "float64": pl.Float64,
    "bool": pl.Boolean,
}


@dataclass(frozen=True)
class Column:
    """One column: polars type, unit, meaning, and whether it may be empty."""

    type: pl.DataType
    unit: str
    note: str
    nullable: bool


@dataclass(frozen=True)
class Table:
    """One declared table; ``stored`` tables live in the lake, the others only inside a run.

    A ``view`` is not kept even there: each step that reads it makes what it needs of it.
    """

    name: str
    note: str
    columns: dict[str, Column]
    key: tuple[str, ...]
    sort: tuple[str, ...]
    partition: tuple[str, ...]
    provenance: tuple[str, ...]
    stored: bool
    view: bool

    @property
    def schema(self) -> dict[str, pl.DataType]:
        """Column name -> polars type."""
        return {name: column.type for name, column in self.columns.items()}

    def empty(self) -> pl.DataFrame:
        """A frame with the declared columns and no rows."""
        return pl.DataFrame(schema=self.schema)

    def conform(self, frame: pl.DataFrame) -> pl.DataFrame:
        """The frame in declared column order and types, sorted, after checking it.

        Raises:
            SchemaError: columns missing or unknown, a value that does not fit its type, an empty cell in a
                column that may not be empty, or two rows with one key. All problems are named at once.
        """
        problems = [f"column {name!r} is missing" for name in self.columns if name not in frame.columns]
        problems += [f"column {name!r} is not declared" for name in frame.columns if name not in self.columns]
        if problems:
            raise SchemaError(self.name, problems)
        try:
            typed = frame.select(pl.col(name).cast(column.type) for name, column in self.columns.items())
        except pl.exceptions.PolarsError as error:
            raise SchemaError(self.name, [str(error).splitlines()[0]]) from error
        for name, column in self.columns.items():
            if not column.nullable and typed[name].null_count():
                first = typed[name].is_null().arg_true()[0]
                problems.append(f"column {name!r} is empty in row {first + 1}")
        typed = typed.sort(list(self.sort), maintain_order=True) if self.sort else typed
        if self.key and typed.height:
            # Sorted by its key, a doubled row stands beside its double: much cheaper than hashing every key.
            if self.key == self.sort:
                beside = pl.all_horizontal(pl.col(c).eq_missing(pl.col(c).shift(1)) for c in self.key)
                doubled = typed.filter(beside & (pl.int_range(pl.len()) > 0))
            else:
                doubled = typed.filter(pl.struct(self.key).is_duplicated())
            if doubled.height:
                problems.append(f"{doubled.height} rows share a key, first {doubled.select(self.key).row(0)}")
        if problems:
            raise SchemaError(self.name, problems)
        return typed

    def absent(self, found: set[str], uri: str) -> set[str]:
        """Declared columns that the table of the lake ``uri`` was written without; it has those ``found``.

        Raises:
            UnfitError: one of them may not be empty.
        """
        absent = set(self.columns) - found
        needed = sorted(column for column in absent if not self.columns[column].nullable)
        if needed:
            raise UnfitError(
                f"table {self.name!r} of {uri} lacks the column {', '.join(needed)}; it was written by "
                "another version: begin another lake and ingest the exports again"
            )
        return absent

    def grows(self, found: set[str], uri: str) -> bool:
        """Whether a write has to take in columns that were declared after the table was written.

        Raises:
            UnfitError: the table has columns that are not declared: writing would lose what is in them.
        """
        strange = sorted(found - set(self.columns))
        if strange:
            raise UnfitError(
                f"table {self.name!r} of {uri} has the column {', '.join(strange)}, which this version does not "
                "know; a newer version wrote it: go on with that version, or begin another lake and ingest the "
                "exports again"
            )
        return bool(self.absent(found, uri))


@cache
def tables() -> dict[str, Table]:
    """Every declared table by name."""
    declared = tomllib.loads((CONFIG / "tables.toml").read_text(encoding="utf-8"))
    return {name: _table(name, body) for name, body in declared.items()}


def table(name: str) -> Table:
    """One declared table.

    Raises:
        ConfigError: no table of that name is declared.
    """
    try:
        return tables()[name]
    except KeyError as error:
        raise ConfigError(f"table {name!r} is not declared in tables.toml") from error


def _table(name: str, body: dict) -> Table:
    columns = {
        column: Column(
            type=_TYPES[spec["type"]],
            unit=spec["unit"],
            note=spec["note"],
            nullable=spec.get("nullable", False),
        )
        for column, spec in body["columns"].items()
    }
    if body.get("signals"):
        for signal in signals().values():
            columns[signal.name] = Column(_TYPES[signal.type], signal.unit, signal.note, nullable=True)
    return Table(
        name=name,
        note=body["note"],
        columns=columns,
        key=tuple(body.get("key", ())),
        sort=tuple(body.get("sort", ())),
        partition=tuple(body.get("partition", ())),
        provenance=tuple(body.get("provenance", ())),
        stored=body.get("stored", True),
        view=body.get("view", False),
    )
