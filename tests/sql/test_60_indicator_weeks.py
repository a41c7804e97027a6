"""Indicator weeks: given days -> means weighted by the samples, weeks from Monday."""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl
import pytest

from tests.sql.given import at, rows, run

STEP = "60_indicator_weeks"
MONDAY = date(2026, 1, 5)


def days(*given: dict, **shared: object) -> pl.DataFrame:
    defaults = {
        "unit_id": "V1",
        "bucket": 0,
        "component": "B1S1",
        "indicator": "up_mean_v",
        "arrived_at": at(0),
    }
    records = [defaults | shared | record for record in given]
    return rows("indicator_days", [{"month": f"{record['day']:%Y-%m}"} | record for record in records])


def test_nothing_makes_nothing():
    assert run(STEP).height == 0


def test_days_weigh_by_their_samples():
    made = run(
        STEP,
        indicator_days=days(
            {"day": MONDAY, "value": 0.2, "samples": 300},
            {"day": MONDAY + timedelta(days=2), "value": 0.6, "samples": 100},
        ),
    )
    assert made.select("data_week", "samples", "days").rows() == [(MONDAY, 400, 2)]
    assert made["value"].item() == pytest.approx(0.3)


def test_a_week_runs_from_monday_to_sunday():
    around = [MONDAY - timedelta(days=1), MONDAY, MONDAY + timedelta(days=6), MONDAY + timedelta(days=7)]
    made = run(STEP, indicator_days=days(*({"day": day, "value": 1.0, "samples": 1} for day in around)))
    weeks = [MONDAY - timedelta(days=7), MONDAY, MONDAY + timedelta(days=7)]
    assert made.select("data_week", "days").rows() == list(zip(weeks, [1, 2, 1], strict=True))


def test_a_week_over_new_year_is_one_week():
    made = run(
        STEP,
        indicator_days=days(
            {"day": date(2025, 12, 31), "value": 1.0, "samples": 1},
            {"day": date(2026, 1, 2), "value": 3.0, "samples": 1},
        ),
    )
    assert made.select("data_week", "value").rows() == [(date(2025, 12, 29), 2.0)]


def test_days_without_samples_weigh_nothing():
    made = run(
        STEP,
        indicator_days=days(
            {"day": MONDAY, "value": 9.0, "samples": 0},
            {"day": MONDAY + timedelta(days=1), "value": 1.0, "samples": 2},
        ),
    )
    assert made.select("value", "samples", "days").rows() == [(1.0, 2, 1)]
    assert run(STEP, indicator_days=days({"day": MONDAY, "value": 9.0, "samples": 0})).height == 0


def test_series_are_kept_apart():
    parts = [{"unit_id": "V2"}, {"component": "B2S1"}, {"indicator": "up_p95_v"}, {}]
    records = [
        {"day": MONDAY, "value": float(index), "samples": 1} | part for index, part in enumerate(parts)
    ]
    assert run(STEP, indicator_days=days(*records)).height == 4


@pytest.mark.parametrize("value", [float("inf"), float("-inf"), float("nan")])
def test_a_day_without_a_finite_value_is_none(value):
    made = run(
        STEP,
        indicator_days=days(
            {"day": MONDAY, "value": value, "samples": 5},
            {"day": MONDAY + timedelta(days=1), "value": 1.0, "samples": 2},
        ),
    )
    assert made.select("value", "samples", "days").rows() == [(1.0, 2, 1)]
