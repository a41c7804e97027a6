"""Shards: which readings are derived together, and which rows of the days beside them belong to trips over midnight."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl

from pipeline.lake import Lake
from pipeline.tables import table

_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Shard:
    """A bucket and a run of days that is derived at once, with the files that hold it."""

    bucket: int
    first_day: date
    last_day: date
    uris: tuple[str, ...]
    readings: int

    def __str__(self) -> str:
        """As messages name it."""
        return f"bucket {self.bucket}, {self.first_day} to {self.last_day}"


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


def crossing(lake: Lake, shard: Shard, spans: pl.DataFrame, trip_gap_s: float) -> pl.DataFrame:
    """Readings of the day before and the day after, of the vehicles that drive over the midnight between.

    A vehicle whose last reading of one day and first of the next lie further apart than ``trip_gap_s`` has no trip in
    common with the day beside it, and of most vehicles that day need not be read.

    Args:
        spans: unit_id, day, first_ts, last_ts of the exports, the days beside included.

    Returns:
        Whole days of readings, in declared columns; none where nobody drives over midnight.
    """
    ends = spans.group_by("unit_id", "day").agg(pl.col("first_ts").min(), pl.col("last_ts").max())
    nights = ends.join(
        ends.select("unit_id", day=pl.col("day") - _DAY, next_ts="first_ts"), on=["unit_id", "day"]
    ).filter(pl.col("next_ts") - pl.col("last_ts") <= timedelta(seconds=trip_gap_s))
    came = nights.filter(pl.col("day") == shard.first_day - _DAY)["unit_id"]
    went = nights.filter(pl.col("day") == shard.last_day)["unit_id"]
    parts = [
        _day_of(lake, shard.bucket, day, moving)
        for day, moving in ((shard.first_day - _DAY, came), (shard.last_day + _DAY, went))
        if moving.len()
    ]
    return pl.concat([table("readings").empty(), *parts])


def _day_of(lake: Lake, bucket: int, day: date, units: pl.Series) -> pl.DataFrame:
    one = lake.scan("readings").filter((pl.col("bucket") == bucket) & (pl.col("day") == day))
    return lake.collect(one.filter(pl.col("unit_id").is_in(units.implode())))
