"""Trend maths against scipy series by series, against planted truth, and at the edges of the data."""

import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import stats

from models import trend
from models.trend import Slopes, forecast_crossing, mann_kendall, theil_sen

FIELDS = ("slope", "low", "high", "intercept")


def oracle_theil_sen(x, y, confidence):
    """scipy, one series at a time, missing points dropped; (slope, low, high, intercept, n) rows."""
    rows = []
    for xs, ys in zip(np.broadcast_to(x, y.shape), y, strict=True):
        keep = ~(np.isnan(xs) | np.isnan(ys))
        n = keep.sum()
        if n < 3 or np.unique(xs[keep]).size < 2:
            rows.append((np.nan, np.nan, np.nan, np.nan, n))
            continue
        fit = stats.theilslopes(ys[keep], xs[keep], confidence, method="separate")
        rows.append((fit.slope, fit.low_slope, fit.high_slope, fit.intercept, n))
    return np.array(rows, dtype=float).reshape(-1, 5).T


def oracle_kendall(x, y):
    rows = []
    for xs, ys in zip(np.broadcast_to(x, y.shape), y, strict=True):
        keep = ~(np.isnan(xs) | np.isnan(ys))
        if keep.sum() < 4:
            rows.append((np.nan, np.nan))
            continue
        result = stats.kendalltau(xs[keep], ys[keep], method="asymptotic")
        rows.append((result.statistic, result.pvalue))
    return np.array(rows, dtype=float).reshape(-1, 2).T


def assert_like_scipy(x, y, confidence=0.90):
    fit = theil_sen(x, y, confidence)
    *expected, n = oracle_theil_sen(x, y, confidence)
    for name, values in zip(FIELDS, expected, strict=True):
        np.testing.assert_array_equal(getattr(fit, name), values, err_msg=name)
    np.testing.assert_array_equal(fit.n, n)
    for got, values in zip(mann_kendall(x, y), oracle_kendall(x, y), strict=True):
        np.testing.assert_allclose(got, values, rtol=1e-12, atol=1e-300)


@pytest.mark.parametrize("confidence", [0.90, 0.95, 0.5])
@pytest.mark.parametrize("decimals", [6, 1, 0])
def test_random_series_with_gaps_and_ties_equal_scipy(confidence, decimals):
    rng = np.random.default_rng(11)
    x = rng.uniform(0, 180, (300, 13)).round(decimals)
    x[:150] = np.arange(13.0) * 7
    y = (rng.normal(size=x.shape) + 0.01 * x).round(decimals)
    y[rng.random(y.shape) < 0.25] = np.nan
    x[rng.random(x.shape) < 0.05] = np.nan
    assert_like_scipy(x, y, confidence)


def test_one_x_for_all_series_equals_scipy():
    rng = np.random.default_rng(12)
    y = rng.normal(size=(50, 26))
    y[rng.random(y.shape) < 0.5] = np.nan
    assert_like_scipy(np.arange(26) * 7, y)


cell = st.one_of(
    st.just(np.nan), st.integers(-3, 3).map(float), st.floats(-1e6, 1e6).map(lambda v: round(v, 3))
)
batch = hnp.array_shapes(min_dims=2, max_dims=2, min_side=1, max_side=9)


@settings(max_examples=150, deadline=None)
@given(data=st.data(), shape=batch)
def test_any_series_equals_scipy(data, shape):
    x = data.draw(hnp.arrays(float, shape, elements=cell))
    y = data.draw(hnp.arrays(float, shape, elements=cell))
    with np.errstate(invalid="ignore"):  # scipy takes the root of a negative variance on heavy ties
        assert_like_scipy(x, y)


