"""Trips, values carried forward and window flags: given readings -> expected samples."""

from __future__ import annotations

from datetime import UTC, datetime

import polars as pl
import pytest

from pipeline.errors import QueryError
from pipeline.query import Session
from pipeline.tables import table
from tests.sql import given
from tests.sql.given import PARAMS, at, readings


def run(name: str, readings: pl.DataFrame | None = None, params: dict | None = None) -> pl.DataFrame:
    """The samples of these readings, with what their days tell."""
    if readings is None:
        return given.run(name)
    days = given.run("05_unit_days", readings=readings)
    return given.run(name, params=params, readings=readings, unit_days=days)


def trips(frame: pl.DataFrame, **params: float) -> list[tuple[float, int]]:
    """Start in seconds and rows of every trip."""
    made = run("10_context", params=params, readings=frame)
    grouped = made.group_by("unit_id", "started_at").len().sort("unit_id", "started_at")
    return [
        ((row["started_at"] - at(0)).total_seconds(), row["len"]) for row in grouped.iter_rows(named=True)
    ]


def last(**columns: object) -> dict:
    """The only or last sample of readings every second until second 12, all columns constant."""
    made = run("10_context", readings=readings(list(range(13)), **columns))
    return made.row(-1, named=True)


def test_a_throttle_that_shuts_with_the_engine_hides_no_fuel_cut():
    """The closed position is that of a running engine: at key-off the valve shuts wholly, or a zero is sent (common practice)."""
    running = readings(list(range(13)), speed_kmh=60.0, rpm=2000.0, load_pct=15.0, throttle_pct=12.5, fuel_status_b1=4.0)
    stopped = readings([20], speed_kmh=0.0, rpm=0.0, throttle_pct=0.0)
    made = run("10_context", readings=pl.concat([running, stopped]))
    assert made["cut"].to_list() == [True] * 13 + [False]
    # Where the engine speed never stands beside the throttle, the lowest value of the day has to do.
    apart = pl.concat([readings([0], throttle_pct=10.0), readings([1], rpm=2000.0)])
    assert given.run("05_unit_days", readings=apart)["idle_throttle_pct"].to_list() == [10.0]


# -- trips -----------------------------------------------------------------------------------------


def test_no_readings_make_no_samples():
    made = run("10_context", readings=table("readings").empty())
    assert made.height == 0
    assert made.schema == table("context").schema


def test_a_single_reading_is_a_trip_without_a_step():
    made = run("10_context", readings=readings([0], rpm=900.0)).row(0, named=True)
    assert made["started_at"] == made["ts"] == at(0)
    assert made["step_s"] is None
    assert made["run_s"] == 0


def test_a_gap_longer_than_the_limit_begins_a_trip():
    assert trips(readings([0, 100, 300, 500.001, 501])) == [(0, 3), (500.001, 2)]


def test_the_step_over_a_gap_belongs_to_no_trip():
    made = run("10_context", readings=readings([0, 1, 301, 303]))
    assert made["step_s"].to_list() == [None, 1, None, 2]


def test_a_run_time_that_falls_begins_a_trip():
    assert trips(readings([0, 10, 20, 30], run_time_s=[500, 510, 2, 12])) == [(0, 2), (20, 2)]


def test_a_run_time_that_falls_by_its_own_rounding_does_not():
    assert trips(readings([0, 1, 2, 3], run_time_s=[500, 501, 500, 501])) == [(0, 4)]


def test_a_reset_is_seen_through_rows_that_do_not_sample_run_time():
    polled = {0: 500.0, 40: 5.0}
    assert trips(readings([0, 10, 20, 30, 40, 50], run_time_s=polled)) == [(0, 4), (40, 2)]


def test_run_time_first_sampled_some_rows_after_a_gap_begins_one_trip_only():
    polled = {0: 5000.0, 405: 20.0}
    assert trips(readings([0, 1, 401, 403, 405, 407], run_time_s=polled)) == [(0, 2), (401, 4)]


def test_a_trip_goes_on_over_midnight():
    midnight = datetime(2026, 1, 6, tzinfo=UTC)
    made = run("10_context", readings=readings([-20, -10, 0, 10], start=midnight))
    assert made["started_at"].unique().to_list() == [at(-20, midnight)]
    assert [day.day for day in made["day"]] == [5, 5, 6, 6]


