"""Cuts: a cut accuses no sensor of what the same week's driving shows it can do (no gas is leaner than air)."""

from __future__ import annotations

from datetime import date

import polars as pl
from polars.testing import assert_frame_equal

from models.cuts import with_cuts_checked

WEEK, NEXT = date(2026, 3, 2), date(2026, 3, 9)
USUAL = {"down_cut_floor_v": 0.10, "down_cut_moved_share": 0.9}


def weeks(*rows: tuple) -> pl.DataFrame:
    """Rows of component, indicator, value and, where it is another one, the week."""
    return pl.DataFrame(
        [("V1", component, *(week or (WEEK,)), indicator, value, 50, 3) for component, indicator, value, *week in rows],
        schema={"unit_id": pl.String, "component": pl.String, "data_week": pl.Date, "indicator": pl.String,
                "value": pl.Float64, "samples": pl.Int64, "days": pl.Int64}, orient="row",
    )


def checked(*rows: tuple) -> list[tuple]:
    made = with_cuts_checked(weeks(*rows), 0.05, USUAL)
    return list(made.select("component", "indicator", "value").iter_rows())


def test_an_upstream_sensor_that_reads_lean_in_closed_loop_reads_lean_in_a_true_cut():
    low = ("B1S1", "up_p05_v", 0.09)
    assert checked(low, ("B1S1", "up_cut_floor_v", 0.65)) == [low, ("B1S1", "up_cut_floor_v", 0.09)]
    assert checked(("B1S1", "up_p05_v", 0.30), ("B1S1", "up_cut_floor_v", 0.06))[1][2] == 0.06
    assert checked(("B1S1", "up_p05_v", 0.45), ("B1S1", "up_cut_floor_v", 0.40))[1][2] == 0.40  # both high: the sensor


def test_another_sensor_or_another_week_says_nothing():
    floor = ("B1S1", "up_cut_floor_v", 0.65)
    assert checked(floor, ("B2S1", "up_p05_v", 0.09), ("B1S1", "up_p05_v", 0.09, NEXT))[0] == floor
    assert checked(floor) == [floor]


def test_cuts_too_short_to_fill_the_catalyst_accuse_no_downstream_sensor():
    lean, floor, moved = ("B1S2", "down_low_share", 0.12), ("B1S2", "down_cut_floor_v", 0.6), ("B1S2", "down_cut_moved_share", 0.1)
    assert checked(lean, floor, moved) == [lean]
    still = ("B1S2", "down_low_share", 0.01)
    assert checked(still, floor, moved) == [still, floor, moved]  # never lean at all: stuck
    good = (("B1S2", "down_cut_floor_v", 0.05), ("B1S2", "down_cut_moved_share", 1.0))
    assert checked(lean, *good) == [lean, *good]  # what speaks for a sensor stays
    assert checked(floor, moved) == [floor, moved]


def test_all_other_rows_stay_as_they_are():
    given = weeks(("B1S1", "up_p05_v", 0.1), ("CAT1", "recovery_s", 3.0), ("B1S2", "down_low_share", 0.5))
    assert_frame_equal(with_cuts_checked(given, 0.05, USUAL), given)
    assert_frame_equal(with_cuts_checked(given.clear(), 0.05, USUAL), given.clear())


def test_what_a_wide_range_sensor_reached_within_three_weeks_it_can_reach():
    rows = [("B1S1", "wide_cut_ma", value, date(2026, 3, 2 + 7 * week)) for week, value in enumerate((2.5, 0.4, 1.8, 2.0))]
    other = [("B2S1", "wide_cut_ma", 9.0, WEEK), ("B1S1", "wide_mean_ma", 0.1, date(2026, 3, 16))]
    assert [value for *_, value in checked(*rows, *other)] == [2.5, 2.5, 2.5, 2.0, 9.0, 0.1]
    assert [value for *_, value in checked(*reversed(rows))] == [2.0, 2.5, 2.5, 2.5]  # in any order
    fading = [("B1S1", "wide_cut_lambda", value, date(2026, 3, 2 + 7 * week)) for week, value in enumerate((2.0, 1.8, 1.6, 1.4))]
    assert [value for *_, value in checked(*fading)] == [2.0, 2.0, 2.0, 1.8]  # seen two weeks later, never lost
