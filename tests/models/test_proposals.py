"""Proposed breaks: planted exchanges are found, drift and single odd indicators are not."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from models.levels import series_grid
from models.proposals import proposed_breaks

OLDEST = date(2026, 1, 5)
WEEKS = 16
INDICATORS = pl.DataFrame(
    {"indicator": ["lag", "swing", "trim", "rate", "swing_own", "down_fall_s", "down_fall_dwell_s_own"],
     "worse": ["up", "down", "out", "up", "down", "up", "up"],
     "use": ["judge", "judge", "judge", "context", "judge", "judge", "judge"], "least_samples": [1] * 7}
)  # fmt: skip


def found(**series: np.ndarray) -> list[tuple]:
    rows = [
        {"unit_id": "V1", "component": "B1S1", "indicator": name, "data_week": OLDEST + timedelta(weeks=week),
         "value": float(value), "samples": 100}
        for name, values in series.items() for week, value in enumerate(values) if not np.isnan(value)
    ]  # fmt: skip
    newest = OLDEST + timedelta(weeks=WEEKS - 1)
    grid = series_grid(pl.DataFrame(rows), INDICATORS.select("indicator", "least_samples"), newest, WEEKS)
    return proposed_breaks(grid, INDICATORS).drop("spreads").rows()


def step(before: float, after: float, at: int = 10, seed: int = 1) -> np.ndarray:
    noise = np.random.default_rng(seed).normal(0, 0.02, WEEKS)
    return np.where(np.arange(WEEKS) < at, before, after) + noise


def test_two_indicators_that_step_to_the_better_together():
    made = found(lag=step(2.0, 1.0), swing=step(0.3, 0.8, seed=2))
    assert made == [("V1", "B1S1", OLDEST + timedelta(weeks=10), "lag, swing")]


@pytest.mark.parametrize(
    "series",
    [
        {"lag": step(2.0, 1.0)},  # one alone
        {"lag": step(1.0, 2.0), "swing": step(0.8, 0.3)},  # to the worse: a failure, no exchange
        {"lag": step(2.0, 1.0, at=5), "swing": step(0.3, 0.8, at=11)},  # weeks apart
        {"lag": np.linspace(2.0, 1.0, WEEKS), "swing": np.linspace(0.3, 0.8, WEEKS)},  # drift
        {"swing": step(0.3, 0.8), "swing_own": step(0.3, 0.8)},  # measured once, held against two yardsticks
        {"down_fall_s": step(2.0, 1.0), "down_fall_dwell_s_own": step(1.9, 0.9, seed=2)},  # the same fall in two ways
        {"lag": step(2.0, 1.0), "trim": step(8.0, 0.0), "rate": step(9.0, 1.0)},  # no side, or not judged
    ],
)
def test_anything_else_is_no_exchange(series: dict[str, np.ndarray]):
    assert found(**series) == []


def test_weeks_without_readings_are_no_disagreement_and_no_exchange():
    """Nothing was read in weeks 7 to 10 of the one, and the other stepped in week 9, which tells the week."""
    weeks = np.arange(WEEKS)
    paused = np.where((weeks >= 7) & (weeks <= 10), np.nan, step(2.0, 1.0, at=9))
    alone = np.where((weeks >= 7) & (weeks <= 10), np.nan, step(0.3, 5.8, at=9, seed=2))
    seen = step(0.3, 0.8, at=9, seed=2)
    assert found(lag=paused, swing=seen) == [("V1", "B1S1", OLDEST + timedelta(weeks=9), "lag, swing")]
    # A vehicle that stood was in no workshop that anybody saw: the first week after it is the first that shows another part.
    assert found(lag=paused, swing=alone) == [("V1", "B1S1", OLDEST + timedelta(weeks=11), "lag, swing")]


def test_what_is_measured_once_is_told_once():
    swing = step(0.3, 0.8, seed=2)
    assert found(lag=step(2.0, 1.0), swing=swing, swing_own=swing) == [("V1", "B1S1", OLDEST + timedelta(weeks=10), "lag, swing")]


def test_no_series_at_all():
    grid = series_grid(
        pl.DataFrame(schema={"unit_id": pl.String, "component": pl.String, "indicator": pl.String,
                             "data_week": pl.Date, "value": pl.Float64, "samples": pl.Int64}),
        INDICATORS.select("indicator", "least_samples"), OLDEST, WEEKS,
    )  # fmt: skip
    assert proposed_breaks(grid, INDICATORS).height == 0
