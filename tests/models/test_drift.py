"""Drift of a series against its own past, worked by hand."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest

from models.drift import drift
from models.levels import Grid, levels_of


def drifted(*values: float) -> dict[str, float | None]:
    row = np.array([values])
    heads = pl.DataFrame({"unit_id": ["V1"], "component": ["CAT1"], "indicator": ["recovery_s"]})
    grid = Grid(heads, row, np.where(np.isnan(row), 0.0, 50.0), np.array([10.0]), date(2026, 1, 5))
    return drift(grid, levels_of(grid)).row(0, named=True)


NAN = float("nan")


def test_spread_shift_slope_and_sums_by_hand():
    # Neighbouring weeks differ by 0.2 each time; the last four rise by 1 a week.
    made = drifted(10.0, 10.2, 10.0, 10.2, 10.0, 10.2, 11.2, 12.2, 13.2, 14.2)
    differences = [0.2] * 5 + [1.0] * 4
    spread = 1.4826 * float(np.median(differences)) / np.sqrt(2)
    assert made["own_spread"] == pytest.approx(spread)
    # The own past is the median of the first six weeks; the level is the newest week, with samples enough.
    assert made["baseline"] == pytest.approx(10.1)
    assert made["level"] == pytest.approx(14.2)
    assert made["own_shift"] == pytest.approx(14.2 - float(np.median([10, 10.2, 10, 10.2, 10, 10.2, 11.2])))
    up = down = 0.0
    for value in (10.0, 10.2, 10.0, 10.2, 10.0, 10.2, 11.2, 12.2, 13.2, 14.2):
        score = (value - 10.1) / spread
        up, down = min(max(up + score - 0.5, 0), 60), min(max(down - score - 0.5, 0), 60)
    assert (made["drift_up"], made["drift_down"]) == (pytest.approx(up), pytest.approx(down))
    newest = [10.0, 10.2, 10.0, 10.2, 11.2, 12.2, 13.2, 14.2]
    slopes = [(newest[j] - newest[i]) / (j - i) for i in range(8) for j in range(i + 1, 8)]
    assert made["recent_slope"] == pytest.approx(float(np.median(slopes)))


def test_a_series_that_stands_still_does_not_drift():
    made = drifted(*[10.0, 10.2] * 8)
    assert made["drift_up"] < 2 and made["drift_down"] < 2
    assert abs(made["recent_slope"]) < 0.06


def test_a_fall_mirrors_a_rise():
    up = drifted(10.0, 10.2, 10.0, 10.2, 10.0, 10.2, 11.2, 12.2, 13.2, 14.2)
    down = drifted(*(-v for v in (10.0, 10.2, 10.0, 10.2, 10.0, 10.2, 11.2, 12.2, 13.2, 14.2)))
    assert down["drift_down"] == pytest.approx(up["drift_up"])
    assert down["recent_slope"] == pytest.approx(-up["recent_slope"])
    assert down["own_spread"] == pytest.approx(up["own_spread"])


def test_gaps_are_no_evidence_and_too_few_weeks_say_nothing():
    whole = drifted(10.0, 10.2, 10.0, 10.2, 10.0, 11.2, 12.2)
    gaps = drifted(10.0, NAN, 10.2, 10.0, NAN, 10.2, 10.0, 11.2, 12.2)
    assert gaps["own_spread"] == pytest.approx(whole["own_spread"])
    assert gaps["drift_up"] == pytest.approx(whole["drift_up"])
    short = drifted(10.0, 10.2, 10.0)
    assert (short["own_spread"], short["own_shift"], short["recent_slope"], short["drift_up"]) == (None,) * 4


def test_own_scatter_of_zero_is_unknown_not_infinite():
    made = drifted(*[10.0] * 12)
    assert made["own_spread"] is None and made["drift_up"] is None