def test_vehicles_do_not_share_trips_or_values():
    frame = readings([0, 2, 4], unit_id="V1", speed_kmh={0: 50.0})
    other = readings([1, 3, 5], unit_id="V2", speed_kmh={1: 30.0})
    made = run("10_context", readings=pl.concat([frame, other]))
    assert made.filter(pl.col("unit_id") == "V1")["speed_kmh"].to_list() == [50, 50, 50]
    assert made.filter(pl.col("unit_id") == "V2")["speed_kmh"].to_list() == [30, 30, 30]
    assert made.group_by("unit_id", "started_at").len().height == 2


# -- values carried forward ------------------------------------------------------------------------


def test_a_context_value_is_carried_as_long_as_its_bound_and_no_longer():
    made = run("10_context", readings=readings([0, 5, 10, 10.5, 12], speed_kmh={0: 50.0, 12: 60.0}))
    assert made["speed_kmh"].to_list() == [50, 50, 50, None, 60]


def test_each_signal_has_its_own_bound():
    made = run(
        "10_context", readings=readings([0, 60, 100, 101], speed_kmh={0: 50.0}, coolant_degc={0: 88.0})
    )
    assert made["speed_kmh"].to_list() == [50, None, None, None]
    assert made["coolant_degc"].to_list() == [88, 88, 88, None]


def test_nothing_is_carried_into_the_next_trip():
    made = run("10_context", params={"trip_gap_s": 30}, readings=readings([0, 31], coolant_degc={0: 88.0}))
    assert made["coolant_degc"].to_list() == [88, None]


def test_sensors_keep_only_what_was_sampled_in_the_row():
    sparse = {0: 0.5}
    made = run(
        "10_context",
        readings=readings([0, 1], o2_b1s1_v=sparse, o2_b1s2_v=sparse, lambda_b1s1=sparse, stft_b1_pct=sparse),
    )
    for column in ("o2_b1s1_v", "o2_b1s2_v", "lambda_b1s1", "stft_b1_pct"):
        assert made[column].to_list() == [0.5, None], column


def test_run_time_counts_on_between_its_samples():
    made = run("10_context", readings=readings([0, 3, 10], run_time_s={3: 103.0}))
    assert made["run_s"].to_list() == [0, 103, 110]
    assert made["run_time_known"].to_list() == [False, True, True]


# -- fuel cuts -------------------------------------------------------------------------------------

OVERRUN = {"speed_kmh": 60.0, "rpm": 2000.0, "load_pct": 12.0, "throttle_pct": 14.0}


@pytest.mark.parametrize(
    ("told", "cut"),
    [
        ({"fuel_status_b1": 4.0}, True),
        ({"fuel_status_b1": 2.0}, False),
        ({"fuel_status_b1": 2.0, "o2_b1s1_v": 0.05}, False),  # a conventional sensor is lean half of the time
        ({"fuel_status_b1": 2.0, "lambda_b1s1": 1.9}, True),
        ({"lambda_b1s1": 1.9}, True),
        ({"lambda_b1s1": 1.02}, False),
        ({"o2_b1s1_v": 0.05}, True),
        ({"o2_b1s1_v": 0.4}, False),
        ({}, False),
    ],
)
def test_what_tells_a_fuel_cut_on_overrun(told, cut):
    assert last(**OVERRUN, **told)["cut"] is cut


@pytest.mark.parametrize(
    "otherwise",
    [
        {"speed_kmh": 15.0},
        {"speed_kmh": None},
        {"rpm": 900.0},
        {"load_pct": 40.0},
        {"load_pct": None, "throttle_pct": None},
    ],
)
def test_open_loop_without_overrun_is_no_fuel_cut(otherwise):
    assert last(**(OVERRUN | {"fuel_status_b1": 4.0}))["cut"] is True
    assert last(**(OVERRUN | {"fuel_status_b1": 4.0} | otherwise))["cut"] is False


def test_an_open_throttle_is_no_fuel_cut():
    made = run(
        "10_context",
        readings=readings([0, 1, 2], **(OVERRUN | {"throttle_pct": [14.0, 17.0, 17.5]}), fuel_status_b1=4.0),
    )
    assert made["cut"].to_list() == [True, True, False]


def test_time_since_a_cut_starts_at_its_last_reading():
    status = [2.0, 4.0, 4.0, 2.0, 2.0]
    made = run("10_context", readings=readings([0, 1, 2, 3, 4], **OVERRUN, fuel_status_b1=status))
    assert made["since_cut_s"].to_list() == [None, 0, 0, 1, 2]


