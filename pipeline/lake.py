"""The lake: Delta tables under one URI. The only module that knows where a table lies and how it is committed."""

from __future__ import annotations

import fcntl
import json
import os
import socket
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import polars as pl
from deltalake import DeltaTable, WriterProperties, write_deltalake
from deltalake.exceptions import DeltaError
from deltalake.transaction import AddAction, RemoveAction

from pipeline.errors import ConfigError, LakeError
from pipeline.partfiles import COMPRESSION, LEVEL, PartFile, partition_values, write_parts
from pipeline.tables import Table, table

_WRITER = WriterProperties(compression=COMPRESSION.upper(), compression_level=LEVEL)
_ENDED = "ended"
_INTENT = "_intent.json"
_LOCK = "_lock.json"
_BASIS = "_lake.json"


@dataclass(frozen=True)
class Tidied:
    """Files of a table before and after, and how many old ones were removed."""

    table: str
    files_before: int
    files_after: int
    removed: int


class Lake:
    """Tables of one fleet.

    Every write is one atomic commit of one table. :meth:`transaction` spans several tables: what a stopped run
    left half-done is rolled back when the lake is next opened for writing.
    """

    def __init__(self, uri: str, versions: dict[str, int] | None = None) -> None:
        """``versions`` pins tables to what they were; others are absent then, and nothing may be written."""
        self.root = Path(uri).resolve()
        self._versions = versions

    def at(self, versions: dict[str, int]) -> Lake:
        """The same lake as it was, to be read only: each table in the version named, others absent."""
        return Lake(str(self.root), versions)

    # -- reading ---------------------------------------------------------------------------------------------

    def exists(self, name: str) -> bool:
        """Whether the table has ever been written."""
        if self._versions is not None and name not in self._versions:
            return False
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
        actions = pl.DataFrame(opened.get_add_actions(flatten=True))
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
        self._note(path, wanted)

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
        columns = list(declared.partition)
        wanted = pl.DataFrame(partitions, schema={column: declared.columns[column].type for column in columns})
        strange = checked.join(wanted, on=columns, how="anti", nulls_equal=True)
        if strange.height:
            found = strange.select(columns).row(0, named=True)
            raise LakeError(f"table {name!r} of {self.root} cannot be written: rows of {found}, which is not replaced")
        if not self.exists(name) or self._grows(name, declared):
            # An empty commit makes the table, or brings in a column declared since.
            self._commit(name, declared.empty(), mode="append")
        gone = self.files(name).join(wanted, on=columns, how="semi", nulls_equal=True)
        opened = self._open(name)
        try:
            added = write_parts(Path(self._uri(name)), declared, checked)
            self._swap(opened, declared, added, gone.to_dicts())
        except (DeltaError, OSError) as error:
            raise self._unwritten(name, error) from error

    def _swap(
        self, opened: DeltaTable, declared: Table, added: list[PartFile], gone: list[dict[str, object]]
    ) -> None:
        """Put files into the table in the place of others, in one commit."""
        if not added and not gone:
            return
        log = Path(self._uri(declared.name)) / "_delta_log"
        now_ms = max([log.stat().st_mtime_ns // 1_000_000, *(part.written_ms for part in added)])
        actions: list[AddAction | RemoveAction] = [
            AddAction(part.path, part.bytes, part.values, part.written_ms, True, part.stats) for part in added
        ]
        for file in gone:
            values = partition_values({column: file[column] for column in declared.partition})
            actions.append(RemoveAction(file["path"], True, now_ms, size=file["bytes"], partition_values=values))
        opened.create_write_transaction(actions, "append", opened.schema(), list(declared.partition))

    @contextmanager
    def transaction(self, *names: str) -> Iterator[None]:
        """Several tables changed together or not at all.

        The versions before the first write are noted in a file; an error rolls back to them at once, and a run
        that was killed is rolled back by :meth:`recover` when the next one begins.
        """
        intent = self.root / _INTENT
        self._note(intent, {name: self.version(name) for name in names})
        try:
            yield
        except BaseException as error:
            try:
                self.recover()
            except LakeError as further:
                # On a full disk undoing fails, too; the intent stays, and the next run undoes.
                raise LakeError(f"{error}; the next run undoes what was begun ({further})") from error
            raise
        self._erase(intent)

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
            try:
                if before is None:
                    # The table did not exist before: an empty version stands for that.
                    opened.delete()
                else:
                    opened.restore(before)
            except (DeltaError, OSError) as error:
                raise self._unwritten(name, error) from error
            rolled_back.append(name)
        self._erase(intent)
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
        holder = {"purpose": purpose, "since": since, "host": socket.gethostname(), "pid": os.getpid()}
        self._take_lock(path, holder | {"began": _began(os.getpid())})
        try:
            self.recover()
            yield
        finally:
            path.unlink(missing_ok=True)

    def _take_lock(self, path: Path, holder: dict[str, object]) -> None:
        """Put the lock in place, whole, in one step."""
        try:
            # One process at a time looks at the lock: two that find it dead would else both take it over.
            folder = os.open(self.root, os.O_RDONLY)
            try:
                fcntl.flock(folder, fcntl.LOCK_EX)
                if path.exists():
                    self._break_dead_lock(path)
                self._note(path, holder)
            finally:
                os.close(folder)
        except OSError as error:
            raise self._unwritten(None, error) from error

    def _break_dead_lock(self, path: Path) -> None:
        """Pass over a lock whose process is gone.

        Raises:
            LakeError: the process runs, or is on another machine.
        """
        try:
            holder = json.loads(path.read_text(encoding="utf-8") or "{}")
        except json.JSONDecodeError:
            holder = {}
        alive = holder.get("host") != socket.gethostname() or _runs(holder.get("pid", 0), holder.get("began"))
        if holder and alive:
            raise LakeError(
                f"{self.root} is held by '{holder['purpose']}' (process {holder['pid']} on {holder['host']}) "
                f"since {holder['since']}; wait for it, or remove {path.name} if that process is gone"
            )

    # -- housekeeping ----------------------------------------------------------------------------------------

    def tidy(self, name: str, keep_days: int) -> Tidied:
        """Join small files of a table, note its state, and remove files that no version of ``keep_days`` days needs.

        Readings are left as they are cut: a partition is one file already, and its name says whether it was derived.
        """
        opened = self._open(name)
        before = len(opened.file_uris())
        try:
            if name != "readings":
                opened.optimize.compact(writer_properties=_WRITER)
            removed = opened.vacuum(retention_hours=24 * keep_days, dry_run=False, enforce_retention_duration=False)
            opened.create_checkpoint()
        except (DeltaError, OSError) as error:
            raise self._unwritten(name, error) from error
        return Tidied(name, before, len(opened.file_uris()), len(removed))

    # -- ground ----------------------------------------------------------------------------------------------

    def _uri(self, name: str) -> str:
        return str(self.root / name)

    def _open(self, name: str) -> DeltaTable:
        try:
            return DeltaTable(self._uri(name), version=(self._versions or {}).get(name))
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

    def _grows(self, name: str, declared: Table) -> bool:
        """Whether a write has to take in columns that were declared after the table was written.

        Raises:
            LakeError: the table has columns that are not declared: writing would lose what is in them.
        """
        opened = self._open(name)
        strange = sorted({field.name for field in opened.schema().fields} - set(declared.columns))
        if strange:
            raise LakeError(
                f"table {name!r} of {self.root} has the column {', '.join(strange)}, which this version does not "
                "know; a newer version wrote it: go on with that version, or begin another lake and ingest the "
                "exports again"
            )
        return bool(self._absent(opened, declared))

    def _commit(self, name: str, frame: pl.DataFrame, mode: str, predicate: str | None = None) -> None:
        if self._versions is not None:
            raise LakeError(f"{self.root} is opened as it was; nothing can be written to the past")
        declared: Table = table(name)
        try:
            grows = self.exists(name) and self._grows(name, declared)
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
            raise self._unwritten(name, error) from error

    def _note(self, path: Path, content: dict[str, object]) -> None:
        """Put a small file in place, whole, in one step."""
        temporary = path.with_suffix(".new")
        try:
            self.root.mkdir(parents=True, exist_ok=True)
            temporary.write_text(json.dumps(content), encoding="utf-8")
            os.replace(temporary, path)
        except OSError as error:
            raise self._unwritten(None, error) from error

    def _erase(self, path: Path) -> None:
        try:
            path.unlink()
        except OSError as error:
            raise self._unwritten(None, error) from error

    def _unwritten(self, name: str | None, error: Exception) -> LakeError:
        what = f"table {name!r} of {self.root}" if name else f"the lake {self.root}"
        return LakeError(f"{what} cannot be written: {error}; check rights and space, then run again")


def bucket_of(unit_ids: pl.Series | pl.Expr, buckets: int) -> pl.Series | pl.Expr:
    """Bucket of each unit, 0 to ``buckets`` - 1: CRC-32 of the UTF-8 text, the same on every machine."""
    if isinstance(unit_ids, pl.Expr):
        return unit_ids.map_batches(lambda column: bucket_of(column, buckets), return_dtype=pl.Int32)
    units = unit_ids.unique().drop_nulls()
    numbers = [zlib.crc32(unit.encode("utf-8")) % buckets for unit in units]
    found = pl.Series(numbers, dtype=pl.Int32)
    return unit_ids.replace_strict(units, found, return_dtype=pl.Int32).alias("bucket")


def _runs(pid: int, began: str | None) -> bool:
    """Whether the process of that number is alive on this machine and no later one that got the same number."""
    if pid <= 0:
        return False
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    now = _began(pid)
    return now != _ENDED and (began is None or now is None or now == began)


def _began(pid: int) -> str | None:
    """When a process began, in the system's ticks; ``_ENDED`` if it only waits for its parent, None if unknown."""
    try:
        status = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None
    # proc_pid_stat(5): after the name in brackets come the state (field 3) and, as field 22, the start time.
    fields = status.rpartition(")")[2].split()
    return _ENDED if fields[0] == "Z" else fields[19]
