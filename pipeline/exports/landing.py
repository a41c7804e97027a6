"""Where readings and what is known of their lines enter the lake: the one writer of readings and of both tables of spans.

Exports that are read first or once more (ingest) and those that make lost partitions again (restore) end here.
"""

from __future__ import annotations

import polars as pl

from pipeline.lake import Lake
from pipeline.signals import signals

PACKAGE_ROWS = 500_000  # readings merged at once; bounds memory
PACKAGE_PARTITIONS = 256  # partitions written in one commit; the writer holds about 2 MB (measured) for each


def put_readings(lake: Lake, rows: pl.DataFrame, partitions: list[dict[str, object]]) -> None:
    """Replace the partitions (``day``, ``bucket``) by these rows, which may lack the signals that none of them sampled."""
    absent = [name for name in signals() if name not in rows.columns]
    lake.replace("readings", rows.with_columns(pl.lit(None).alias(name) for name in absent), partitions)


def add_spans(lake: Lake, spans: pl.DataFrame) -> None:
    """Add spans of exports that have none yet."""
    if spans.height:
        lake.append("export_spans", spans)


def put_spans(lake: Lake, spans: pl.DataFrame, exports: list[str]) -> None:
    """Replace what the lake says of these exports by ``spans``."""
    others = lake.read("export_spans", where=~pl.col("export_id").is_in(exports))
    lake.overwrite("export_spans", pl.concat([others, spans]))
