"""Indicator days: given the families and the export spans -> one table, with when its readings came in."""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl
import pytest

from tests.sql.given import START, at, rows, run

STEP = "50_indicator_days"
DAY = START.date()
FAMILIES = (
    "upstream_narrowband_days",
    "upstream_wide_range_days",
    "downstream_days",
    "catalyst_days",
    "heater_days",
    "fuel_days",
)


def family(name: str, **columns: object) -> pl.DataFrame:
    given = {
        "unit_id": "V1",
        "component": "B1S1",
        "day": DAY,
        "indicator": "up_mean_v",
        "value": 0.5,
        "samples": 9,
    }
    return rows(name, [given | columns])


def spans(*arrivals: float, day: date = DAY, unit_id: str = "V1") -> pl.DataFrame:
    return rows(
        "export_spans",
        [
            {
                "export_id": f"e{index}",
                "unit_id": unit_id,
                "day": day,
                "first_line": 2,
                "last_line": 9,
                "rows": 8,
            }
            | {"first_ts": at(0), "last_ts": at(9), "arrived_at": at(arrived)}
            for index, arrived in enumerate(arrivals)
        ],
    )


def test_nothing_makes_nothing():
    assert run(STEP).height == 0


@pytest.mark.parametrize("name", FAMILIES)
def test_every_family_comes_through(name):
    made = run(STEP, **{name: family(name)}, export_spans=spans(60))
    assert made.rows() == [("V1", 0, "2026-01", "B1S1", DAY, "up_mean_v", 0.5, 9, at(60))]


def test_the_last_arrival_of_the_day_counts():
    made = run(STEP, fuel_days=family("fuel_days"), export_spans=spans(60, 7200, 300))
    assert made["arrived_at"].to_list() == [at(7200)]


def test_another_day_or_vehicle_does_not_lend_its_arrival():
    tomorrow = DAY + timedelta(days=1)
    frame = pl.concat([spans(60), spans(900, day=tomorrow), spans(901, unit_id="V2")])
    made = run(STEP, fuel_days=family("fuel_days"), export_spans=frame)
    assert made["arrived_at"].to_list() == [at(60)]


@pytest.mark.parametrize("value", [None, float("nan")])
def test_what_could_not_be_measured_is_left_out(value):
    frame = rows("fuel_days", family("fuel_days").to_dicts())
    spoiled = frame.with_columns(value=pl.lit(value, pl.Float64))
    assert run(STEP, fuel_days=spoiled, export_spans=spans(60)).height == 0


def test_values_are_stored_to_the_sixth_decimal():
    made = run(STEP, fuel_days=family("fuel_days", value=0.1234567891), export_spans=spans(60))
    assert made["value"].to_list() == [0.123457]


@pytest.mark.parametrize("value", [float("inf"), float("-inf"), float("nan")])
def test_what_is_not_finite_is_not_measured(value):
    assert run(STEP, fuel_days=family("fuel_days", value=value), export_spans=spans(60)).height == 0


@pytest.mark.parametrize(("indicator", "expected"), [("sample_step_s", 25.0), ("up_mean_v", 5.0)])
def test_a_sensor_comes_only_as_often_as_its_value_is_new(indicator, expected):
    # Each value five times: one new reading in 25 s where rows come every 5 s.
    held = rows("held_days", [{"unit_id": "V1", "day": DAY, "held_share": 0.8}])
    step = family("fuel_days", indicator=indicator, value=5.0)
    made = run(STEP, fuel_days=step, export_spans=spans(60), held_days=held)
    assert made["value"].item() == pytest.approx(expected)
