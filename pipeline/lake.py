"""The lake: Delta tables under one URI. The only module that knows where a table lies and how it is committed."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from functools import partial
from pathlib import Path

import polars as pl
import pyarrow.dataset
from deltalake import DeltaTable, WriterProperties, write_deltalake
from deltalake.exceptions import DeltaError, TableNotFoundError
from deltalake.transaction import AddAction, RemoveAction

from pipeline.errors import ConfigError, LakeError, UnfitError
from pipeline.objects import SCHEME, Bucket
from pipeline.partfiles import COMPRESSION, LEVEL, PartFile, Tidied, log_kept, partition_values, tidied, write_parts
from pipeline.store import Folder, Store, present_ms, this_process
from pipeline.tables import Table, table

_WRITER = WriterProperties(compression=COMPRESSION.upper(), compression_level=LEVEL)
_UNTIL_HOUSEKEEP = 3650  # days; `tidy` sets what the settings say
_INTENT = "_intent.json"
_BASIS = "_lake.json"


class Lake:
    """Tables of one fleet.

    Every write is one atomic commit of one table. :meth:`transaction` spans several tables: what a stopped run
    left half-done is rolled back when the lake is next opened for writing.
    """

    def __init__(self, uri: str, versions: dict[str, int] | None = None) -> None:
        """A folder, or ``s3://bucket/prefix``; nothing is read or made yet.

        ``versions`` pins tables to what they were; others are absent then, and nothing may be written.

        Raises:
            ConfigError: another kind of URI.
            LakeError: the environment contradicts itself about the object store.
        """
        if "://" in uri and not uri.startswith(SCHEME):
            raise ConfigError(f"`lake` is a folder or s3://bucket/prefix, not {uri.partition('://')[0]}://")
        self._store: Store = Bucket(uri) if uri.startswith(SCHEME) else Folder(uri)
        self.uri = self._store.uri  # as messages name it
        self.root = self._store.root  # folder on a disk, None in an object store
        self._versions = versions
        self._opened: dict[str, DeltaTable] = {}
        self._unmoved: set[str] = set()  # tables of a transaction that it has not written yet: nobody else does

    def at(self, versions: dict[str, int]) -> Lake:
        """The same lake as it was, to be read only: each table in the version named, others absent."""
        return Lake(self.uri, versions)

    @property
    def scratch(self) -> Path:
        """Folder on this machine for what is held only during a run."""
        return self._store.scratch

    def exists(self, name: str) -> bool:
        """Whether the table has ever been written."""
        return self._find(name) is not None

    def version(self, name: str) -> int | None:
        """Version of the table, None where it has never been written."""
        opened = self._find(name)
        return None if opened is None else opened.version()

    def scan(self, name: str) -> pl.LazyFrame:
        """The newest version as a lazy frame in declared column order and types.

        A column that may be empty and was declared after the table was written is null.

        Raises:
            LakeError: the table lacks a column that may not be empty.
        """
        declared = table(name)
        opened = self._find(name)
        if opened is None:
            return declared.empty().lazy()
        absent = declared.absent(_names(opened), self.uri)
        return pl.scan_delta(opened, storage_options=self._store.frame_options).select(
            pl.lit(None, dtype=spec.type).alias(column) if column in absent else pl.col(column).cast(spec.type)
            for column, spec in declared.columns.items()
        )

    def read(self, name: str, where: pl.Expr | None = None) -> pl.DataFrame:
        """The newest version as a frame in declared sort order, or only the rows that ``where`` keeps."""
        frame = self.scan(name)
        if where is not None:
            frame = frame.filter(where)
        declared = table(name)
        return self.collect(frame.sort(list(declared.sort)) if declared.sort else frame)

    def collect(self, frame: pl.LazyFrame, advice: str = "") -> pl.DataFrame:
        """The rows of a frame made from :meth:`scan`.

        Raises:
            LakeError: a data file cannot be read; ``advice`` says what to do then.
        """
        try:
            return frame.collect()
        except (OSError, pl.exceptions.ComputeError) as error:
            raise self._unread(error, advice) from error

    def files(self, name: str) -> pl.DataFrame:
        """One row a data file of the newest version: ``uri``, ``path``, ``bytes``, ``rows``, partition columns."""
        return self._files(name, self._find(name))

    def _files(self, name: str, opened: DeltaTable | None) -> pl.DataFrame:
        schema = {"uri": pl.String, "path": pl.String, "bytes": pl.Int64, "rows": pl.Int64}
        parts = {column: table(name).columns[column].type for column in table(name).partition}
        if opened is None:
            return pl.DataFrame(schema=schema | parts)
        actions = pl.DataFrame(opened.get_add_actions(flatten=True))
        return actions.select(
            uri=pl.lit(self._uri(name) + "/") + pl.col("path"),
            path=pl.col("path"),
            bytes=pl.col("size_bytes").cast(pl.Int64),
            rows=pl.col("num_records").cast(pl.Int64),
            **{column: pl.col(f"partition.{column}").cast(kind) for column, kind in parts.items()},
        ).sort([*parts, "path"])

    @contextmanager
    def on_disk(self, uris: list[str], advice: str = "") -> Iterator[list[str]]:
        """Data files, as :meth:`files` names them, as paths of this machine: copies if the lake is elsewhere.

        The copies are gone at the end; ask for no more than is worked on at once. ``advice`` as for :meth:`collect`.
        """
        places = [uri.removeprefix(f"{self.uri}/") for uri in uris]
        with ExitStack() as stack:
            try:
                paths = stack.enter_context(self._store.on_disk(places))
            except OSError as error:
                raise self._unread(error, advice) from error
            yield paths

    def dataset(self, name: str) -> pyarrow.dataset.Dataset | None:
        """The newest version to be read bit by bit, None where its files lie on a disk."""
        opened = self._find(name)
        return None if opened is None else self._store.dataset(name, opened)

    @contextmanager
    def folder(self, place: str, changes: bool = False) -> Iterator[Path]:
        """A folder of the lake with small files that are no table, such as a model.

        Args:
            changes: keep what is written there.
        """
        try:
            with self._store.folder(place, changes) as found:
                yield found
        except OSError as error:
            raise self._store.unwritten(None, error) if changes else self._store.unread(None, error) from error

    def begun_with(self, time_zone: str, buckets: int) -> bool:
        """Whether the lake was begun, with this zone, in which its days begin, and this number of buckets; writes nothing.

        Raises:
            ConfigError: it was begun with other values, so that its partitions mean something else.
        """
        found = self._noted(_BASIS)
        if found is None:
            return False
        differing = [
            f"{key} is {found.get(key)!r} in the lake and {value!r} in the settings"
            for key, value in {"time_zone": time_zone, "buckets": buckets}.items() if found.get(key) != value
        ]
        if differing:
            raise ConfigError(f"{self.uri}: {' and '.join(differing)}; set what the lake has, or begin another lake")
        return True

    def settle(self, time_zone: str, buckets: int) -> None:
        """Note on first use what :meth:`begun_with` holds to afterwards, and raises."""
        if not self.begun_with(time_zone, buckets):
            self._note(_BASIS, {"time_zone": time_zone, "buckets": buckets})

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
            raise UnfitError(f"table {name!r} of {self.uri} cannot be written: rows of {found}, which is not replaced")
        opened = self._find(name)
        if opened is None or declared.grows(_names(opened), self.uri):
            # An empty commit makes the table, or brings in a column declared since.
            self._commit(name, declared.empty(), mode="append")
            opened = self._open(name)
        gone = self._files(name, opened).join(wanted, on=columns, how="semi", nulls_equal=True)
        try:
            added = write_parts(partial(self._put, name), declared, checked, self._store.writers)
            self._swap(opened, declared, added, gone.to_dicts())
        except (DeltaError, OSError) as error:
            raise self._store.unwritten(name, error) from error

    def remove(self, name: str, partitions: list[dict[str, object]]) -> None:
        """Take the named partitions out; their files stay until :meth:`tidy`, for the versions that have them."""
        self.replace(name, table(name).empty(), partitions)

    def _swap(self, opened: DeltaTable, declared: Table, added: list[PartFile], gone: list[dict[str, object]]) -> None:
        """Put files into the table in the place of others, in one commit."""
        if not added and not gone:
            return
        self._unmoved.discard(declared.name)
        logged_ms = self._store.modified_ms(f"{declared.name}/_delta_log")
        # What was not replaced but taken out goes now, too, not when the commit before was made.
        now_ms = max([logged_ms, *([part.written_ms for part in added] or [present_ms(self._store)])])
        actions: list[AddAction | RemoveAction] = []
        actions += [AddAction(part.path, part.bytes, part.values, part.written_ms, True, part.stats) for part in added]
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
        self._note(_INTENT, {name: self.version(name) for name in names})
        self._unmoved = set(names)
        try:
            yield
        except BaseException as error:
            self._unmoved = set()
            try:
                self.recover()
            except LakeError as further:
                # On a full disk undoing fails, too; the intent stays, and the next run undoes.
                raise LakeError(f"{error}; the next run undoes what was begun ({further})") from error
            raise
        self._unmoved = set()
        self._erase(_INTENT)

    def recover(self) -> list[str]:
        """Roll back what a stopped run left half-done; the names of the tables rolled back."""
        intent = self._noted(_INTENT)
        if intent is None:
            return []
        rolled_back = []
        for name, before in intent.items():
            now = self.version(name)
            if now is None or now == before:
                continue
            opened = self._open(name)
            try:
                if before is None:
                    # The table did not exist before: an empty version stands for that.
                    opened.delete()
                else:
                    # A file that was gone before is gone still: that the table names it again is what it was.
                    opened.restore(before, ignore_missing_files=True)
            except (DeltaError, OSError) as error:
                raise self._store.unwritten(name, error) from error
            rolled_back.append(name)
        self._erase(_INTENT)
        return rolled_back

    @contextmanager
    def lock(self, purpose: str, since: str) -> Iterator[None]:
        """Hold the lake for one run; a lock left by a process that no longer runs is taken over.

        Raises:
            LakeError: another run holds the lake; the message says which, where and since when.
        """
        with self._store.hold({"purpose": purpose, "since": since} | this_process()):
            self.recover()
            yield

    def tidy(self, name: str, keep_days: int) -> Tidied:
        """Join small files of a table, note its state, and remove files that no version of ``keep_days`` days needs.

        Readings are left as they are cut: a partition is one file already, and its name says whether it was derived.
        """
        try:
            return tidied(self._open(name), name, keep_days, None if name == "readings" else _WRITER)
        except (DeltaError, OSError) as error:
            raise self._store.unwritten(name, error) from error

    def _unread(self, error: Exception, advice: str) -> LakeError:
        unread = self._store.unread(None, error)
        return LakeError(f"{unread}; {advice}") if advice else unread

    def _uri(self, name: str) -> str:
        return f"{self.uri}/{name}"

    def _find(self, name: str) -> DeltaTable | None:
        """The table, None where it has never been written."""
        if self._versions is not None and name not in self._versions:
            return None
        if self.root is not None and not DeltaTable.is_deltatable(self._uri(name)):
            return None
        try:
            return self._open(name)
        except LakeError as error:
            # One look less at an object store; and the library's own look would hold up every other thread.
            if self.root is None and isinstance(error.__cause__, TableNotFoundError):
                return None
            raise

    def _open(self, name: str) -> DeltaTable:
        pinned = (self._versions or {}).get(name)
        stays = pinned is not None or name in self._unmoved
        if not stays or name not in self._opened:  # what stays as it is is opened once
            try:
                self._opened[name] = DeltaTable(self._uri(name), version=pinned, storage_options=self._store.options)
            except (DeltaError, OSError) as error:
                raise self._store.unread(name, error) from error
        return self._opened[name]

    def _commit(self, name: str, frame: pl.DataFrame, mode: str) -> None:
        if self._versions is not None:
            raise UnfitError(f"{self.uri} is opened as it was; nothing can be written to the past")
        declared = table(name)
        self._unmoved.discard(name)
        try:
            opened = self._find(name)
            grows = opened is not None and declared.grows(_names(opened), self.uri)
            write_deltalake(
                self._uri(name), frame.to_arrow(), mode=mode,
                configuration=log_kept(_UNTIL_HOUSEKEEP) if opened is None else None,
                schema_mode="merge" if grows else None,
                partition_by=list(declared.partition) or None, writer_properties=_WRITER,
                storage_options=self._store.options,
            )
        except (DeltaError, OSError) as error:
            raise self._store.unwritten(name, error) from error

    def _put(self, name: str, path: str, content: memoryview) -> tuple[int, int]:
        return self._store.put(f"{name}/{path}", content)

    def _note(self, place: str, content: dict[str, object]) -> None:
        try:
            self._store.note(place, content)
        except OSError as error:
            raise self._store.unwritten(None, error) from error

    def _noted(self, place: str) -> dict[str, object] | None:
        try:
            return self._store.noted(place)
        except OSError as error:
            raise self._store.unread(None, error) from error

    def _erase(self, place: str) -> None:
        try:
            self._store.erase(place)
        except OSError as error:
            raise self._store.unwritten(None, error) from error


def _names(opened: DeltaTable) -> set[str]:
    return {field.name for field in opened.schema().fields}


def bucket_of(unit_ids: pl.Series | pl.Expr, buckets: int) -> pl.Series | pl.Expr:
    """Bucket of each unit, 0 to ``buckets`` - 1: CRC-32 of the UTF-8 text, the same on every machine."""
    if isinstance(unit_ids, pl.Expr):
        return unit_ids.map_batches(lambda column: bucket_of(column, buckets), return_dtype=pl.Int32)
    units = unit_ids.unique().drop_nulls()
    numbers = [zlib.crc32(unit.encode("utf-8")) % buckets for unit in units]
    found = pl.Series(numbers, dtype=pl.Int32)
    return unit_ids.replace_strict(units, found, return_dtype=pl.Int32).cast(pl.Int32).alias("bucket")  # none stay text

