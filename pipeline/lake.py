"""The lake: Delta tables under one URI. The only module that knows where a table lies and how it is committed."""

from __future__ import annotations

import json
import os
import socket
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import polars as pl
import pyarrow as pa
from deltalake import DeltaTable, WriterProperties, write_deltalake
from deltalake.exceptions import DeltaError

from pipeline.errors import ConfigError, LakeError
from pipeline.tables import Table, table

# zstd 3 against the writer's default on a million readings: about 40 % fewer bytes at the same write time.
_WRITER = WriterProperties(compression="ZSTD", compression_level=3)
_INTENT = "_intent.json"
_LOCK = "_lock.json"
_BASIS = "_lake.json"


class Lake:
    """Tables of one fleet.

    Every write is one atomic commit of one table. :meth:`transaction` spans several tables: what a stopped run
    left half-done is rolled back when the lake is next opened for writing.
    """

    def __init__(self, uri: str) -> None:
        self.root = Path(uri).resolve()

    # -- reading ---------------------------------------------------------------------------------------------

    def exists(self, name: str) -> bool:
        """Whether the table has ever been written."""
        return DeltaTable.is_deltatable(self._uri(name))

    def version(self, name: str) -> int | None:
        """Version of the table, None where it has never been written."""
        return self._open(name).version() if self.exists(name) else None

    def scan(self, name: str) -> pl.LazyFrame:
        """The newest version as a lazy frame in declared column order and types.

        A column that may be empty and was declared after the table was written is null.

        Raises:
            LakeError: the table lacks a column that may not be empty.
        """
        declared = table(name)
        if not self.exists(name):
            return declared.empty().lazy()
        opened = self._open(name)
        absent = self._absent(opened, declared)
        return pl.scan_delta(opened).select(
            pl.lit(None, dtype=spec.type).alias(column) if column in absent else pl.col(column).cast(spec.type)
            for column, spec in declared.columns.items()
        )

    def read(self, name: str, where: pl.Expr | None = None) -> pl.DataFrame:
        """The newest version as a frame in declared sort order, or only the rows that ``where`` keeps."""
        frame = self.scan(name)
        if where is not None:
            frame = frame.filter(where)
        declared = table(name)
        return frame.sort(list(declared.sort)).collect() if declared.sort else frame.collect()

    def files(self, name: str) -> pl.DataFrame:
        """One row a data file of the newest version: ``uri``, ``path``, ``bytes``, ``rows``, partition columns."""
        declared = table(name)
        schema = {"uri": pl.String, "path": pl.String, "bytes": pl.Int64, "rows": pl.Int64}
        parts = {column: declared.columns[column].type for column in declared.partition}
        if not self.exists(name):
            return pl.DataFrame(schema=schema | parts)
        opened = self._open(name)
        actions = pl.DataFrame(pa.table(opened.get_add_actions(flatten=True)))
        return actions.select(
            uri=pl.lit(self._uri(name) + "/") + pl.col("path"),
            path=pl.col("path"),
            bytes=pl.col("size_bytes").cast(pl.Int64),
            rows=pl.col("num_records").cast(pl.Int64),
            **{column: pl.col(f"partition.{column}").cast(kind) for column, kind in parts.items()},
        ).sort([*parts, "path"])

    # -- writing ---------------------------------------------------------------------------------------------

    def settle(self, time_zone: str, buckets: int) -> None:
        """Note on first use in which zone days begin and how many buckets there are; hold to it afterwards.

        Raises:
            ConfigError: the lake was begun with other values, so that its partitions mean something else.
        """
        path = self.root / _BASIS
        wanted = {"time_zone": time_zone, "buckets": buckets}
        if path.is_file():
            found = json.loads(path.read_text(encoding="utf-8"))
            differing = [
                f"{key} is {found.get(key)!r} in the lake and {value!r} in the settings"
                for key, value in wanted.items()
                if found.get(key) != value
            ]
            if differing:
                raise ConfigError(
                    f"{self.root}: {' and '.join(differing)}; set what the lake has, or begin another lake"
                )
            return
        self.root.mkdir(parents=True, exist_ok=True)
        temporary = path.with_suffix(".new")
        temporary.write_text(json.dumps(wanted), encoding="utf-8")
        os.replace(temporary, path)

    def append(self, name: str, frame: pl.DataFrame) -> None:
        """Add rows whose keys are new to the table."""
        self._commit(name, table(name).conform(frame), mode="append")

    def overwrite(self, name: str, frame: pl.DataFrame) -> None:
        """Replace the whole table."""
        self._commit(name, table(name).conform(frame), mode="overwrite")

    def replace(self, name: str, frame: pl.DataFrame, partitions: list[dict[str, object]]) -> None:
        """Replace the named partitions by ``frame``, whose rows must all lie in them.

        Args:
            partitions: one mapping a partition, partition column -> value.
        """
        declared = table(name)
        checked = declared.conform(frame)
        if not partitions:
            return
        if not self.exists(name):
            self._commit(name, checked, mode="append")
            return
        # Neighbouring partitions of one group share a clause, so that the predicate stays short.
        lead, rest = declared.partition[:1], declared.partition[1:]
        groups: dict[tuple, list[object]] = {}
        for partition in partitions:
            groups.setdefault(tuple(partition[c] for c in rest), []).append(partition[lead[0]])
        clauses = []
        for values, leads in groups.items():
            terms = [f"{lead[0]} IN ({', '.join(sorted({_literal(v) for v in leads}))})"]
            terms += [f"{column} = {_literal(value)}" for column, value in zip(rest, values, strict=True)]
            clauses.append("(" + " AND ".join(terms) + ")")
        self._commit(name, checked, mode="overwrite", predicate=" OR ".join(clauses))

    @contextmanager
    def transaction(self, *names: str) -> Iterator[None]:
        """Several tables changed together or not at all.

        The versions before the first write are noted in a file; an error rolls back to them at once, and a run
        that was killed is rolled back by :meth:`recover` when the next one begins.
        """
        self.root.mkdir(parents=True, exist_ok=True)
        intent = self.root / _INTENT
        temporary = intent.with_suffix(".new")
        temporary.write_text(json.dumps({name: self.version(name) for name in names}), encoding="utf-8")
        os.replace(temporary, intent)
        try:
            yield
        except BaseException:
            self.recover()
            raise
        intent.unlink()

    def recover(self) -> list[str]:
        """Roll back what a stopped run left half-done; the names of the tables rolled back."""
        intent = self.root / _INTENT
        if not intent.is_file():
            return []
        rolled_back = []
        for name, before in json.loads(intent.read_text(encoding="utf-8")).items():
            now = self.version(name)
            if now is None or now == before:
                continue
            opened = self._open(name)
            if before is None:
                # The table did not exist before: an empty version stands for that.
                opened.delete()
            else:
                opened.restore(before)
            rolled_back.append(name)
        intent.unlink()
        return rolled_back

    @contextmanager
    def lock(self, purpose: str, since: str) -> Iterator[None]:
        """Hold the lake for one run; a lock left by a process that no longer runs is taken over.

        Raises:
            LakeError: another run holds the lake; the message says which, where and since when.
        """
        try:
            self.root.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise LakeError(f"{self.root}: cannot be made: {error}; choose another folder with `lake`") from error
        path = self.root / _LOCK
        mine = json.dumps({"purpose": purpose, "since": since, "host": socket.gethostname(), "pid": os.getpid()})
        # The lock appears with its content in one step: a second run never sees it half-written.
        prepared = path.with_name(f"{_LOCK}.{os.getpid()}")
        try:
            prepared.write_text(mine, encoding="utf-8")
            while True:
                try:
                    os.link(prepared, path)
                except FileExistsError:
                    self._break_dead_lock(path)
                    continue
                break
        except OSError as error:
            raise LakeError(f"{self.root}: cannot be written: {error}; check rights and space") from error
        finally:
            prepared.unlink(missing_ok=True)
        try:
            self.recover()
            yield
        finally:
            path.unlink(missing_ok=True)

    def _break_dead_lock(self, path: Path) -> None:
        try:
            holder = json.loads(path.read_text(encoding="utf-8") or "{}")
        except FileNotFoundError:
            return
        except json.JSONDecodeError:
            holder = {}
        alive = holder.get("host") != socket.gethostname() or _runs(holder.get("pid", 0))
        if holder and alive:
            raise LakeError(
                f"{self.root} is held by '{holder['purpose']}' (process {holder['pid']} on {holder['host']}) "
                f"since {holder['since']}; wait for it, or remove {path.name} if that process is gone"
            )
        path.unlink(missing_ok=True)

    # -- ground ----------------------------------------------------------------------------------------------

    def _uri(self, name: str) -> str:
        return str(self.root / name)

    def _open(self, name: str) -> DeltaTable:
        try:
            return DeltaTable(self._uri(name))
        except (DeltaError, OSError) as error:
            raise LakeError(f"table {name!r} of {self.root} cannot be opened: {error}") from error

    def _absent(self, opened: DeltaTable, declared: Table) -> set[str]:
        """Declared columns that the table was written without."""
        found = {field.name for field in opened.schema().fields}
        absent = set(declared.columns) - found
        needed = sorted(column for column in absent if not declared.columns[column].nullable)
        if needed:
            raise LakeError(
                f"table {declared.name!r} of {self.root} lacks the column {', '.join(needed)}; it was written by "
                "another version: begin another lake and ingest the exports again"
            )
        return absent

    def _commit(self, name: str, frame: pl.DataFrame, mode: str, predicate: str | None = None) -> None:
        declared: Table = table(name)
        try:
            # Only a table written before a column was declared has to take the column in.
            grows = self.exists(name) and bool(self._absent(self._open(name), declared))
            write_deltalake(
                self._uri(name),
                frame.to_arrow(),
                mode=mode,
                predicate=predicate,
                schema_mode="merge" if grows else None,
                partition_by=list(declared.partition) or None,
                writer_properties=_WRITER,
            )
        except (DeltaError, OSError) as error:
            raise LakeError(f"table {name!r} of {self.root} cannot be written: {error}") from error


def bucket_of(unit_ids: pl.Series | pl.Expr, buckets: int) -> pl.Series | pl.Expr:
    """Bucket of each unit, 0 to ``buckets`` - 1: CRC-32 of the UTF-8 text, the same on every machine."""
    if isinstance(unit_ids, pl.Expr):
        return unit_ids.map_batches(lambda column: bucket_of(column, buckets), return_dtype=pl.Int32)
    units = unit_ids.unique().drop_nulls()
    numbers = [zlib.crc32(unit.encode("utf-8")) % buckets for unit in units]
    found = pl.Series(numbers, dtype=pl.Int32)
    return unit_ids.replace_strict(units, found, return_dtype=pl.Int32).alias("bucket")


def _literal(value: object) -> str:
    return str(value) if isinstance(value, int) else f"'{value}'"


def _runs(pid: int) -> bool:
    """Whether a process of that number is alive on this machine."""
    if pid <= 0:
        return False
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


