"""Readings of a shard in order: files of single days laid one behind another, vehicle by vehicle."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.errors import LakeError
from pipeline.shards import by_vehicle
from pipeline.tables import table

DAY = date(2026, 1, 5)


def rows(unit: str, day: date, seconds: list[float], **columns: object) -> pl.DataFrame:
    begins = datetime(day.year, day.month, day.day, 8, tzinfo=UTC)
    instants = [begins + timedelta(seconds=second) for second in seconds]
    given = pl.DataFrame({"unit_id": unit, "ts": instants, "day": day, "bucket": 0, **columns})
    declared = table("readings")
    absent = [pl.lit(None, dtype=spec.type).alias(c) for c, spec in declared.columns.items() if c not in given.columns]
    return declared.conform(given.with_columns(absent))


def file(folder: Path, name: str, *frames: pl.DataFrame) -> str:
    whole = pl.concat(frames)
    path = folder / f"day={whole['day'][0]}" / "bucket=0" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    whole.drop("day", "bucket").write_parquet(path)
    return str(path)


def seen(frame: pl.DataFrame) -> list[tuple[str, datetime]]:
    return [(str(unit), instant) for unit, instant in frame.select("unit_id", "ts").iter_rows()]


def test_days_are_laid_behind_each_other_by_vehicle(tmp_path):
    next_day = DAY + timedelta(days=1)
    before = rows("V2", DAY - timedelta(days=1), [50000.0])
    parts = [rows("V1", DAY, [0, 5]), rows("V2", DAY, [1, 3]), rows("V2", next_day, [0, 2]), rows("V3", next_day, [4])]
    paths = [file(tmp_path, "b", *parts[2:]), file(tmp_path, "a", *parts[:2])]
    made = by_vehicle(paths, before)
    assert seen(made) == seen(pl.concat([before, *parts]).sort("unit_id", "ts"))
    assert made.schema == table("readings").schema | {"unit_id": pl.Enum(["V1", "V2", "V3"])}
    assert made["day"].to_list() == [DAY, DAY, DAY - timedelta(days=1), DAY, DAY, next_day, next_day, next_day]


def test_two_files_of_one_day_are_put_by_vehicle(tmp_path):
    one, other = rows("V1", DAY, [0, 4]), rows("V1", DAY, [2, 6])
    made = by_vehicle([file(tmp_path, "a", one), file(tmp_path, "b", other)], table("readings").empty())
    assert seen(made) == seen(pl.concat([one, other]).sort("ts"))


def test_a_column_that_a_file_lacks_is_null(tmp_path):
    path = file(tmp_path, "a", rows("V1", DAY, [0], rpm=900.0))
    pl.read_parquet(path, hive_partitioning=False).drop("purge_pct").write_parquet(path)
    made = by_vehicle([path], table("readings").empty())
    assert made["purge_pct"].to_list() == [None]
    assert made["rpm"].to_list() == [900.0]


def test_a_file_that_cannot_be_read_is_named(tmp_path):
    path = file(tmp_path, "a", rows("V1", DAY, [0]))
    Path(path).write_bytes(b"PAR1 and no more")
    with pytest.raises(LakeError, match=r"bucket=0/a cannot be read"):
        by_vehicle([path], table("readings").empty())