def test_a_gap_in_load_and_throttle_may_hide_a_cut():
    # Reported at 0 and 60 s and carried for ten: in between a cut would pass unseen, so the windows settle anew.
    seconds = [0, 5, 20, 40, 60, 62]
    made = run("10_context", readings=readings(seconds, rpm=2000.0, speed_kmh=60.0, load_pct={0: 40.0, 60: 40.0, 62: 40.0}),
               params={"load_pct_staleness_s": 10.0})
    assert made["cut"].to_list() == [False] * 6
    assert made["since_cut_s"].to_list() == [None, None, 0, 0, 20, 22]
    never = run("10_context", readings=readings(seconds, rpm=2000.0, speed_kmh=60.0))
    assert never["since_cut_s"].to_list() == [None] * 6  # a vehicle that reports neither is judged without


def test_a_stopped_engine_must_settle_as_after_a_cut():
    """Start-stop: air fills the exhaust while the engine stands, and the first readings after it are lean."""
    frame = readings([0, 1, 2, 3, 4, 5], rpm=[850.0, 850.0, 0.0, 0.0, 850.0, 850.0], speed_kmh=0.0, coolant_degc=90.0)
    assert run("10_context", readings=frame)["since_cut_s"].to_list() == [None, None, 0, 0, 1, 2]
    unknown = run("10_context", readings=frame.with_columns(rpm=None))  # nobody knows whether it stands
    assert unknown["since_cut_s"].to_list() == [None] * 6


def test_time_since_a_cut_is_forgotten_in_the_next_trip():
    made = run("10_context", readings=readings([0, 1, 300], **OVERRUN, fuel_status_b1=[4.0, 4.0, 2.0]))
    assert made["since_cut_s"].to_list() == [0, 0, None]


# -- flags -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("told", "enriched"),
    [
        ({"lambda_target": 0.85}, True),
        ({"lambda_target": 1.0}, False),
        ({"fuel_status_b1": 4.0, "load_pct": 90.0}, True),
        ({"fuel_status_b1": 4.0, "load_pct": 50.0}, False),
        ({"fuel_status_b1": 2.0, "load_pct": 90.0}, False),
        ({}, False),
    ],
)
def test_what_tells_enrichment(told, enriched):
    assert last(**told)["enriched"] is enriched


@pytest.mark.parametrize(
    ("told", "warm"),
    [
        ({"coolant_degc": 85.0, "run_time_s": 300.0}, True),
        ({"coolant_degc": 60.0, "run_time_s": 3000.0}, False),
        ({"coolant_degc": 85.0, "run_time_s": 50.0}, False),
        ({"run_time_s": 499.0}, False),
        ({"run_time_s": 600.0}, True),
        ({"coolant_degc": 85.0, "run_time_s": 300.0, "rpm": 0.0}, False),
        ({"coolant_degc": 85.0}, False),
    ],
)
def test_what_tells_a_warm_engine(told, warm):
    assert last(**told)["warm"] is warm


@pytest.mark.parametrize(
    ("told", "running"),
    [
        ({"rpm": 800.0}, True),
        ({"rpm": 0.0}, False),
        ({"maf_gs": 0.0}, False),
        ({"maf_gs": 3.0}, True),
        ({}, True),
    ],
)
def test_what_tells_a_running_engine(told, running):
    assert last(**told)["running"] is running


@pytest.mark.parametrize(
    ("told", "idle", "cruise"),
    [
        ({"speed_kmh": 0.0, "rpm": 800.0}, True, False),
        ({"speed_kmh": 0.0, "rpm": 2500.0}, False, False),
        ({"speed_kmh": 0.0}, False, False),
        ({"speed_kmh": 50.0, "rpm": 1800.0}, False, True),
        ({"speed_kmh": 50.0}, False, True),
        ({"speed_kmh": 50.0, "rpm": 1800.0, "load_pct": 90.0}, False, False),
        ({"rpm": 800.0}, False, False),
    ],
)
def test_idle_and_cruise(told, idle, cruise):
    made = last(**told)
    assert (made["idle"], made["cruise"]) == (idle, cruise)


def test_steady_needs_even_speed_over_its_clock_block():
    seconds = list(range(40))  # two blocks of twice steady_s
    speeds = [50.0] * 20 + [50.0 + second for second in range(20)]
    made = run("10_context", readings=readings(seconds, speed_kmh=speeds))
    assert made["steady"].to_list() == [True] * 20 + [False] * 20


