"""Where readings and what is known of their lines enter the lake: the one writer of readings and of both tables of spans.

Exports that are read first or once more (ingest) and those that make lost partitions again (restore) end here.
"""

from __future__ import annotations

import polars as pl

from pipeline.exports.again import joined_spans
from pipeline.lake import Lake
from pipeline.signals import signals
from pipeline.tables import table

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


def lose_spans(lake: Lake, gone: pl.DataFrame) -> None:
    """What these spans speak of is lost: they move to ``lost_spans``."""
    if gone.height:
        lake.overwrite("export_spans", _without(lake.read("export_spans"), gone))
        lake.overwrite("lost_spans", joined_spans(lake.read("lost_spans"), gone))


def regain_spans(lake: Lake, back: pl.DataFrame) -> None:
    """What these spans of ``lost_spans`` speak of is in the lake again: they move back."""
    if back.height:
        lake.overwrite("lost_spans", _without(lake.read("lost_spans"), back))
        lake.overwrite("export_spans", joined_spans(lake.read("export_spans"), back))


def _without(spans: pl.DataFrame, these: pl.DataFrame) -> pl.DataFrame:
    return spans.join(these, on=list(table("export_spans").key), how="anti")
