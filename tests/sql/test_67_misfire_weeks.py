"""Misfire counters: given on-board test results -> worst monitor by week."""

from __future__ import annotations

from datetime import date

import pytest

from tests.sql.given import at, rows, run

STEP = "67_misfire_weeks"
MONDAY = date(2026, 1, 5)
DAY_S = 86_400
AVERAGE, COUNT = 0x0B, 0x0C


def results(*records: dict) -> list[tuple]:
    """Week, indicator, value, samples and days of results of cylinder 1, a count unless told."""
    defaults = {
        "unit_id": "V1", "obdmid": 0xA2, "tid": COUNT, "uasid": 0x24, "min_raw": 0, "max_raw": 65535,
        "min": 0.0, "max": 65535.0, "has_run": True, "export_id": "e", "line": 2, "arrived_at": at(0),
    }  # fmt: skip
    given = [defaults | {"ts": at(0), "value_raw": int(record["value"])} | record for record in records]
    made = run(STEP, onboard_tests=rows("onboard_tests", given))
    assert set(made["component"]) <= {"UNIT"}
    return made.select("data_week", "indicator", "value", "samples", "days").rows()


def test_nothing_makes_nothing():
    assert run(STEP).height == 0


def test_a_single_result():
    assert results({"value": 12.0}) == [(MONDAY, "misfire_count", 12.0, 1, 1)]


def test_a_reading_counts_with_its_worst_cylinder():
    found = results(
        {"value": 3.0}, {"value": 40.0, "obdmid": 0xA4}, {"value": 1.0, "obdmid": 0xAD},
        {"value": 9.0, "tid": AVERAGE}, {"value": 11.0, "tid": AVERAGE, "obdmid": 0xA1},
    )  # fmt: skip
    assert found == [(MONDAY, "misfire_average", 11.0, 1, 1), (MONDAY, "misfire_count", 40.0, 1, 1)]


def test_a_week_is_the_mean_of_its_readings():
    found = results(
        {"value": 10.0}, {"value": 30.0, "ts": at(3600)},
        {"value": 80.0, "ts": at(2 * DAY_S)},
        {"value": 7.0, "ts": at(7 * DAY_S)},
    )  # fmt: skip
    assert found == [
        (MONDAY, "misfire_count", 40.0, 3, 2),
        (date(2026, 1, 12), "misfire_count", 7.0, 1, 1),
    ]


def test_the_average_of_ten_cycles_follows_the_standard():
    # SAE J1979-DA, test 0B: new = 0.1 * current + 0.9 * previous from 0; a hundred a cycle gives 10, 19, 27.1.
    average, found = 0.0, []
    for cycle in range(3):
        average = 0.1 * 100 + 0.9 * average
        found.append({"value": average, "tid": AVERAGE, "ts": at(cycle * DAY_S)})
    (row,) = results(*found)
    assert row[1:4] == ("misfire_average", pytest.approx((10 + 19 + 27.1) / 3), 3)


@pytest.mark.parametrize(
    "otherwise", [{"has_run": False}, {"obdmid": 0xA0}, {"obdmid": 0xAE}, {"obdmid": 0x01}, {"tid": 0x0A}]
)
def test_results_that_do_not_count(otherwise):
    assert results({"value": 12.0} | otherwise) == []
