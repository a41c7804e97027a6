"""Metrics against scikit-learn, scipy and published intervals; the source is named in each test."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from sklearn.calibration import calibration_curve
from sklearn.metrics import average_precision_score, brier_score_loss

from models.evaluate import (
    average_precision,
    brier,
    expected_calibration_error,
    positive_predictive_value,
    reliability_curve,
)
from models.resampling import bootstrap_interval

scored = st.lists(
    st.tuples(st.integers(0, 20).map(lambda v: v / 20), st.booleans()), min_size=1, max_size=40
).filter(lambda rows: any(hit for _, hit in rows))


@settings(max_examples=200, deadline=None)
@given(rows=scored)
def test_average_precision_and_brier_equal_scikit_learn(rows):
    p, y = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    assert average_precision(p, y) == pytest.approx(average_precision_score(y, p), abs=1e-12)
    assert brier(p, y) == pytest.approx(brier_score_loss(y, p), abs=1e-12)


@pytest.mark.parametrize("decimals", [8, 1])
def test_reliability_curve_equals_scikit_learn_and_scipy(decimals):
    rng = np.random.default_rng(1)
    p = rng.beta(0.3, 4, 500).round(decimals)
    y = rng.random(500) < p
    curve = reliability_curve(p, y, bins=10, confidence=0.95)
    observed, predicted = calibration_curve(y, p, n_bins=10, strategy="quantile")
    np.testing.assert_allclose(curve.observed, observed)
    np.testing.assert_allclose(curve.predicted, predicted)
    assert curve.n.sum() == 500
    for i, n in enumerate(curve.n):
        wilson = stats.binomtest(int(round(observed[i] * n)), int(n)).proportion_ci(0.95, method="wilson")
        assert (curve.low[i], curve.high[i]) == pytest.approx((wilson.low, wilson.high), abs=1e-9)
    expected = np.sum(curve.n * np.abs(observed - predicted)) / 500
    assert expected_calibration_error(p, y) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("k", "n", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_interval_as_published(k, n, low, high):
    """R. G. Newcombe, Stat. Med. 17 (1998) 857-872, table I, 95 % score method (*from memory*)."""
    curve = reliability_curve(np.full(n, 0.3), np.arange(n) < k, bins=1, confidence=0.95)
    assert (curve.low[0], curve.high[0]) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize(("specificity", "expected", "tolerance"), [(0.99, 0.27, 0.01), (0.999, 0.79, 0.005)])
def test_predictive_value_at_the_base_rate(specificity, expected, tolerance):
    """3 % a year is 0.46 % in eight weeks (3 * 8 / 52); the rest is Bayes' rule."""
    assert positive_predictive_value(0.0046, 0.8, specificity) == pytest.approx(expected, abs=tolerance)


def test_bootstrap_of_a_mean_agrees_with_scipy():
    values = np.random.default_rng(4).exponential(size=60)
    ours = bootstrap_interval(lambda r: values[r].mean(), np.arange(60), confidence=0.9, n=4000, seed=1)
    theirs = stats.bootstrap(
        (values,), np.mean, confidence_level=0.9, n_resamples=4000, method="percentile", rng=1
    ).confidence_interval
    assert ours.estimate == values.mean() and ours.units == 60 and ours.resamples == 4000
    assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high), abs=0.02)
