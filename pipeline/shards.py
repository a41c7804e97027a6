"""Shards: which readings are derived together, and which rows of the days beside them belong to trips over midnight."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl

from pipeline.lake import Lake

_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Shard:
    """A bucket and a run of days that is derived at once, with the files that hold it."""

    bucket: int
    first_day: date
    last_day: date
    uris: tuple[str, ...]
    readings: int


def shards_of(bucket: int, days: pl.DataFrame, files: pl.DataFrame, most_readings: int) -> Iterator[Shard]:
    """Runs of changed days of one bucket, each within the readings that may be held at once.

    A run ends before a day that is in the lake and unchanged; days without readings do not end it.

    Args:
        days: day, readings of the changed partitions of the bucket.
        files: as :meth:`Lake.files` of the readings.
    """
    own = files.filter(pl.col("bucket") == bucket)
    rows = dict(days.select("day", "readings").iter_rows())
    run: list[date] = []
    held = 0
    for day in [*own["day"].unique().sort(), None]:
        ends = day is None or day not in rows or held + rows[day] > most_readings
        if run and ends:
            wanted = own.filter(pl.col("day").is_between(run[0], run[-1]))
            yield Shard(bucket, run[0], run[-1], tuple(wanted["uri"]), held)
            run, held = [], 0
        if day is not None and day in rows:
            run.append(day)
            held += rows[day]


def crossing(lake: Lake, shard: Shard, trip_gap_s: float) -> pl.DataFrame:
    """Readings of the day before and the day after, of the vehicles that drive over the midnight between.

    A vehicle whose last reading of one day and first of the next lie further apart than ``trip_gap_s`` has no trip in
    common with the day beside it, and of most vehicles that day need not be read.

    Returns:
        Whole days of readings, in declared columns; none where nobody drives over midnight.
    """
    gap = timedelta(seconds=trip_gap_s)
    first, last = (_ends(lake, shard.bucket, day) for day in (shard.first_day, shard.last_day))
    before, after = (_ends(lake, shard.bucket, day) for day in (shard.first_day - _DAY, shard.last_day + _DAY))
    came = before.join(first, on="unit_id", suffix="_own").filter(pl.col("first_ts_own") - pl.col("last_ts") <= gap)
    went = last.join(after, on="unit_id", suffix="_after").filter(pl.col("first_ts_after") - pl.col("last_ts") <= gap)
    parts = [
        _day_of(lake, shard.bucket, day, moving["unit_id"])
        for day, moving in ((shard.first_day - _DAY, came), (shard.last_day + _DAY, went))
    ]
    return pl.concat(parts)


def _ends(lake: Lake, bucket: int, day: date) -> pl.DataFrame:
    """unit_id, first_ts, last_ts of one partition."""
    one = lake.scan("readings").filter((pl.col("bucket") == bucket) & (pl.col("day") == day))
    return one.group_by("unit_id").agg(first_ts=pl.col("ts").min(), last_ts=pl.col("ts").max()).collect()


def _day_of(lake: Lake, bucket: int, day: date, units: pl.Series) -> pl.DataFrame:
    one = lake.scan("readings").filter((pl.col("bucket") == bucket) & (pl.col("day") == day))
    return one.filter(pl.col("unit_id").is_in(units.implode())).collect()
