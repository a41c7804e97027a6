"""Levels of weekly series: the newest weeks, the own past, and a slope that planted data must give back."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from models.levels import BASELINE_WEEKS, LEVEL_WEEKS, levels

NEWEST = date(2026, 6, 1)
WEEKS = 20


def series(
    values: list[float | None], samples: int | list[int] = 100, unit: str = "V1", indicator: str = "up_mean_v"
) -> pl.DataFrame:
    """Weekly values, the last one in the newest week; None is a week without data."""
    counts = samples if isinstance(samples, list) else [samples] * len(values)
    first = NEWEST - timedelta(days=7 * (len(values) - 1))
    return pl.DataFrame(
        [
            (unit, "B1S1", indicator, first + timedelta(days=7 * index), value, count)
            for index, (value, count) in enumerate(zip(values, counts, strict=True))
            if value is not None
        ],
        schema={name: pl.String for name in ("unit_id", "component", "indicator")}
        | {"data_week": pl.Date, "value": pl.Float64, "samples": pl.Int64},
        orient="row",
    )


def least(**samples: int) -> pl.DataFrame:
    given = {"up_mean_v": 100} | samples
    return pl.DataFrame({"indicator": list(given), "least_samples": list(given.values())})


def level_of(frame: pl.DataFrame, history_weeks: int = WEEKS, **samples: int) -> dict:
    made = levels(frame, least(**samples), NEWEST, history_weeks)
    assert made.height == 1
    return made.row(0, named=True)


def test_no_weeks_make_no_levels():
    made = levels(series([]), least(), NEWEST, WEEKS)
    assert made.height == 0


def test_the_newest_week_alone_is_the_level_where_it_has_enough():
    made = level_of(series([1.0, 1.0, 5.0]))
    assert (made["level"], made["level_samples"], made["level_week"]) == (5.0, 100, NEWEST)


def test_the_level_reaches_back_no_further_than_needed():
    made = level_of(series([9.0, 1.0, 3.0], samples=[100, 80, 40]))
    assert made["level"] == pytest.approx((3.0 * 40 + 1.0 * 80) / 120)
    assert made["level_samples"] == 120


def test_the_level_never_reaches_back_more_than_three_weeks():
    thin = [30] * 10
    assert level_of(series([1.0] * 10, samples=thin))["level"] is None
    assert level_of(series([1.0] * 10, samples=thin), up_mean_v=90)["level"] == 1.0
    assert level_of(series([5.0] + [None] * LEVEL_WEEKS))["level"] is None


def test_a_week_without_data_is_skipped():
    made = level_of(series([2.0, None]))
    assert (made["level"], made["level_week"]) == (2.0, NEWEST - timedelta(days=7))


def test_weeks_after_the_newest_or_before_the_history_do_not_count():
    after = series([1.0]).with_columns(data_week=pl.lit(NEWEST + timedelta(days=7)), value=pl.lit(99.0))
    before = series([1.0]).with_columns(
        data_week=pl.lit(NEWEST - timedelta(days=7 * WEEKS)), value=pl.lit(99.0)
    )
    oldest = series([1.0]).with_columns(data_week=pl.lit(NEWEST - timedelta(days=7 * (WEEKS - 1))))
    made = level_of(pl.concat([series([3.0, 3.0]), after, before, oldest]))
    assert (made["level"], made["weeks"]) == (3.0, 3)


def test_an_indicator_that_is_not_declared_is_left_out():
    assert levels(series([1.0], indicator="nobody"), least(), NEWEST, WEEKS).height == 0


def test_series_are_kept_apart_whatever_the_row_order():
    frames = [
        series([1.0] * 8, unit="V1"),
        series([2.0] * 8, unit="V2"),
        series([3.0] * 8, indicator="up_p95_v"),
    ]
    both = pl.concat(frames)
    made = levels(both, least(up_p95_v=100), NEWEST, WEEKS)
    assert dict(zip(made["unit_id"] + made["indicator"], made["level"], strict=True)) == {
        "V1up_mean_v": 1.0,
        "V2up_mean_v": 2.0,
        "V1up_p95_v": 3.0,
    }
    shuffled = levels(both.sample(fraction=1, shuffle=True, seed=4), least(up_p95_v=100), NEWEST, WEEKS)
    assert shuffled.equals(made)


def test_the_frame_given_is_not_changed():
    frame = series([1.0, 2.0, 3.0])
    before = frame.clone()
    levels(frame, least(), NEWEST, WEEKS)
    assert frame.equals(before)


# -- own past --------------------------------------------------------------------------------------


def test_the_own_past_is_the_median_of_the_first_weeks():
    values = [1.0, 2.0, 3.0, 4.0, 5.0, 60.0] + [100.0] * 6
    assert level_of(series(values))["baseline"] == pytest.approx(np.median(values[:BASELINE_WEEKS]))


@pytest.mark.parametrize(("weeks", "baseline"), [(1, None), (2, None), (3, None), (4, 2.0), (5, 2.5)])
def test_a_short_history_keeps_its_newest_week_out_of_its_own_past(weeks, baseline):
    assert level_of(series([1.0, 2.0, 3.0, 4.0, 5.0][:weeks]))["baseline"] == baseline


def test_thin_weeks_are_not_part_of_the_own_past():
    made = level_of(
        series([50.0, 50.0, 1.0, 1.0, 1.0, 1.0, 1.0, 9.0], samples=[24, 24, 25, 100, 100, 100, 100, 100])
    )
    assert made["baseline"] == 1.0
    assert made["weeks"] == 6


# -- slope -----------------------------------------------------------------------------------------


def test_a_planted_slope_is_given_back_within_its_interval():
    rng = np.random.default_rng(5)
    inside = 0
    for unit in range(60):
        values = [0.5 + 0.02 * week + rng.normal(0, 0.03) for week in range(WEEKS)]
        made = level_of(series(values, unit=f"V{unit}"))
        assert made["slope_per_week"] == pytest.approx(0.02, abs=0.006)
        assert made["trend_p"] < 0.01
        inside += made["slope_low"] <= 0.02 <= made["slope_high"]
    assert inside >= 45  # nominal 90 % of 60; 45 is four standard deviations below


def test_a_flat_series_has_no_trend():
    values = [0.5 + 0.01 * (-1) ** week for week in range(WEEKS)]
    assert level_of(series(values))["trend_p"] > 0.3


def test_missing_weeks_leave_the_slope_per_week_as_it_is():
    values = [1.0 + 0.1 * week if week % 3 else None for week in range(WEEKS)]
    assert level_of(series(values))["slope_per_week"] == pytest.approx(0.1)


def test_too_few_weeks_have_a_level_and_no_slope():
    made = level_of(series([1.0, 2.0]))
    assert (made["level"], made["slope_per_week"], made["trend_p"]) == (2.0, None, None)