@settings(max_examples=60, deadline=None)
@given(
    y=hnp.arrays(float, (3, 8), elements=st.integers(-50, 50).map(float)),
    shift=st.integers(-100, 100),
    scale=st.sampled_from([0.25, 2.0, 8.0]),
    order=st.permutations(range(8)),
)
def test_shift_scale_reflection_and_order(y, shift, scale, order):
    x = np.array([0, 7, 14, 14, 28, 35, 49, 56.0])
    base, (tau, p) = theil_sen(x, y), mann_kendall(x, y)

    moved, (tau_moved, p_moved) = theil_sen(x + shift, y * scale + shift), mann_kendall(x, y * scale + shift)
    for name in ("slope", "low", "high"):
        np.testing.assert_allclose(getattr(moved, name), getattr(base, name) * scale, rtol=1e-12)
    np.testing.assert_allclose(
        moved.intercept, base.intercept * scale + shift - base.slope * scale * shift, rtol=1e-9, atol=1e-9
    )
    np.testing.assert_array_equal(tau_moved, tau)
    np.testing.assert_array_equal(p_moved, p)

    mirrored, (tau_mirrored, p_mirrored) = theil_sen(x, -y), mann_kendall(x, -y)
    np.testing.assert_array_equal(mirrored.slope, -base.slope)
    np.testing.assert_array_equal(tau_mirrored, -tau)
    np.testing.assert_array_equal(p_mirrored, p)

    order = list(order)
    shuffled = theil_sen(x[order], y[:, order])
    for name in FIELDS:
        np.testing.assert_array_equal(getattr(shuffled, name), getattr(base, name))


@pytest.mark.parametrize("n", [12, 20])
def test_interval_covers_the_planted_slope(n):
    """Nominal 90 % within 85-95 % over 1,000 series of independent noise."""
    rng = np.random.default_rng(n)
    days = np.arange(n) * 7.0
    planted = rng.uniform(-0.02, 0.02, 1000)
    fit = theil_sen(days, 0.3 + planted[:, None] * days + rng.normal(0, 0.1, (1000, n)))
    assert 0.85 <= np.mean((fit.low <= planted) & (planted <= fit.high)) <= 0.95
    # the asymptotic standard error of least squares, 0.1/sqrt(sum (x - mean)^2), within a fifth
    expected_error = 0.1 / np.sqrt(((days - days.mean()) ** 2).sum())
    assert np.std(fit.slope - planted) == pytest.approx(expected_error, rel=0.2)


def test_slope_survives_outliers_that_least_squares_does_not():
    days = np.arange(20) * 7.0
    y = (0.5 + 0.01 * days)[None, :]
    y[0, [4, 18, 19]] -= 5.0  # three of twenty: below the breakdown point of 29 % (Sen 1968)
    assert theil_sen(days, y).slope[0] == pytest.approx(0.01, rel=0.25)
    assert np.polyfit(days, y[0], 1)[0] < 0.0


@pytest.mark.parametrize("n", [8, 12, 20, 26])
def test_drift_free_series_are_rarely_flagged(n):
    y = np.random.default_rng(100 + n).normal(size=(4000, n))
    _, p = mann_kendall(np.arange(n) * 7.0, y)
    assert 0.0 < np.mean(p < 0.01) < 0.02


def test_drift_is_flagged():
    days = np.arange(20) * 7.0
    y = 0.004 * days + np.random.default_rng(5).normal(0, 0.1, (500, 20))
    tau, p = mann_kendall(days, y)
    assert np.mean((p < 0.01) & (tau > 0)) > 0.95


def test_perfect_order():
    y = np.array([[1.0, 2, 4, 8, 16], [16.0, 8, 4, 2, 1]])
    tau, p = mann_kendall(np.arange(5), y)
    np.testing.assert_allclose(tau, [1.0, -1.0], rtol=1e-15)
    assert p[0] == p[1] == pytest.approx(2 * stats.norm.sf(10 / np.sqrt(5 * 4 * 15 / 18)))


@pytest.mark.parametrize("n", range(6))
def test_least_number_of_points(n):
    y = np.full((1, 6), np.nan)
    y[0, :n] = [2.0, 3.0, 5.0, 4.0, 6.0][:n]
    fit, (tau, p) = theil_sen(np.arange(6), y), mann_kendall(np.arange(6), y)
    assert fit.n[0] == n
    for name in FIELDS:
        assert np.isfinite(getattr(fit, name)[0]) == (n >= 3)
    assert np.isfinite(tau[0]) == np.isfinite(p[0]) == (n >= 4)


