"""What years do to a lake: another version of the tables, a signal that comes later, and what it takes on the disk."""

from __future__ import annotations

import shutil
from datetime import datetime
from pathlib import Path

import polars as pl
from deltalake import DeltaTable, write_deltalake

from pipeline.lake import Lake
from pipeline.tables import table, tables
from tests.data.make_older_lake import ABSENT

LATER_SIGNAL = "purge_pct"
# What can be measured or judged anew; of the readings only signals that nobody has sampled yet.
_DROPPED = ("trips", "signal_days", "trends", "evidence", "scores", "ranked", "exports")


def made_older(lake: Lake) -> list[str]:
    """Leave the lake as an older version would have: without columns that came later, measured by other SQL.

    Returns:
        The columns that are gone, as ``table.column``.
    """
    gone = []
    for name in sorted(each for each in tables() if lake.exists(each)):
        frame = lake.read(name)
        absent = [column for column in ABSENT.get(name, ()) if column in frame.columns]
        if name not in _DROPPED:
            absent = [column for column in absent if frame[column].null_count() == frame.height]
        if name == "shards":
            frame = frame.with_columns(content=pl.lit("older"))
        elif not absent:
            continue
        shutil.rmtree(lake.root / name)
        rows = frame.drop(absent).to_arrow()
        write_deltalake(str(lake.root / name), rows, partition_by=list(table(name).partition) or None)
        gone += [f"{name}.{column}" for column in absent]
    return gone


def columns_of(lake: Lake, name: str) -> set[str]:
    """Columns that the table has on the disk, declared or not."""
    return {field.name for field in DeltaTable(str(lake.root / name)).schema().fields}


def add_later_signal(exports: Path, since: datetime) -> None:
    """One vehicle samples one more signal from an instant on, in a file of its own."""
    rows = pl.concat([pl.read_parquet(path) for path in sorted((exports / "readings").glob("*.parquet"))], how="diagonal")
    unit = rows.filter(pl.col("ts") >= since)["unit_id"].min()
    mine = rows.filter((pl.col("unit_id") == unit) & (pl.col("ts") >= since)).select("unit_id", "ts")
    mine.with_columns(pl.lit(12.5).alias(LATER_SIGNAL)).write_parquet(exports / "readings" / "later_signal.parquet")


def taken_mb(lake: Lake) -> tuple[float, float]:
    """MB on the disk, and of them the data files that the tables have now."""
    whole = sum(path.stat().st_size for path in lake.root.rglob("*") if path.is_file())
    now = sum(lake.files(name)["bytes"].sum() for name in tables() if lake.exists(name))
    return whole / 1e6, now / 1e6
