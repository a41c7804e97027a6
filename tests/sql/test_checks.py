"""Data checks: silent on a lake that ingest and derive made, and each finds what is planted for it."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from pipeline.checks import CHECKS, check
from pipeline.derive import derive
from pipeline.lake import Lake
from pipeline.query import SQL, Session, step
from pipeline.settings import Settings
from pipeline.thinning import thin
from tests.faults.lakes import fleet, run, write


EMPTY = ("readings_thin", "thinned", "lost_spans")  # in a lake of which nothing was thinned or lost


def offenders(lake: Lake, name_of_check: str, **planted: Callable[[pl.DataFrame], pl.DataFrame]) -> list[str]:
    """Problems that a check finds in the lake's tables, after changing those named."""
    with Session({}, threads=1) as session:
        for name in step(name_of_check).reads:
            frame = lake.read(name)
            session.attach(name, planted[name](frame) if name in planted else frame)
        return session.offenders(name_of_check)["problem"].to_list()


@pytest.fixture(scope="module")
def lake(tmp_path_factory: pytest.TempPathFactory) -> Lake:
    """Two vehicles over midnight, with a duplicate, an unusable row and a late half of an instant."""
    folder = tmp_path_factory.mktemp("checked")
    header = "unit_id,ts,rpm,speed_kmh,coolant_degc,run_time_s,o2_b1s1_v,stft_b1_pct,fuel_status_b1\n"
    midnight = datetime(2026, 1, 6, tzinfo=UTC)
    lines = [
        f"V{unit},{midnight + timedelta(seconds=second):%Y-%m-%dT%H:%M:%SZ},1500,50,90,{second + 7000},"
        f"{0.2 + 0.6 * (second // 5 % 2):.2f},1.5,2\n"
        for unit in (1, 2)
        for second in range(-300, 300, 5)
    ]
    first = header + "".join(lines) + lines[0] + "V1,yesterday,1500,,,,,,\n"
    late = "unit_id,ts,o2_b1s2_v\nV1,2026-01-05T23:55:00Z,0.7\nV1,2026-01-05T23:55:01Z,0.7\n"
    settings, made = fleet(folder)
    run(settings, made, write(folder / "first.csv", first))
    run(settings, made, write(folder / "late.csv", late))
    derive(settings, made)
    return made


@pytest.mark.parametrize("name_of_check", CHECKS)
def test_a_sound_lake_has_no_offenders(lake, name_of_check):
    assert all(lake.read(name).height for name in step(name_of_check).reads if name not in EMPTY)
    assert offenders(lake, name_of_check) == []


@pytest.fixture(scope="module")
def thin_lake(lake: Lake, tmp_path_factory: pytest.TempPathFactory) -> Lake:
    """The same lake with its first day thinned."""
    copied = Lake(str(shutil.copytree(lake.root, tmp_path_factory.mktemp("thin") / "lake")))
    settings = Settings(lake=str(copied.root), buckets=2, keep_readings_days=35, history_weeks=4)
    at = datetime(2026, 2, 10, tzinfo=UTC)
    thin(settings, copied, at.date(), at)
    return copied


@pytest.mark.parametrize("name_of_check", CHECKS)
def test_a_thinned_lake_has_no_offenders(thin_lake, name_of_check):
    assert all(thin_lake.read(name).height for name in step(name_of_check).reads if name != "lost_spans")
    assert offenders(thin_lake, name_of_check) == []


def test_thin_rows_that_are_lost_or_were_never_counted_are_found(thin_lake):
    def fewer(frame: pl.DataFrame) -> pl.DataFrame:
        return frame.filter(pl.col("ts") > frame["ts"].min())

    lost = offenders(thin_lake, "checks/thinned", readings_thin=fewer)
    assert set(lost) == {"thinned: other rows are left than were counted"}
    uncounted = offenders(thin_lake, "checks/thinned", thinned=lambda frame: frame.clear())
    assert set(uncounted) == {"thinned: other rows are left than were counted"}
    grown = offenders(thin_lake, "checks/thinned", thinned=lambda f: f.with_columns(rows_before=pl.lit(0, pl.Int64)))
    assert set(grown) == {"thinned: more rows are left than there were"}


def test_readings_of_a_thinned_day_are_found(thin_lake, lake):
    whole = lake.read("readings")
    assert set(offenders(thin_lake, "checks/thinned", readings=lambda _: whole)) == {"thinned: the readings are still there"}


def test_a_thinned_day_without_its_ledger_is_found(thin_lake):
    gone = offenders(thin_lake, "checks/derived", thinned=lambda frame: frame.clear())
    assert set(gone) == {
        "shards: a partition was derived from other rows", "indicator_days: no readings of that day",
        "trips: no readings of that day",
    }
    assert set(offenders(thin_lake, "checks/balance", thinned=lambda frame: frame.clear())) == {
        "readings: a day holds more than was kept, or nothing of it"
    }


def test_rows_that_were_lost_with_a_file_are_looked_for_among_lost_spans(lake):
    def gone(frame: pl.DataFrame) -> pl.DataFrame:
        return frame.filter(pl.col("unit_id") != "V2")

    lost = lake.read("export_spans").filter(pl.col("unit_id") == "V2")
    assert lost.height == 2
    told = offenders(lake, "checks/balance", export_spans=gone, readings=gone, lost_spans=lambda _: lost)
    assert told == []
    untold = offenders(lake, "checks/balance", export_spans=gone, readings=gone)
    assert untold == ["exports: kept readings have no span"]
    half = offenders(lake, "checks/balance", export_spans=gone, readings=gone, lost_spans=lambda _: lost.head(1))
    assert half == ["exports: kept readings have no span"]


