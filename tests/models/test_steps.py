"""Steps in weekly series: found where planted, rare where there is none, and never made of a drift."""

from __future__ import annotations

import numpy as np
import pytest

from models.steps import LEAST_POINTS, steps


def test_a_planted_step_is_found_where_it_is():
    """Hand-worked: four weeks at 1.0, six at 3.0, noise of 0.05."""
    found = steps(np.array([[1.0, 1.05, 0.95, 1.0, 3.0, 3.05, 2.95, 3.0, 3.0, 2.9]]))
    assert found.place.tolist() == [4]
    assert found.size[0] == pytest.approx(2.0)
    assert found.spreads[0] > 6


@pytest.mark.parametrize("points", [10, 12, 26])
def test_drift_free_series_hardly_ever_step(points):
    series = np.random.default_rng(3).normal(size=(4_000, points))
    assert np.mean(steps(series).place >= 0) < 0.005


@pytest.mark.parametrize("points", [12, 26])
def test_a_steady_drift_is_no_step(points):
    generator = np.random.default_rng(4)
    drift = np.arange(points) * generator.uniform(0.1, 1.0, size=(2_000, 1))
    assert np.mean(steps(drift + generator.normal(size=(2_000, points))).place >= 0) < 0.005


@pytest.mark.parametrize("size", [8.0, -8.0])
def test_steps_of_eight_spreads_are_found_within_a_week(size):
    generator = np.random.default_rng(5)
    series = generator.normal(size=(1_000, 20))
    series[:, 11:] += size
    found = steps(series)
    hit = np.abs(found.place - 11) <= 1
    assert hit.mean() > 0.85
    assert np.median(found.size[hit]) == pytest.approx(size, abs=0.3)


def test_missing_weeks_are_left_out():
    series = np.full((1, 14), np.nan)
    series[0, [0, 1, 2, 3, 5]] = [1.0, 1.1, 0.9, 1.0, 1.0]
    series[0, [7, 8, 10, 12, 13]] = [2.0, 2.1, 1.9, 2.0, 2.0]
    found = steps(series)
    assert 6 <= found.place[0] <= 7
    assert found.size[0] == pytest.approx(1.0)


def test_a_step_in_a_pause_is_told_by_the_first_point_after_it():
    series = np.full((2, 18), np.nan)
    series[0, :8], series[0, 12:] = 1.0 + 0.01 * np.tile([1, -1], 4), 2.0 + 0.01 * np.tile([1, -1], 3)
    series[1] = np.where(np.arange(18) < 9, 1.0, 2.0) + 0.01 * np.tile([1, -1], 9)
    found = steps(series)
    assert found.place.tolist() == [12, 9]
    assert found.since.tolist() == [8, 9]


def test_short_empty_and_constant_series_have_none():
    assert steps(np.ones((2, LEAST_POINTS - 1))).place.tolist() == [-1, -1]
    assert steps(np.full((1, 20), np.nan)).place.tolist() == [-1]
    assert steps(np.ones((1, 20))).place.tolist() == [-1]
    assert steps(np.empty((0, 20))).place.shape == (0,)


def test_bad_arguments_are_named():
    with pytest.raises(ValueError, match="shape"):
        steps(np.ones(5))
    with pytest.raises(ValueError, match="least_spreads"):
        steps(np.ones((1, 9)), least_spreads=0)
