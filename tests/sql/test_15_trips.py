"""Trips: given samples and fuel cuts -> one row a trip."""

from __future__ import annotations

from datetime import UTC, date, datetime

import polars as pl
import pytest

from tests.sql.given import at, cuts, run, samples


def only(frame: pl.DataFrame) -> dict:
    assert frame.height == 1
    return frame.row(0, named=True)


def test_no_samples_make_no_trips():
    assert run("15_trips").height == 0


def test_a_trip_in_numbers():
    made = only(
        run(
            "15_trips",
            samples=samples(
                [0, 1, 2, 3, 5],
                speed_kmh=[None, 36.0, 36.0, 36.0, 72.0],
                coolant_degc=[None, 20.0, 21.0, 22.0, 23.0],
                run_s=[0.0, 1.0, 2.0, 3.0, 5.0],
                fuel_status_b1=[1.0, 1.0, 2.0, 16.0, 4.0],
                warm=[False, False, False, True, True],
                ambient_degc=[10.0, 10.0, 11.0, 12.0, 12.0],
            ),
        )
    )
    assert (made["started_at"], made["ended_at"], made["readings"]) == (at(0), at(5), 5)
    assert (made["day"], made["month"]) == (date(2026, 1, 5), "2026-01")
    assert made["interval_s"] == 1
    assert made["distance_km"] == pytest.approx((36 * 3 + 72 * 2) / 3600, abs=0.001)
    assert made["start_coolant_degc"] == 20
    assert made["ambient_degc"] == 11
    assert made["start_run_time_s"] == 0
    assert made["closed_loop_at_s"] == 2
    assert made["closed_loop_s"] == 2
    assert made["warm_s"] == 3
    assert made["warm_coolant_degc"] is None
    assert made["cuts"] == 0


def test_a_single_sample_is_a_trip_with_nothing_to_measure_steps_on():
    made = only(run("15_trips", samples=samples([0], run_time_known=False, speed_kmh=50.0)))
    assert made["readings"] == 1
    assert made["started_at"] == made["ended_at"]
    for column in ("interval_s", "distance_km", "start_run_time_s", "closed_loop_at_s", "warm_coolant_degc"):
        assert made[column] is None, column


def test_a_trip_over_midnight_belongs_to_the_day_it_began():
    midnight = datetime(2026, 2, 1, tzinfo=UTC)
    made = only(run("15_trips", samples=samples([-10, 0, 10], start=midnight)))
    assert (made["day"], made["month"], made["readings"]) == (date(2026, 1, 31), "2026-01", 3)


def test_run_time_is_traced_back_to_the_first_reading():
    known = [False, False, True, True]
    made = only(
        run("15_trips", samples=samples([0, 5, 30, 31], run_s=[0.0, 5.0, 38.0, 39.0], run_time_known=known))
    )
    assert made["start_run_time_s"] == 8


def test_logging_that_begins_before_the_engine_begins_at_zero():
    made = only(run("15_trips", samples=samples([0, 10], run_s=[0.0, 4.0], run_time_known=[False, True])))
    assert made["start_run_time_s"] == 0


def test_time_to_closed_loop_is_kept_only_where_logging_begins_with_the_engine():
    early = samples([0, 40], run_s=[15.0, 55.0], fuel_status_b1=[1.0, 2.0])
    late = samples([0, 40], run_s=[300.0, 340.0], fuel_status_b1=[1.0, 2.0])
    assert only(run("15_trips", samples=early))["closed_loop_at_s"] == 55
    assert only(run("15_trips", samples=late))["closed_loop_at_s"] is None


def test_intake_air_at_the_start_stands_in_for_ambient():
    made = only(run("15_trips", samples=samples([0, 1, 2], intake_air_degc=[None, 14.0, 35.0])))
    assert made["ambient_degc"] == 14


def test_warm_coolant_is_the_median_after_the_thermostat_time():
    made = only(
        run(
            "15_trips",
            params={"thermostat_run_s": 600.0},
            samples=samples(
                [0, 1, 2, 3], run_s=[100.0, 650.0, 651.0, 652.0], coolant_degc=[20.0, 86.0, 90.0, 91.0]
            ),
        )
    )
    assert made["warm_coolant_degc"] == 90


def test_cuts_are_counted_once_a_trip_whatever_the_number_of_banks():
    drive = pl.concat([samples(list(range(0, 200, 10))), samples(list(range(1000, 1200, 10)))])
    events = cuts(
        {"began_at": at(50)}, {"began_at": at(90)}, {"began_at": at(50), "bank": 2}, {"began_at": at(1100)}
    )
    made = run("15_trips", samples=drive, cuts=events)
    assert made["cuts"].to_list() == [2, 1]


def test_vehicles_are_kept_apart():
    both = pl.concat([samples([0, 1], unit_id="V1"), samples([0, 1, 2], unit_id="V2")])
    events = cuts({"began_at": at(1), "unit_id": "V2"})
    made = run("15_trips", samples=both, cuts=events)
    assert made.select("unit_id", "readings", "cuts").rows() == [("V1", 2, 0), ("V2", 3, 1)]
