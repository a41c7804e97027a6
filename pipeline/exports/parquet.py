"""Parquet files: row batches with row numbers from 1; any column type that a database may have stored."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.errors import ExportError
from pipeline.exports.items import Item
from pipeline.exports.rejects import no_faults
from pipeline.exports.sources import MOST_COLUMNS, MOST_TABLE_BYTES, RawBatch, too_big, too_wide

BATCH_ROWS = 250_000
# Longest list in the footer: schema, row groups. Bounds what a file of a million columns makes the reader hold.
_MOST_ENTRIES = 100_000


class ParquetSource:
    """One Parquet file; row 1 is the first."""

    def __init__(self, item: Item | Path) -> None:
        """Read the schema.

        Raises:
            ExportError: the file is empty, cut off, damaged or has too many columns.
        """
        self._item = item if isinstance(item, Item) else Item(item)
        self.path, self._file = self._item.path, str(self._item)
        self.notes: list[str] = []
        with self._item.stored() as handle:
            if not handle.read(1):
                raise ExportError(self._file, "the file is empty; export it again")
        with self._opened() as opened:
            if opened.metadata.num_columns > MOST_COLUMNS:
                raise too_wide(self._file)
            self.names = list(opened.schema_arrow.names)

    def batches(self, wanted: dict[str, pl.DataType]) -> Iterator[RawBatch]:
        """Row batches; see :class:`pipeline.exports.sources.Source`."""
        row = 1
        with self._opened() as opened:
            for batch in opened.iter_batches(BATCH_ROWS, columns=list(wanted)):
                numbers = pl.int_range(row, row + batch.num_rows, dtype=pl.Int64, eager=True).alias("line")
                row += batch.num_rows
                columns = [self._column(batch.column(name), name, kind) for name, kind in wanted.items()]
                yield RawBatch(pl.DataFrame([numbers, *columns]), batch.num_rows, no_faults())

    def records(self, wanted: list[str]) -> RawBatch:
        """The whole file as text; timestamps keep their offset, or the lack of one."""
        kinds = {name: pl.String for name in wanted}
        parts, size = [], 0
        for batch in self.batches(kinds):
            size += int(batch.frame.estimated_size())
            if size > MOST_TABLE_BYTES:
                raise too_big(self._file)
            parts.append(batch.frame)
        empty = pl.DataFrame(schema={"line": pl.Int64} | kinds)
        frame = pl.concat(
            [empty, *(part.select("line", *(_as_text(part[name]) for name in wanted)) for part in parts)]
        )
        return RawBatch(frame, frame.height, no_faults())

    def _column(self, stored: pa.Array, name: str, kind: pl.DataType) -> pl.Series:
        """One column as it is wanted.

        Raises:
            ExportError: its type cannot be read; the message names the column.
        """
        found = stored.type
        try:
            if pa.types.is_dictionary(found) and pa.types.is_timestamp(found.value_type):
                stored = stored.dictionary_decode()
            if pa.types.is_timestamp(stored.type) and stored.type.tz is not None:
                # The instants are stored in UTC whatever the zone is called; "+05:30" is no zone to everyone.
                stored = stored.cast(pa.timestamp(stored.type.unit, "UTC"))
            if pa.types.is_decimal256(found):
                raise self._unreadable(name, found)
            return self._plain(pl.Series(name, pl.from_arrow(stored)), kind)
        except (pa.ArrowException, pl.exceptions.PolarsError, pl.exceptions.PanicException) as error:
            raise self._unreadable(name, found) from error

    def _unreadable(self, name: str, found: object) -> ExportError:
        return ExportError(
            self._file, f"type {found} cannot be read; store numbers, text or timestamps", column=name
        )

    def _plain(self, column: pl.Series, kind: pl.DataType) -> pl.Series:
        """Text, timestamps and dates as they are; any number where one is wanted as that number."""
        found = column.dtype
        if found.is_nested() or found in (pl.Binary, pl.Object, pl.Duration):
            raise self._unreadable(column.name, found)
        if found in (pl.Categorical, pl.Enum, pl.Null):
            return column.cast(pl.String)
        if kind.is_numeric() and (found.is_numeric() or found == pl.Boolean):
            return column.cast(kind)
        if kind == pl.String and (found.is_numeric() or found == pl.Boolean):
            return _as_text(column)
        return column

    @contextmanager
    def _opened(self) -> Iterator[pq.ParquetFile]:
        try:
            with (
                self._item.seekable() as handle,
                pq.ParquetFile(handle, thrift_container_size_limit=_MOST_ENTRIES) as opened,
            ):
                yield opened
        except (pa.ArrowException, OSError) as error:
            if "Exceeded size limit" in str(error):
                raise too_wide(self._file) from error
            raise ExportError(
                self._file, f"not a whole Parquet file ({error}); transfer it again"
            ) from error


def _as_text(column: pl.Series) -> pl.Series:
    if isinstance(column.dtype, pl.Datetime):
        if column.dtype.time_zone is None:
            return column.dt.strftime("%Y-%m-%dT%H:%M:%S%.6f")
        return column.dt.convert_time_zone("UTC").dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ")
    return column.cast(pl.String)
