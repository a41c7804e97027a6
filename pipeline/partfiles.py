"""Data files of a partitioned table: one Parquet file a partition, written one after the other.

The table format's own writer keeps a writer open for every partition it meets, at about 2 MB (measured) each; a frame
that is sorted needs one at a time and takes half the processor time (measured on a million readings).
"""

from __future__ import annotations

import json
import re
import zlib
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from io import BytesIO
from urllib.parse import quote
from uuid import uuid4

import polars as pl
from deltalake import DeltaTable, WriterProperties

from pipeline.tables import Table

# zstd 3 against the default on a million readings: about 40 % fewer bytes at the same write time.
COMPRESSION, LEVEL = "zstd", 3
# Files of older versions, and those of the table format's own writer, end otherwise.
_NAMED = re.compile(r"(?:^|/)part-[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}-([0-9a-f]{8})\.parquet$")
Put = Callable[[str, memoryview], tuple[int, int]]  # path below the table, content -> bytes and instant (ms)


@dataclass(frozen=True)
class PartFile:
    """One data file: path below the table's folder, bytes, instant of writing (ms), values and statistics."""

    path: str
    bytes: int
    written_ms: int
    values: dict[str, str | None]
    stats: str


def write_parts(put: Put, declared: Table, frame: pl.DataFrame, writers: int) -> list[PartFile]:
    """Write the rows, in their order, to new files; no file is read before it is committed.

    Args:
        put: writes one file where the table lies.
        frame: conforms to ``declared``.
        writers: files written at once; each is encoded by one thread.

    Raises:
        OSError: a file cannot be written.
    """
    columns = list(declared.partition)
    parts = frame.partition_by(columns, maintain_order=True, as_dict=True, include_key=False)
    with ThreadPoolExecutor(max_workers=writers) as pool:
        writing = [
            pool.submit(_write, put, declared, dict(zip(columns, key, strict=True)), rows)
            for key, rows in parts.items()
        ]
        return [written.result() for written in writing]


def as_written(path: str, content: bytes) -> bool:
    """Whether a data file is what was written, told by the CRC-32 in its name; true of names that have none.

    The file format would carry checksums of its pages, but the frame library writes none, and of bits that turn in columns
    that do not shrink it notices few.
    """
    told = _NAMED.search(path)
    return told is None or int(told[1], 16) == zlib.crc32(content)


def partition_values(values: dict[str, object]) -> dict[str, str | None]:
    """Values of partition columns as the table format writes them."""
    return {column: None if value is None else str(value) for column, value in values.items()}


def _write(put: Put, declared: Table, key: dict[str, object], rows: pl.DataFrame) -> PartFile:
    values = partition_values(key)
    steps = [f"{column}={quote(value or '__HIVE_DEFAULT_PARTITION__', safe='')}" for column, value in values.items()]
    # Through memory: writing to the disk itself, the frame library hides what the disk's error was.
    content = BytesIO()
    rows.write_parquet(content, compression=COMPRESSION, compression_level=LEVEL)
    path = "/".join([*steps, f"part-{uuid4()}-{zlib.crc32(content.getbuffer()):08x}.parquet"])
    size, written_ms = put(path, content.getbuffer())
    return PartFile(path, size, written_ms, values, _stats(declared, rows))


def _stats(declared: Table, rows: pl.DataFrame) -> str:
    """Rows, and first and last value of the key's text and instants: enough to pass files over."""
    keyed = [
        name for name in declared.key if name in rows.columns and rows[name].dtype in (pl.String, pl.Datetime)
    ]
    least, most = ({name: _said(getattr(rows[name], end)()) for name in keyed} for end in ("min", "max"))
    nulls = {name: rows[name].null_count() for name in keyed}
    return json.dumps({"numRecords": rows.height, "minValues": least, "maxValues": most, "nullCount": nulls})


def _said(value: object) -> object:
    return value if isinstance(value, str) else value.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


@dataclass(frozen=True)
class Tidied:
    """Files of a table before and after, and how many old ones were removed."""

    table: str
    files_before: int
    files_after: int
    removed: int


def log_kept(days: int) -> dict[str, str]:
    """Setting of a table: how long a version can be opened. The format forgets after 30 days if nothing is said."""
    return {"delta.logRetentionDuration": f"interval {days} days"}


def tidied(opened: DeltaTable, name: str, keep_days: int, writer: WriterProperties | None) -> Tidied:
    """Join small files with ``writer`` (None: leave them), remove what no version of ``keep_days`` days needs."""
    before = len(opened.file_uris())
    if writer is not None:
        opened.optimize.compact(writer_properties=writer)
    kept = log_kept(keep_days)
    if not kept.items() <= opened.metadata().configuration.items():
        opened.alter.set_table_properties(kept)
    removed = opened.vacuum(retention_hours=24 * keep_days, dry_run=False, enforce_retention_duration=False)
    opened.create_checkpoint()
    opened.cleanup_metadata()
    return Tidied(name, before, len(opened.file_uris()), len(removed))
