"""Parquet files: row batches with row numbers from 1; any column type that a database may have stored."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.errors import ExportError
from pipeline.exports.rejects import no_faults
from pipeline.exports.sources import RawBatch

BATCH_ROWS = 250_000


class ParquetSource:
    """One Parquet file; row 1 is the first."""

    def __init__(self, path: Path) -> None:
        """Read the schema.

        Raises:
            ExportError: the file is empty, cut off or damaged.
        """
        self.path = path
        if path.stat().st_size == 0:
            raise ExportError(str(path), "the file is empty; export it again")
        try:
            with pq.ParquetFile(path) as opened:
                self.names = list(opened.schema_arrow.names)
        except (pa.ArrowException, OSError) as error:
            raise self._damaged(error) from error

    def batches(self, wanted: dict[str, pl.DataType]) -> Iterator[RawBatch]:
        """Row batches; see :class:`pipeline.exports.sources.Source`."""
        row = 1
        try:
            with pq.ParquetFile(self.path) as opened:
                for batch in opened.iter_batches(BATCH_ROWS, columns=list(wanted)):
                    frame = pl.DataFrame(pa.Table.from_batches([batch])).select(list(wanted))
                    numbers = pl.int_range(row, row + frame.height, dtype=pl.Int64, eager=True).alias("line")
                    row += frame.height
                    columns = [self._plain(frame[name], kind) for name, kind in wanted.items()]
                    yield RawBatch(pl.DataFrame([numbers, *columns]), frame.height, no_faults())
        except (pa.ArrowException, OSError) as error:
            raise self._damaged(error) from error

    def records(self, wanted: list[str]) -> RawBatch:
        """The whole file as text; timestamps keep their offset, or the lack of one."""
        kinds = {name: pl.String for name in wanted}
        parts = [batch.frame for batch in self.batches(kinds)]
        empty = pl.DataFrame(schema={"line": pl.Int64} | kinds)
        frame = pl.concat(
            [empty, *(part.select("line", *(_as_text(part[name]) for name in wanted)) for part in parts)]
        )
        return RawBatch(frame, frame.height, no_faults())

    def _plain(self, column: pl.Series, kind: pl.DataType) -> pl.Series:
        """Text, timestamps and dates as they are; any number where one is wanted as that number."""
        found = column.dtype
        if found.is_nested() or found in (pl.Binary, pl.Object):
            raise ExportError(
                str(self.path),
                f"type {found} cannot be read; store numbers, text or timestamps",
                column=column.name,
            )
        if found in (pl.Categorical, pl.Enum, pl.Null):
            return column.cast(pl.String)
        if kind.is_numeric() and (found.is_numeric() or found == pl.Boolean):
            return column.cast(kind)
        if kind == pl.String and (found.is_numeric() or found == pl.Boolean):
            return _as_text(column)
        return column

    def _damaged(self, error: Exception) -> ExportError:
        return ExportError(str(self.path), f"not a whole Parquet file ({error}); transfer it again")


def _as_text(column: pl.Series) -> pl.Series:
    if isinstance(column.dtype, pl.Datetime):
        if column.dtype.time_zone is None:
            return column.dt.strftime("%Y-%m-%dT%H:%M:%S%.6f")
        return column.dt.convert_time_zone("UTC").dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ")
    return column.cast(pl.String)
