"""Shards: which readings are derived together, in which order, and which rows of the days beside them belong to trips
over midnight.
"""

from __future__ import annotations

import hashlib
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl

from pipeline.errors import RESTORE, LakeError
from pipeline.lake import Lake, bucket_of
from pipeline.settings import Settings
from pipeline.tables import table

_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Shard:
    """A run of days of one bucket or several that is derived at once, with the files that hold it.

    ``parts`` are the shards of one bucket each that were joined; none where there is one bucket.
    """

    buckets: tuple[int, ...]
    first_day: date
    last_day: date
    uris: tuple[str, ...]
    readings: int
    parts: tuple[Shard, ...] = ()

    def __str__(self) -> str:
        """As messages name it."""
        word = "bucket" if len(self.buckets) == 1 else "buckets"
        return f"{word} {', '.join(map(str, self.buckets))}, {self.first_day} to {self.last_day}"


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
            yield Shard((bucket,), run[0], run[-1], tuple(wanted["uri"]), held)
            run, held = [], 0
        if day is not None and day in rows:
            run.append(day)
            held += rows[day]


def joined(shards: Iterable[Shard], files: pl.DataFrame, most_readings: int) -> list[Shard]:
    """Small shards of different buckets put together, so that what each costs besides its readings is paid once.

    A night brings one day to every bucket. Two shards stay apart where the days of both hold a day of either bucket that
    is in the lake and not to be derived: what is put together is replaced together.

    Args:
        files: as :meth:`Lake.files` of the readings.
        most_readings: of a shard that is put together; one that has more already is handed on as it is.
    """
    held = dict(files.group_by("bucket").agg(pl.col("day").unique().sort()).iter_rows())
    groups: list[list[Shard]] = []
    room, first, last = 0, date.max, date.min
    for shard in sorted(shards, key=lambda shard: (shard.first_day, shard.last_day, shard.buckets)):
        wider = min(first, shard.first_day), max(last, shard.last_day)
        asked = [shard] if wider == (first, last) else [*(groups[-1] if groups else []), shard]
        if groups and shard.readings <= room and all(_alone(each, held[each.buckets[0]], *wider) for each in asked):
            groups[-1].append(shard)
            room -= shard.readings
            first, last = wider
        else:
            groups.append([shard])
            room, first, last = most_readings - shard.readings, shard.first_day, shard.last_day
    return sorted(map(_together, groups), key=lambda shard: (shard.buckets[0], shard.first_day))


def _alone(shard: Shard, days: list[date], first: date, last: date) -> bool:
    """Whether its bucket has no other day in the lake between ``first`` and ``last``; ``days`` in order."""
    own = bisect_left(days, shard.first_day), bisect_right(days, shard.last_day)
    return own == (bisect_left(days, first), bisect_right(days, last))


def _together(shards: list[Shard]) -> Shard:
    if len(shards) == 1:
        return shards[0]
    shards = sorted(shards, key=lambda shard: shard.buckets)
    return Shard(
        tuple(shard.buckets[0] for shard in shards), min(shard.first_day for shard in shards),
        max(shard.last_day for shard in shards), tuple(uri for shard in shards for uri in shard.uris),
        sum(shard.readings for shard in shards), tuple(shards),
    )


def unmeasured(lake: Lake, which: pl.Expr) -> pl.DataFrame:
    """``day`` and ``bucket`` of partitions that no derive has measured, or that held other readings when it did.

    Args:
        which: of ``day``: the partitions asked for.
    """
    held = lake.files("readings").filter(which).group_by("day", "bucket").agg(pl.col("rows").sum())
    known = lake.read("shards", where=which)
    return held.join(known, on=["day", "bucket"], how="left").filter(
        pl.col("readings").is_null() | (pl.col("readings") != pl.col("rows"))
    ).select("day", "bucket")