def test_every_check_is_run():
    assert set(CHECKS) == {f"checks/{path.stem}" for path in (SQL / "checks").glob("*.sql")}


def test_all_checks_at_once(lake, tmp_path):
    settings = Settings(lake=str(lake.root), buckets=2)
    assert check(settings, lake).height == 0
    spoiled = Lake(str(shutil.copytree(lake.root, tmp_path / "lake")))
    spoiled.overwrite("shards", spoiled.read("shards").head(1))
    found = check(settings, spoiled)
    assert set(found["check"]) == {"derived"}
    assert found["detail"].str.contains("2026-01").all()


@pytest.mark.parametrize("name", step("checks/keys").reads)
def test_a_doubled_row_is_found_in_every_table(lake, name):
    found = offenders(lake, "checks/keys", **{name: lambda frame: pl.concat([frame, frame.head(1)])})
    assert len(found) == 1
    assert found[0].startswith(f"{name}:")


@pytest.mark.parametrize(
    ("spoiled", "problem"),
    [
        ({"ended_at": pl.col("started_at") - timedelta(seconds=1)}, "ends before it begins"),
        ({"readings": pl.lit(0, pl.Int64)}, "no readings"),
        ({"distance_km": pl.lit(-1.0)}, "negative distance"),
        ({"interval_s": pl.lit(-1.0)}, "negative duration"),
        ({"warm_s": pl.lit(1e6)}, "lasts longer"),
        ({"month": pl.lit("2025-12")}, "month and day"),
    ],
)
def test_impossible_trips_are_found(lake, spoiled, problem):
    found = offenders(lake, "checks/ranges", trips=lambda frame: frame.head(1).with_columns(**spoiled))
    assert len(found) == 1
    assert problem in found[0]


@pytest.mark.parametrize(
    ("indicator", "value", "problem"),
    [
        ("up_mid_share", 1.2, "share"),
        ("up_mid_share", -0.1, "share"),
        ("rear_front_corr", -1.5, "correlation"),
        ("recovery_s", -1.0, "negative"),
        ("oxygen_g", -0.1, "negative"),
        ("distance_km", -5.0, "negative"),
        ("rear_front_variance", -0.5, "negative"),
        ("up_spread_v", -0.2, "negative"),
        ("trim_pct", float("inf"), "not a number"),
        ("trim_pct", float("nan"), "not a number"),
    ],
)
def test_impossible_values_are_found(lake, indicator, value, problem):
    found = offenders(
        lake,
        "checks/ranges",
        indicator_days=lambda frame: frame.head(1).with_columns(
            indicator=pl.lit(indicator), value=pl.lit(value)
        ),
    )
    assert len(found) == 1
    assert problem in found[0]


@pytest.mark.parametrize(
    ("indicator", "value"), [("trim_pct", -9.0), ("wide_mean_ma", -0.4), ("up_mid_share", 1.0)]
)
def test_possible_values_are_left_alone(lake, indicator, value):
    spoiled = {"indicator": pl.lit(indicator), "value": pl.lit(value)}
    assert (
        offenders(lake, "checks/ranges", indicator_days=lambda frame: frame.head(1).with_columns(**spoiled))
        == []
    )


def test_a_value_that_rests_on_nothing_is_found(lake):
    spoiled = {"samples": pl.lit(0, pl.Int64)}
    found = offenders(
        lake, "checks/ranges", indicator_days=lambda frame: frame.head(1).with_columns(**spoiled)
    )
    assert found == ["indicator_days: rests on nothing"]


@pytest.mark.parametrize(
    ("table", "change", "problem"),
    [
        ("exports", lambda frame: frame.with_columns(rows_in=pl.col("rows_in") + 1), "not kept"),
        ("quarantine", lambda frame: frame.clear(), "not in quarantine"),
        ("export_spans", lambda frame: frame.filter(pl.col("unit_id") != "V2"), "no span"),
        ("export_spans", lambda frame: frame.filter(pl.col("unit_id") != "V2"), "a day holds more"),
        ("readings", lambda frame: frame.filter(pl.col("unit_id") != "V2"), "nothing of it"),
        ("readings", lambda frame: pl.concat([frame, frame, frame]), "holds more"),
    ],
)
def test_rows_that_do_not_add_up_are_found(lake, table, change, problem):
    assert any(problem in found for found in offenders(lake, "checks/balance", **{table: change}))


@pytest.mark.parametrize(
    ("table", "change", "problem"),
    [
        ("readings", lambda frame: frame.filter(pl.col("unit_id") != "V2"), "other rows"),
        ("readings", lambda frame: frame.filter(pl.col("unit_id") != "V2"), "indicator_days"),
        ("readings", lambda frame: frame.filter(pl.col("unit_id") != "V2"), "trips"),
        ("shards", lambda frame: frame.head(1), "other rows"),
        ("shards", lambda frame: frame.with_columns(readings=pl.col("readings") + 1), "other rows"),
    ],
)
def test_what_does_not_follow_from_the_readings_is_found(lake, table, change, problem):
    assert any(problem in found for found in offenders(lake, "checks/derived", **{table: change}))
