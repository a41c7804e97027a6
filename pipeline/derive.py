"""Derive: readings -> trips and indicator days, only for the partitions that changed."""

from __future__ import annotations

import hashlib
import json
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial
from itertools import islice

import polars as pl

from pipeline.lake import Lake, bucket_of
from pipeline.limits import qualify_params
from pipeline.query import Session, step
from pipeline.settings import Settings
from pipeline.shards import Shard, crossing, in_order, shards_of
from pipeline.tables import table

STEPS = (
    "05_unit_days",
    "10_context",
    "11_samples",
    "12_signal_days",
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
_LAST_TO_READ_READINGS = [name for name in STEPS if "readings" in step(name).reads][-1]
_DAY = timedelta(days=1)
_PARTITIONS_AT_ONCE = 8  # months of buckets rewritten in one commit: opening and committing a table is dear


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
    work = [
        (days, shard)
        for (bucket,), days in changed.group_by("bucket", maintain_order=True)
        for shard in shards_of(int(bucket), days, files, settings.shard_readings)
    ]
    with ThreadPoolExecutor(settings.threads) as pool:
        measured = _ahead(pool, settings.threads, [partial(_measure, settings, lake, params, units, s) for _, s in work])
        held: list[tuple[pl.DataFrame, Shard, dict[str, pl.DataFrame]]] = []
        for place, ((days, shard), made) in enumerate(zip(work, measured, strict=True)):
            held.append((days.filter(pl.col("day").is_between(shard.first_day, shard.last_day)), shard, made))
            done += held[-1][0].height
            readings += shard.readings
            indicators += made["indicator_days"].height
            trips += made["trips"].height
            if place + 1 == len(work) or len(_partitions([s for _, s, _ in held])) >= _PARTITIONS_AT_ONCE:
                _store(lake, held)
                held = []
            if progress is not None:
                progress(done, changed.height, readings)
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


def _ahead(
    pool: ThreadPoolExecutor, most: int, jobs: list[Callable[[], dict[str, pl.DataFrame]]]
) -> Iterator[dict[str, pl.DataFrame]]:
    """Results of the jobs in their order, with no more than ``most`` at work or waiting to be taken."""
    waiting = iter(jobs)
    running = deque(pool.submit(job) for job in islice(waiting, most))
    try:
        while running:
            made = running.popleft().result()
            running.extend(pool.submit(job) for job in islice(waiting, 1))
            yield made
    finally:
        for job in running:
            job.cancel()


def _measure(
    settings: Settings, lake: Lake, params: dict[str, float], units: pl.DataFrame, shard: Shard
) -> dict[str, pl.DataFrame]:
    """Trips and indicator days of a shard. One engine thread each: windows that stream use one anyway."""
    spans = lake.read(
        "export_spans", where=pl.col("day").is_between(shard.first_day - _DAY, shard.last_day + _DAY)
    )
    beside = crossing(lake, shard, spans, params["trip_gap_s"])
    memory_mb = max(settings.memory_limit_mb // settings.threads, 100)
    with lake.on_disk(list(shard.uris)) as paths:
        readings = in_order(paths, beside)
    with Session(params, 1, memory_mb) as session:
        session.attach("readings", readings)
        session.attach("units", units)
        session.attach("export_spans", spans)
        del readings, beside
        for name in STEPS:
            session.run(name)
            if name == _LAST_TO_READ_READINGS:
                session.detach("readings")
        trips = session.fetch("trips").with_columns(bucket=pl.lit(shard.bucket, pl.Int32))
        days = session.fetch("indicator_days").with_columns(bucket=pl.lit(shard.bucket, pl.Int32))
        signals = session.fetch("signal_days").with_columns(bucket=pl.lit(shard.bucket, pl.Int32))
    in_shard = pl.col("day").is_between(shard.first_day, shard.last_day)
    # A trip that began the day before and ended in this shard is now whole: it replaces the one cut at midnight.
    trips = trips.filter(
        (pl.col("day") <= shard.last_day)
        & (pl.col("ended_at").dt.convert_time_zone(settings.time_zone).dt.date() >= shard.first_day)
    )
    return {"trips": trips, "indicator_days": days.filter(in_shard), "signal_days": signals.filter(in_shard)}


def _store(lake: Lake, held: list[tuple[pl.DataFrame, Shard, dict[str, pl.DataFrame]]]) -> None:
    """Commit what several shards made, and last which partitions they were made from: days, shard, tables of each."""
    shards = [shard for _, shard, _ in held]
    for name in ("indicator_days", "signal_days", "trips"):
        fresh = pl.concat([made[name] for _, _, made in held])
        # A trip over midnight lies in two shards; the later one has the whole of it.
        _replace(lake, name, fresh.unique(table(name).key, keep="last", maintain_order=True), shards)
    records = []
    for days, _, made in held:
        counts = made["indicator_days"].group_by("day").len()
        records.append(
            days.join(counts, on="day", how="left").select(
                "day", "bucket", "content", "readings", indicators=pl.col("len").fill_null(0).cast(pl.Int64)
            )
        )
    fresh = pl.concat(records)
    old = lake.read("shards").join(fresh, on=["day", "bucket"], how="anti")
    lake.overwrite("shards", pl.concat([old, fresh]))


def _replace(lake: Lake, name: str, fresh: pl.DataFrame, shards: list[Shard]) -> None:
    """Put the shards' rows in place of the old ones inside the month partitions they share with other days."""
    wanted = _partitions(shards) | set(fresh.select("month", "bucket").iter_rows())
    wide = pl.DataFrame(sorted(wanted), schema={"month": pl.String, "bucket": pl.Int32}, orient="row")
    beside = pl.col("bucket").is_in(wide["bucket"].unique().implode()) & pl.col("month").is_in(
        wide["month"].unique().implode()
    )
    own = pl.any_horizontal(
        (pl.col("bucket") == shard.bucket) & pl.col("day").is_between(shard.first_day, shard.last_day) for shard in shards
    )
    kept = lake.read(name, where=beside).join(wide, on=["month", "bucket"], how="semi").filter(~own)
    kept = kept.join(fresh, on=list(table(name).key), how="anti")
    lake.replace(name, pl.concat([kept, fresh]), wide.to_dicts())


def _partitions(shards: list[Shard]) -> set[tuple[str, int]]:
    """Month and bucket of every partition that the days of the shards lie in."""
    return {(month, shard.bucket) for shard in shards for month in _months(shard.first_day, shard.last_day)}


def _months(first: date, last: date) -> set[str]:
    days = pl.date_range(first, last, "1d", eager=True)
    return set(days.dt.strftime("%Y-%m"))
