"""Shards: runs of days within their size, and the rows that a trip over midnight needs from the day beside."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.lake import Lake
from pipeline.shards import Shard, crossing, joined, shards_of
from tests.sql.given import readings

DAY = date(2026, 1, 6)
MIDNIGHT = datetime(2026, 1, 6, tzinfo=UTC)
GAP_S = 100.0


def shard(first: date = DAY, last: date = DAY) -> Shard:
    return Shard((0,), first, last, (), 0)


def beside(lake: Lake, of: Shard) -> pl.DataFrame:
    return crossing(lake, of, lake.read("export_spans"), GAP_S)


def lake_of(root: Path, *frames: pl.DataFrame) -> Lake:
    made = Lake(str(root))
    frame = pl.concat(frames)
    spans = frame.group_by("unit_id", "day").agg(
        first_ts=pl.col("ts").min(), last_ts=pl.col("ts").max(), rows=pl.len().cast(pl.Int64)
    )
    made.overwrite(
        "export_spans",
        spans.with_columns(export_id=pl.lit("e"), first_line=1, last_line=1, arrived_at=pl.lit(MIDNIGHT))
        .cast({"first_line": pl.Int64, "last_line": pl.Int64}),
    )
    parts = [{"day": day, "bucket": 0} for day in frame["day"].unique().sort()]
    made.replace("readings", frame.sort("unit_id", "ts"), parts)
    return made


def drive(unit: str, *seconds: float) -> pl.DataFrame:
    """Readings so many seconds after midnight."""
    return readings(list(seconds), start=MIDNIGHT, unit_id=unit)


def test_nobody_over_midnight_needs_no_day_beside(tmp_path: Path) -> None:
    lake = lake_of(tmp_path, drive("V1", -500, -400), drive("V1", 0, 10), drive("V1", 90_000))
    assert beside(lake, shard()).height == 0


def test_whole_days_of_those_who_drive_over_midnight_and_of_nobody_else(tmp_path: Path) -> None:
    lake = lake_of(
        tmp_path, drive("V1", -7000, -50), drive("V1", 50), drive("V2", -50), drive("V2", 51), drive("V3", -20)
    )
    rows = beside(lake, shard())
    assert rows["unit_id"].to_list() == ["V1", "V1"]  # V2 stood 101 s, V3 has no reading on the day itself
    assert (rows["day"] == DAY - timedelta(days=1)).all()


def test_the_day_after_counts_from_the_last_day_of_the_run(tmp_path: Path) -> None:
    evening, morning = 2 * 86_400 - 30, 2 * 86_400 + 30
    lake = lake_of(tmp_path, drive("V1", 10), drive("V1", evening), drive("V1", morning, morning + 5000))
    rows = beside(lake, shard(last=DAY + timedelta(days=1)))
    assert rows["ts"].to_list() == [MIDNIGHT + timedelta(seconds=s) for s in (morning, morning + 5000)]


def files(*days: int) -> pl.DataFrame:
    return pl.DataFrame(
        [{"bucket": 0, "day": DAY + timedelta(days=day), "uri": f"f{day}"} for day in days],
        schema={"bucket": pl.Int32, "day": pl.Date, "uri": pl.String},
    )


@pytest.mark.parametrize(
    ("changed", "most", "runs"),
    [
        ([0, 1, 2], 100, [(0, 2)]),
        ([0, 1, 2], 20, [(0, 1), (2, 2)]),
        ([0, 1, 2], 1, [(0, 0), (1, 1), (2, 2)]),  # one day at least
        ([0, 2], 100, [(0, 0), (2, 2)]),  # day 1 is in the lake and unchanged
        ([0, 5], 100, [(0, 0), (5, 5)]),
    ],
)
def test_runs_of_changed_days(changed: list[int], most: int, runs: list[tuple[int, int]]) -> None:
    days = pl.DataFrame({"day": [DAY + timedelta(days=day) for day in changed], "readings": [10] * len(changed)})
    made = shards_of(0, days, files(0, 1, 2, 5), most)
    assert [((s.first_day - DAY).days, (s.last_day - DAY).days) for s in made] == runs


def test_days_without_readings_do_not_end_a_run() -> None:
    days = pl.DataFrame({"day": [DAY, DAY + timedelta(days=3)], "readings": [10, 10]})
    only = list(shards_of(0, days, files(0, 3), 100))
    assert len(only) == 1 and only[0].uris == ("f0", "f3") and only[0].readings == 20


def files_of(shards: list[Shard]) -> pl.DataFrame:
    """The first and the last day of each, as the lake would name their files."""
    days = [(shard.buckets[0], (day - DAY).days) for shard in shards for day in (shard.first_day, shard.last_day)]
    return pl.concat([files(), *(files(day).with_columns(bucket=pl.lit(bucket, pl.Int32)) for bucket, day in days)])


def runs_of(*given: tuple[int, int, int, int]) -> list[Shard]:
    """One shard a bucket, first day, last day and readings."""
    return [
        Shard((bucket,), DAY + timedelta(days=first), DAY + timedelta(days=last), (f"b{bucket}d{first}",), readings)
        for bucket, first, last, readings in given
    ]


@pytest.mark.parametrize(
    ("given", "most", "together"),
    [
        ([(0, 0, 0, 10), (1, 0, 0, 10), (2, 0, 0, 10)], 30, [(0, 1, 2)]),
        ([(0, 0, 0, 10), (1, 0, 0, 10), (2, 0, 0, 10)], 20, [(0, 1), (2,)]),
        ([(0, 0, 0, 10), (1, 0, 0, 10)], 19, [(0,), (1,)]),
        ([(0, 0, 0, 99), (1, 0, 0, 5), (2, 0, 0, 5)], 20, [(0,), (1, 2)]),  # more than that already: as it is
        ([(0, 0, 3, 5), (1, 0, 2, 5), (2, 1, 3, 5)], 20, [(0, 1, 2)]),  # no readings on the days that they lack
        ([(0, 4, 4, 5), (1, 4, 4, 5), (0, 8, 8, 5), (1, 8, 8, 5)], 20, [(0, 1), (0, 1)]),
        ([], 20, []),
    ],
)
def test_small_shards_are_put_together(
    given: list[tuple[int, int, int, int]], most: int, together: list[tuple[int, ...]]
) -> None:
    apart = runs_of(*given)
    made = joined(apart, files_of(apart), most)
    assert [shard.buckets for shard in made] == together
    assert sorted(uri for shard in made for uri in shard.uris) == sorted(uri for shard in apart for uri in shard.uris)
    assert sum(shard.readings for shard in made) == sum(shard.readings for shard in apart)
    parts = [part for shard in made for part in shard.parts or (shard,)]
    assert sorted(map(str, parts)) == sorted(map(str, apart))
    for shard in made:
        assert all(shard.first_day <= part.first_day <= part.last_day <= shard.last_day for part in shard.parts)


@pytest.mark.parametrize("unchanged", [(0, 3), (1, 0)])
def test_a_day_that_did_not_change_keeps_shards_apart(unchanged: tuple[int, int]) -> None:
    """What is put together is replaced together: the day would be gone."""
    apart = runs_of((0, 0, 2, 5), (1, 1, 3, 5))
    assert len(joined(apart, files_of(apart), 50)) == 1
    more = files(unchanged[1]).with_columns(bucket=pl.lit(unchanged[0], pl.Int32))
    assert [shard.buckets for shard in joined(apart, pl.concat([files_of(apart), more]), 50)] == [(0,), (1,)]


def test_the_days_of_a_bucket_stay_in_order_and_are_named() -> None:
    apart = runs_of((0, 2, 2, 10), (0, 5, 5, 10), (1, 2, 2, 10))
    made = joined(apart, files_of(apart), 50)
    assert [str(shard) for shard in made] == ["buckets 0, 1, 2026-01-08 to 2026-01-08", "bucket 0, 2026-01-11 to 2026-01-11"]