def test_series_without_order():
    """All x equal: no slope. All y equal: slope 0, no test."""
    x = np.array([[3.0] * 6, range(6)])
    y = np.array([range(6), [0.45] * 6])
    fit, (tau, p) = theil_sen(x, y), mann_kendall(x, y)
    assert np.isnan(fit.slope[0]) and fit.n[0] == 6
    assert (fit.slope[1], fit.low[1], fit.high[1], fit.intercept[1]) == (0.0, 0.0, 0.0, 0.45)
    assert np.isnan(tau).all() and np.isnan(p).all()


@pytest.mark.parametrize("shape", [(0, 5), (4, 0), (4, 1)])
def test_empty_batches(shape):
    fit, (tau, p) = theil_sen(np.zeros(shape[1]), np.zeros(shape)), mann_kendall(*np.zeros((2, *shape)))
    for values in (fit.slope, fit.low, fit.high, fit.intercept, tau, p):
        assert values.shape == shape[:1] and np.isnan(values).all()


def test_chunks_change_nothing(monkeypatch):
    rng = np.random.default_rng(3)
    y = rng.normal(size=(101, 7)).round(1)
    y[rng.random(y.shape) < 0.2] = np.nan
    x = np.arange(7.0)
    whole, whole_test = theil_sen(x, y), mann_kendall(x, y)
    monkeypatch.setattr(trend, "_PAIRS_PER_CHUNK", 21 * 10)
    for name in (*FIELDS, "n"):
        np.testing.assert_array_equal(getattr(theil_sen(x, y), name), getattr(whole, name))
    np.testing.assert_array_equal(mann_kendall(x, y), whole_test)


def test_memory_does_not_grow_with_the_number_of_series():
    """Beside the results (5 columns of 8 bytes) the work space is the same for 20,000 and 100,000 series."""
    x = np.arange(26) * 7.0
    peaks = []
    for series in (20_000, 100_000):
        y = np.random.default_rng(0).normal(size=(series, 26)).astype(np.float32)
        tracemalloc.start()
        theil_sen(x, y)
        mann_kendall(x, y)
        peaks.append(tracemalloc.get_traced_memory()[1] - series * 5 * 8)
        tracemalloc.stop()
    assert max(peaks) < 100e6
    assert abs(peaks[1] - peaks[0]) < 10e6


def test_input_untouched():
    rng = np.random.default_rng(4)
    x, y = rng.normal(size=(9, 8)), rng.normal(size=(9, 8))
    x[0, 0] = y[1, 1] = np.nan
    before = x.copy(), y.copy()
    x.flags.writeable = y.flags.writeable = False
    fit = theil_sen(x, y)
    mann_kendall(x, y)
    forecast_crossing(fit, 1.0, y[:, 0], 0.0, 1)
    np.testing.assert_array_equal(x, before[0])
    np.testing.assert_array_equal(y, before[1])


def a_slope(slope, low, high, x_mid=80.0):
    slope, low, high, x_mid = (np.atleast_1d(np.asarray(v, float)) for v in (slope, low, high, x_mid))
    x_mid = np.broadcast_to(x_mid, slope.shape)
    return Slopes(slope, low, high, np.zeros_like(slope), x_mid, np.full(slope.shape, 12))


