"""Derive: readings -> trips and indicator days, only for the partitions that changed."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl

from pipeline.lake import Lake, bucket_of
from pipeline.limits import qualify_params
from pipeline.query import Session, step
from pipeline.settings import Settings
from pipeline.tables import table

STEPS = (
    "05_unit_days",
    "10_samples",
    "20_banks",
    "25_cuts",
    "15_trips",
    "30_upstream_narrowband",
    "31_upstream_wide_range",
    "32_downstream",
    "33_catalyst",
    "34_heater",
    "35_fuel",
    "36_fuelling",
    "37_sensor_pairs",
    "38_upstream_shape",
    "39_wide_range_cells",
    "40_warm_up",
    "50_indicator_days",
)
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Shard:
    """A bucket and a run of days that is derived at once; the days beside it are read too, for trips over midnight."""

    bucket: int
    first_day: date
    last_day: date
    uris: tuple[str, ...]
    readings: int


@dataclass(frozen=True)
class DeriveSummary:
    """What a run derived: partitions in the lake, partitions derived again, readings read, rows written."""

    partitions: int
    derived: int
    readings: int
    indicators: int
    trips: int


def derive(
    settings: Settings, lake: Lake, progress: Callable[[int, int, int], None] | None = None
) -> DeriveSummary:
    """Bring trips and indicator days up to date with the readings.

    Args:
        progress: called with partitions done, partitions to do and readings read so far.

    Raises:
        QueryError, ConfigError, LakeError: a step, a limit or a table is wrong; what was committed stays valid.
    """
    params = qualify_params(settings)
    contents = _contents(settings, lake, params)
    known = lake.read("shards").select("day", "bucket", known="content")
    changed = contents.join(known, on=["day", "bucket"], how="left").filter(
        pl.col("known").is_null() | (pl.col("known") != pl.col("content"))
    )
    units = lake.read("register").select(*table("units").columns)
    files = lake.files("readings")
    done = readings = indicators = trips = 0
    for (bucket,), days in changed.group_by("bucket", maintain_order=True):
        records = []
        for shard in _shards(int(bucket), days, files, settings.shard_readings):
            made = _derive_shard(settings, lake, params, units, shard)
            counts = made["indicator_days"].group_by("day").len()
            in_shard = days.filter(pl.col("day").is_between(shard.first_day, shard.last_day))
            records.append(
                in_shard.join(counts, on="day", how="left").select(
                    "day", "bucket", "content", "readings", indicators=pl.col("len").fill_null(0).cast(pl.Int64)
                )
            )
            done += in_shard.height
            readings += shard.readings
            indicators += made["indicator_days"].height
            trips += made["trips"].height
            if progress is not None:
                progress(done, changed.height, readings)
        fresh = pl.concat(records)
        old = lake.read("shards").join(fresh, on=["day", "bucket"], how="anti")
        lake.overwrite("shards", pl.concat([old, fresh]))
    return DeriveSummary(contents.height, changed.height, readings, indicators, trips)


def _contents(settings: Settings, lake: Lake, params: dict[str, float]) -> pl.DataFrame:
    """One row a partition of the readings: rows, and a fingerprint of all that its indicators depend on."""
    recipe = json.dumps([params, [step(name).text for name in STEPS]], sort_keys=True)
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


def _shards(bucket: int, days: pl.DataFrame, files: pl.DataFrame, most_readings: int) -> Iterator[Shard]:
    """Runs of changed days of one bucket, each within the readings that may be held at once.

    A run ends before a day that is in the lake and unchanged; days without readings do not end it.
    """
    own = files.filter(pl.col("bucket") == bucket)
    rows = dict(days.select("day", "readings").iter_rows())
    run: list[date] = []
    held = 0
    for day in [*own["day"].unique().sort(), None]:
        ends = day is None or day not in rows or held + rows[day] > most_readings
        if run and ends:
            wanted = own.filter(pl.col("day").is_between(run[0] - _DAY, run[-1] + _DAY))
            yield Shard(bucket, run[0], run[-1], tuple(wanted["uri"]), held)
            run, held = [], 0
        if day is not None and day in rows:
            run.append(day)
            held += rows[day]


def _derive_shard(
    settings: Settings, lake: Lake, params: dict[str, float], units: pl.DataFrame, shard: Shard
) -> dict[str, pl.DataFrame]:
    spans = lake.read(
        "export_spans", where=pl.col("day").is_between(shard.first_day - _DAY, shard.last_day)
    )
    with Session(params, settings.threads, settings.memory_limit_mb) as session:
        session.attach_files("readings", list(shard.uris))
        session.attach("units", units)
        session.attach("export_spans", spans)
        for name in STEPS:
            session.run(name)
        trips = session.fetch("trips").with_columns(bucket=pl.lit(shard.bucket, pl.Int32))
        days = session.fetch("indicator_days").with_columns(bucket=pl.lit(shard.bucket, pl.Int32))
    days = days.filter(pl.col("day").is_between(shard.first_day, shard.last_day))
    # A trip that began the day before and ended in this shard is now whole: it replaces the one cut at midnight.
    trips = trips.filter(
        pl.col("day").is_between(shard.first_day, shard.last_day)
        | (pl.col("ended_at").dt.convert_time_zone(settings.time_zone).dt.date() >= shard.first_day)
    )
    _replace(lake, "indicator_days", days, shard, pl.col("day").is_between(shard.first_day, shard.last_day))
    began_in_shard = pl.col("day").is_between(shard.first_day, shard.last_day)
    _replace(lake, "trips", trips, shard, began_in_shard)
    return {"trips": trips, "indicator_days": days}


def _replace(lake: Lake, name: str, fresh: pl.DataFrame, shard: Shard, replaced: pl.Expr) -> None:
    """Put the shard's rows in place of the old ones inside the month partitions they share with other days."""
    months = sorted({*fresh["month"], *_months(shard.first_day, shard.last_day)})
    inside = (pl.col("bucket") == shard.bucket) & pl.col("month").is_in(months)
    key = [column for column in table(name).key]
    kept = lake.read(name, where=inside & ~replaced).join(fresh, on=key, how="anti")
    lake.replace(
        name, pl.concat([kept, fresh]), [{"month": month, "bucket": shard.bucket} for month in months]
    )


def _months(first: date, last: date) -> set[str]:
    days = pl.date_range(first, last, "1d", eager=True)
    return set(days.dt.strftime("%Y-%m"))