def test_a_block_watched_for_less_than_half_of_steady_s_is_not_steady():
    assert not run("10_context", readings=readings([0, 2, 4], speed_kmh=50.0))["steady"].any()
    assert run("10_context", readings=readings([0, 3, 5], speed_kmh=50.0))["steady"].all()


def test_rows_out_of_order_are_refused():
    frame = readings([0, 2, 4, 300, 301], speed_kmh={0: 50.0, 300: 20.0}, run_time_s={2: 90.0, 301: 4.0})
    other = readings([1, 3, 5], unit_id="V0", speed_kmh={1: 30.0})
    for strayed in (pl.concat([frame, other]), pl.concat([other, frame.reverse()])):
        with Session(PARAMS, threads=1, memory_limit_mb=500) as session:
            session.attach("readings", strayed)
            session.attach("units", table("units").empty())
            session.run("05_unit_days")
            session.run("10_context")
            with pytest.raises(QueryError, match="out of order"):
                session.fetch("context")


def test_days_that_are_not_those_of_the_readings_are_refused():
    days = given.run("05_unit_days", readings=readings([0, 1], unit_id="V0"))
    with pytest.raises(QueryError, match="unit_days are not theirs"):
        given.run("10_context", readings=readings([0, 1]), unit_days=days)


# -- heat of the catalyst --------------------------------------------------------------------------

HEAT = {"light_off_air_g": 100.0, "catalyst_soak_s": 1000.0, "idle_air_gs": 2.0, "warm_run_without_coolant_s": 5000.0}


def hot_from(frame: pl.DataFrame, **params: float) -> list[float | None]:
    """First second of each trip at which the catalyst is hot; None where it never is."""
    made = run("10_context", params=HEAT | params, readings=frame)
    trips = made.group_by("started_at", maintain_order=True).agg(pl.col("ts").filter("hot").min())
    return [None if when is None else (when - at(0)).total_seconds() for when in trips["ts"]]


def test_a_catalyst_is_hot_after_the_air_that_light_off_needs():
    # 5 g/s from a cold start at second 0: 100 g after 20 s.
    assert hot_from(readings(list(range(31)), run_time_s=list(range(31)), maf_gs=5.0, rpm=900.0)) == [20.0]
    assert hot_from(readings(list(range(19)), run_time_s=list(range(19)), maf_gs=5.0, rpm=900.0)) == [None]


def test_an_engine_that_does_not_run_heats_nothing():
    frame = readings(list(range(31)), maf_gs=5.0, rpm=[0.0] * 10 + [900.0] * 21)
    assert hot_from(frame) == [29.0]


def test_air_before_the_logging_is_that_of_idle():
    # Logging begins 30 s after the start: 60 g by idle, and 40 g in 8 s.
    seconds = list(range(31))
    frame = readings(seconds, run_time_s=[30.0 + second for second in seconds], maf_gs=5.0, rpm=900.0)
    assert hot_from(frame) == [8.0]


def test_a_short_soak_leaves_heat_and_a_long_one_none():
    def second_trip(gap_s: int, first_s: int = 30) -> float:
        seconds = [*range(first_s), *range(first_s + gap_s, first_s + gap_s + 40)]
        frame = readings(seconds, maf_gs=5.0, rpm=900.0)
        return hot_from(frame)[1] - (first_s + gap_s)

    # exp(-0.693) leaves half of the heat, so that half of the air is enough.
    assert second_trip(692) == 10.0
    assert second_trip(20_000) == 20.0
    # Of a first trip too short to light off only its own share is left: 50 g of 100 g, half of it after the soak.
    assert second_trip(692, first_s=11) == 15.0


def test_without_air_flow_the_published_run_time_counts():
    frame = readings([0, 100, 200], run_time_s=[0, 100, 200], rpm=900.0)
    assert hot_from(frame, warm_run_without_coolant_s=200.0, trip_gap_s=200.0) == [200.0]


def test_heat_of_the_day_before_does_not_count():
    # 23:50 UTC and 00:10 UTC lie on two days: what is derived together must not matter.
    late = datetime(2026, 1, 5, 23, 50, tzinfo=UTC)
    frame = pl.concat([
        readings(list(range(40)), late, maf_gs=5.0, rpm=900.0),
        readings(list(range(1200, 1240)), late, maf_gs=5.0, rpm=900.0),
    ])  # fmt: skip
    made = run("10_context", params=HEAT, readings=frame)
    began = made.filter(pl.col("started_at") > late)
    assert (began.filter("hot")["ts"].min() - late).total_seconds() == 1220.0