@pytest.mark.parametrize(
    ("slope", "direction", "level", "expected"),
    [
        # 0.5 to go from day 100 at 0.02 a day; 0.9 to go from the middle, day 80, at 0.03 or 0.01 a day
        ((0.02, 0.01, 0.03), 1, 0.5, (125.0, 110.0, 170.0)),
        ((-0.02, -0.03, -0.01), -1, 1.5, (125.0, 110.0, 170.0)),  # the same, falling to the limit
        ((0.02, -0.01, 0.03), 1, 0.5, (125.0, 110.0, np.inf)),  # interval includes zero
        ((0.02, 0.00, 0.09), 1, 0.5, (125.0, 100.0, np.inf)),  # the steep line is there before today: now
        ((0.00, -0.01, 0.01), 1, 0.5, (np.inf, 130.0, np.inf)),  # flat, may yet rise
        ((-0.02, -0.04, -0.01), 1, 0.5, (np.inf, np.inf, np.inf)),  # getting better
        ((-0.01, -0.04, 0.01), 1, 0.5, (np.inf, 110.0, np.inf)),
        ((0.0, 0.0, 0.0), 1, 1.0, (100.0, 100.0, 100.0)),  # at the limit
        ((-0.02, -0.04, -0.01), 1, 1.2, (100.0, 100.0, 100.0)),  # past it, though improving
        ((np.nan,) * 3, 1, 1.2, (100.0, 100.0, 100.0)),  # past it, slope not known
        ((np.nan,) * 3, 1, 0.5, (np.nan,) * 3),
        ((0.02, np.nan, np.nan), 1, 0.5, (125.0, np.nan, np.nan)),
        ((0.02, 0.01, 0.04), 1, np.nan, (np.nan,) * 3),
        ((-0.02, -0.04, -0.01), 1, np.nan, (np.nan,) * 3),
    ],
)
def test_crossing(slope, direction, level, expected):
    crossing = forecast_crossing(a_slope(*slope), 100.0, level, 1.0, direction)
    got = crossing.estimate[0], crossing.low[0], crossing.high[0]
    np.testing.assert_allclose(got, expected, rtol=1e-12)


@pytest.mark.parametrize("n", [12, 20])
def test_planted_crossing_dates_fall_in_the_interval(n):
    """Limit 60 to 180 days ahead; the nominal 90 % interval of the slope becomes one of the date."""
    rng = np.random.default_rng(8)
    days, rate, now = np.arange(n) * 7.0, 0.003, (n - 1) * 7.0
    planted_day = now + rng.uniform(60, 180, 1000)
    limit = 0.2 + rate * planted_day
    fit = theil_sen(days, 0.2 + rate * days + rng.normal(0, 0.02, (1000, n)))
    crossing = forecast_crossing(fit, now, fit.intercept + fit.slope * now, limit, 1)
    assert np.all((crossing.low <= crossing.estimate) & (crossing.estimate <= crossing.high))
    assert np.median(crossing.estimate - planted_day) == pytest.approx(0.0, abs=3.0)
    # the error of the middle level is left out, so a little less than the slope's own 85-95 %
    assert 0.80 <= np.mean((crossing.low <= planted_day) & (planted_day <= crossing.high)) <= 0.95


def test_crossing_takes_a_value_for_each_series():
    fit = a_slope([0.1, -0.1], [0.1, -0.1], [0.1, -0.1])
    crossing = forecast_crossing(fit, [10.0, 20.0], [0.0, 0.0], [1.0, -3.0], [1, -1])
    np.testing.assert_allclose(crossing.estimate, [20.0, 50.0])


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: theil_sen([1, 2, 3], np.ones((2, 3)), confidence=1.0), "confidence must be between 0 and 1"),
        (lambda: theil_sen([1, 2, 3], np.ones((2, 3)), confidence=np.nan), "confidence must be .* got nan"),
        (lambda: theil_sen([1, 2, 3], np.ones(3)), r"y must have the shape .*, got \(3,\)"),
        (lambda: theil_sen([1, 2], np.ones((2, 3))), r"x must have the shape \(2, 3\) or \(3,\).*got \(2,\)"),
        (lambda: mann_kendall([1, 2, 3], [["a", "b", "c"]]), "y must be an array of numbers, got dtype"),
        (
            lambda: mann_kendall([1, 2, 3], [[1, 2, 3], [1, 2, np.inf]]),
            "y must be finite or NaN, got inf at series 1, point 2",
        ),
        (lambda: theil_sen([1, 2, -np.inf], np.ones((2, 3))), "x must be finite or NaN, got -inf"),
        (lambda: forecast_crossing(a_slope(1, 1, 1), 0, 0, 1, 0), r"direction must be \+1 .* got 0.0"),
        (lambda: forecast_crossing(a_slope(1, 1, 1), 0, 0, [1, 2], 1), r"limit must be .*got \(2,\)"),
    ],
)
def test_bad_arguments_are_named(call, message):
    with pytest.raises(ValueError, match=message):
        call()