def fingerprints(settings: Settings, lake: Lake, recipe: str) -> pl.DataFrame:
    """One row a partition of the readings: ``day``, ``bucket``, ``readings`` (rows) and ``content``, a fingerprint of all
    that its indicators depend on.

    Args:
        recipe: the steps and the limits that they read, as text.
    """
    units = _units_by_bucket(settings, lake)
    files = lake.files("readings")
    parts = files.group_by("day", "bucket").agg(
        readings=pl.col("rows").sum(), paths=pl.col("path").sort().str.join("|")
    )
    before = parts.select(day=pl.col("day") + _DAY, bucket="bucket", before="paths")
    joined = parts.join(before, on=["day", "bucket"], how="left").sort("bucket", "day")
    digests = [
        hashlib.sha256(
            f"{recipe}|{units.get(row['bucket'], '')}|{row['paths']}|{row['before']}".encode()
        ).hexdigest()[:16]
        for row in joined.iter_rows(named=True)
    ]
    return joined.select("day", "bucket", "readings", content=pl.Series(digests, dtype=pl.String))


def _units_by_bucket(settings: Settings, lake: Lake) -> dict[int, str]:
    """Banks and sensor kind decide what is measured: a corrected register derives that vehicle's bucket again."""
    units = lake.read("register").select(*table("units").columns)
    buckets = units.with_columns(bucket=bucket_of(units["unit_id"], settings.buckets))
    return {
        int(bucket): rows.drop("bucket").write_csv() for (bucket,), rows in buckets.group_by("bucket", maintain_order=True)
    }


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
        _day_of(lake, shard.buckets, day, moving)
        for day, moving in ((shard.first_day - _DAY, came), (shard.last_day + _DAY, went))
        if moving.len()
    ]
    return pl.concat([table("readings").empty(), *parts])


def _day_of(lake: Lake, buckets: tuple[int, ...], day: date, units: pl.Series) -> pl.DataFrame:
    one = lake.scan("readings").filter(pl.col("bucket").is_in(buckets) & (pl.col("day") == day))
    return lake.collect(one.filter(pl.col("unit_id").is_in(units.implode())), RESTORE)


def by_vehicle(paths: list[str], beside: pl.DataFrame) -> pl.DataFrame:
    """Readings of a shard by vehicle and instant, the vehicles as ``pl.Enum``.

    Every file is one day in that order already, so that each vehicle's rows of a day are laid behind those of the day
    before as they are; only where a day has several files are they put in order.

    Args:
        paths: data files of the readings, their partition in the path.
        beside: as :func:`crossing`.

    Raises:
        LakeError: a file cannot be read.
    """
    days = [_read(path) for path in paths] + beside.partition_by("day")
    vehicles = pl.Enum(sorted(set().union(*(day["unit_id"].unique() for day in days))))
    days = [day.with_columns(pl.col("unit_id").cast(vehicles)) for day in days]
    parts = []
    for day in days:
        runs = day.select(pl.col("unit_id").rle()).unnest("unit_id").with_columns(first=pl.col("len").cum_sum() - pl.col("len"))
        parts += [((unit, day["day"][first]), day.slice(first, rows)) for rows, unit, first in runs.iter_rows()]
    parts.sort(key=lambda part: part[0])
    whole = pl.concat([rows for _, rows in parts], rechunk=True)
    same = pl.col("unit_id") == pl.col("unit_id").shift(1)
    if whole.select((same & (pl.col("ts") < pl.col("ts").shift(1))).any()).item():
        return whole.sort("unit_id", "ts")
    return whole


def readings_of(lake: Lake, uris: list[str]) -> pl.DataFrame:
    """Readings of data files of the lake, in declared columns.

    Raises:
        LakeError: a file cannot be read.
    """
    with lake.on_disk(uris, RESTORE) as paths:
        return pl.concat([_read(path) for path in paths])


def _read(path: str) -> pl.DataFrame:
    declared = table("readings").columns
    partition = {column: declared[column].type for column in table("readings").partition}
    try:
        found = pl.read_parquet(path, hive_partitioning=True, hive_schema=partition, parallel="none")
    except (OSError, pl.exceptions.PolarsError) as error:
        raise LakeError(f"readings file {path} cannot be read: {error}; {RESTORE}") from error
    return found.select(
        pl.col(column).cast(spec.type) if column in found.columns else pl.lit(None, dtype=spec.type).alias(column)
        for column, spec in declared.items()
    )
