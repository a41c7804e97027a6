"""Robust trend of many short series at once: slope with interval, monotone-trend test, forecast of a limit.

Every function works on a batch of series, one series a row, and is vectorised over the series; rows are taken
in chunks only to bound memory, so the work space does not grow with the number of series.
NaN is a missing point: the point is left out of its own series, nothing is filled in.

The intervals and p-values assume noise that is independent from point to point. Where it persists (season,
fuel, route) the intervals are too narrow and the p-values too small; correct for those before the fit.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

Floats = NDArray[np.float64]

MIN_POINTS_SLOPE = 3  # two points make a line without any evidence of its error
MIN_POINTS_TEST = 4  # three points in perfect order still happen by chance in 2 of 3! cases
_PAIRS_PER_CHUNK = 1_000_000  # 8 MB a work array: the loop over chunks costs nothing, memory stays small


@dataclass(frozen=True)
class Slopes:
    """Theil-Sen fits of a batch of series; every field is an array of shape (n_series,).

    slope, low, high : unit of y per unit of x; median pairwise slope and its confidence limits.
    intercept : unit of y; the fitted line is ``intercept + slope * x``.
    x_mid : unit of x; median x of the points used, where the level of the line is best known.
    n : number of points used (both x and y present).
    Slope, limits and intercept are NaN where n is below 3 or all x are equal; x_mid only where n is 0.
    """

    slope: Floats
    low: Floats
    high: Floats
    intercept: Floats
    x_mid: Floats
    n: NDArray[np.int64]


@dataclass(frozen=True)
class Crossing:
    """Where a trend reaches its limit; every field is an array of shape (n_series,), in the unit of x.

    estimate : from the median slope.
    low : earliest, from the slope of the interval that is steepest towards the limit.
    high : latest, from the flattest.
    +inf means "never at this rate", NaN means "not known".
    """

    estimate: Floats
    low: Floats
    high: Floats


def theil_sen(x: ArrayLike, y: ArrayLike, confidence: float = 0.90) -> Slopes:
    """Median of the pairwise slopes of each series, with Sen's rank-based confidence interval.

    Parameters
    ----------
    x : (n_series, n_points) or (n_points,), any unit (days, km), in any order and spacing. NaN = missing.
    y : (n_series, n_points), any unit. NaN = missing.
    confidence : two-sided confidence of ``low`` .. ``high``, between 0 and 1.

    Returns
    -------
    Slopes, per series. The limits alone are NaN where ties in both x and y make the variance of the rank
    statistic negative (eq. 2.6 of Sen is then not defined).

    Raises
    ------
    ValueError : wrong shape, not a number, an infinite value, confidence outside (0, 1).

    Notes
    -----
    P. K. Sen, "Estimates of the regression coefficient based on Kendall's tau", J. Am. Stat. Assoc. 63 (1968)
    1379-1389, doi:10.2307/2285891. The slope is the median over the N pairs with unequal x; the limits are
    the order statistics at (N -+ z*sigma)/2 of those slopes, sigma**2 from eq. 2.6 with its tie correction.
    Intercept median(y) - slope*median(x): W. J. Conover, Practical Nonparametric Statistics (2nd ed., 1980).
    Same rounding to order statistics as ``scipy.stats.theilslopes(y, x, confidence, method="separate")``.

    With three points the widest interval there is covers 67 % (2 of the 3! orders lie outside), whatever
    ``confidence`` asks; 90 % takes at least four points (2 of 4! outside).
    """
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence must be between 0 and 1 (both excluded), got {confidence!r}")
    x, y = _batch(x, y)
    # scipy's own form of the level, so that the rounding to an order statistic agrees to the last bit
    z = ndtri((1.0 - confidence) / 2.0)
    slope, low, high, intercept, x_mid = (np.full(len(y), np.nan) for _ in range(5))
    count = np.zeros(len(y), dtype=np.int64)

    for rows, xs, ys, n in _chunks(x, y):
        ordered_x, ordered_y = np.sort(xs, axis=1), np.sort(ys, axis=1)
        ties_x, ties_y = _tie_sums(ordered_x), _tie_sums(ordered_y)
        run = _pair_differences(xs)
        run[run == 0.0] = np.nan  # a pair at equal x has no slope
        slopes = _pair_differences(ys)
        with np.errstate(over="ignore"):
            slopes /= run
        slopes += 0.0  # -0.0 becomes 0.0
        slopes.sort(axis=1)  # NaN last

        pairs = n * (n - 1) // 2 - ties_x.pairs
        middle = _median_of_sorted(slopes, pairs)
        variance = 1 / 18.0 * (n * (n - 1) * (2 * n + 5) - ties_x.variance - ties_y.variance)
        sigma = np.sqrt(np.where(variance >= 0.0, variance, np.nan))
        upper = np.minimum(np.rint((pairs - z * sigma) / 2.0), pairs - 1)
        lower = np.maximum(np.rint((pairs + z * sigma) / 2.0) - 1, 0)

        enough = n >= MIN_POINTS_SLOPE
        slope[rows] = np.where(enough, middle, np.nan)
        low[rows] = np.where(enough, _item(slopes, lower), np.nan)
        high[rows] = np.where(enough, _item(slopes, upper), np.nan)
        x_mid[rows] = _median_of_sorted(ordered_x, n)
        intercept[rows] = _median_of_sorted(ordered_y, n) - slope[rows] * x_mid[rows]
        count[rows] = n
    return Slopes(slope, low, high, intercept, x_mid, count)


def mann_kendall(x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
    """Kendall's tau-b between x and y of each series and the two-sided p-value of "no monotone trend".

    Parameters
    ----------
    x : (n_series, n_points) or (n_points,), any unit. NaN = missing.
    y : (n_series, n_points), any unit. NaN = missing.

    Returns
    -------
    tau, p_value : (n_series,) each; -1..1 and 0..1. NaN where fewer than 4 points are present, or where all x
    or all y are equal (a constant series has no order to test).

    Raises
    ------
    ValueError : wrong shape, not a number, an infinite value.

    Notes
    -----
    H. B. Mann, "Nonparametric tests against trend", Econometrica 13 (1945) 245-259, doi:10.2307/1907187;
    M. G. Kendall, Rank Correlation Methods (4th ed., 1970) for tau-b and the variance with ties in both
    variables. Normal approximation without continuity correction, as ``scipy.stats.kendalltau(x, y,
    method="asymptotic")``; four points in perfect order give p = 0.04 where the exact value is 0.08.
    """
    x, y = _batch(x, y)
    tau, p_value = np.full(len(y), np.nan), np.full(len(y), np.nan)

    for rows, xs, ys, n in _chunks(x, y):
        ties_x, ties_y = _tie_sums(np.sort(xs, axis=1)), _tie_sums(np.sort(ys, axis=1))
        # signs before the product: the product of two tiny differences would vanish
        agreement = _pair_differences(xs)
        np.sign(agreement, out=agreement)
        sign_y = _pair_differences(ys)
        np.sign(sign_y, out=sign_y)
        agreement *= sign_y
        score = np.nansum(agreement, axis=1)

        pairs = n * (n - 1) // 2
        judged = (n >= MIN_POINTS_TEST) & (ties_x.pairs < pairs) & (ties_y.pairs < pairs)
        m = n * (n - 1.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            estimate = score / np.sqrt(pairs - ties_x.pairs) / np.sqrt(pairs - ties_y.pairs)
            variance = (
                (m * (2 * n + 5) - ties_x.variance - ties_y.variance) / 18.0
                + 2.0 * ties_x.pairs * ties_y.pairs / m
                + ties_x.triples * ties_y.triples / (9.0 * m * (n - 2))
            )
            p = 2.0 * ndtr(-np.abs(score) / np.sqrt(variance))
        tau[rows] = np.where(judged, np.clip(estimate, -1.0, 1.0), np.nan)
        p_value[rows] = np.where(judged, p, np.nan)
    return tau, p_value


def forecast_crossing(
    slopes: Slopes, x_now: ArrayLike, level_now: ArrayLike, limit: ArrayLike, direction: ArrayLike
) -> Crossing:
    """The x at which a line through ``(x_now, level_now)`` with the fitted slope reaches ``limit``.

    Parameters
    ----------
    slopes : result of `theil_sen`; its unit of x is the unit of the answer.
    x_now : scalar or (n_series,), unit of x.
    level_now : scalar or (n_series,), unit of y; the fitted level is steadier than the last point.
    limit : scalar or (n_series,), unit of y. NaN = no limit.
    direction : scalar or (n_series,), +1 where higher is worse, -1 where lower is worse.

    Returns
    -------
    Crossing, low <= estimate <= high wherever the three are known.
    At or past the limit already: ``x_now`` in all three, even where the slope is not known.
    Slope zero or away from the limit: +inf. So an interval of slopes that includes zero gives ``high = inf``
    (the part may never get there), and one wholly on the good side gives ``low = inf`` too.
    NaN where the slope or a limit of it is NaN, or level, limit or x_now is.

    Raises
    ------
    ValueError : direction other than +1 or -1, or a shape that does not fit the slopes.

    Notes
    -----
    Straight-line extrapolation to a limit, one of the approaches of ISO 13381-1 (prognostics). The lines of
    the interval turn about the middle of the fitted points (``slopes.x_mid``), not about today: the level is
    best known there, and the error of today's level, which grows with the error of the slope, is counted in.
    Left out are the error of the middle level, and any change of pace after the weeks that were fitted.
    """
    shape = slopes.slope.shape
    x_now = _fit(x_now, "x_now", shape)
    level_now = _fit(level_now, "level_now", shape)
    limit = _fit(limit, "limit", shape)
    direction = _fit(direction, "direction", shape)
    wrong = np.abs(direction) != 1.0
    if wrong.any():
        raise ValueError(
            f"direction must be +1 (up is worse) or -1 (down is worse), got {direction[wrong][0]} "
            f"for series {int(np.flatnonzero(wrong)[0])}"
        )
    margin = direction * (limit - level_now)
    speed = direction * slopes.slope
    ends = direction * slopes.low, direction * slopes.high
    margin_at_mid = margin + speed * (x_now - slopes.x_mid)

    def reach(start: Floats, to_go: Floats, pace: Floats) -> Floats:
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            ahead = np.where(pace > 0.0, np.maximum(start + to_go / pace, x_now), np.inf)
        unknown = np.isnan(start) | np.isnan(to_go) | np.isnan(pace)
        return np.where(margin <= 0.0, x_now, np.where(unknown, np.nan, ahead))

    return Crossing(
        estimate=reach(x_now, margin, speed),
        low=reach(slopes.x_mid, margin_at_mid, np.maximum(*ends)),
        high=reach(slopes.x_mid, margin_at_mid, np.minimum(*ends)),
    )


@dataclass(frozen=True)
class _TieSums:
    """Sums over the groups of k equal values in each series, (n_series,) each."""

    pairs: NDArray[np.int64]  # k(k-1)/2
    triples: NDArray[np.int64]  # k(k-1)(k-2)
    variance: NDArray[np.int64]  # k(k-1)(2k+5)


def _tie_sums(ordered: Floats) -> _TieSums:
    """Tie sums of sorted rows; NaN (at the end) equals nothing, so it adds nothing."""
    position = np.arange(ordered.shape[1])
    starts = np.zeros(ordered.shape, dtype=np.int64)
    starts[:, 1:] = np.where(ordered[:, 1:] != ordered[:, :-1], position[1:], 0)
    np.maximum.accumulate(starts, axis=1, out=starts)
    q = position - starts  # 0, 1, .. k-1 inside each group of k
    # each polynomial of k is the sum of its own differences over q = 0 .. k-1
    return _TieSums(
        pairs=q.sum(axis=1), triples=(3 * q * (q - 1)).sum(axis=1), variance=(6 * q * (q + 2)).sum(axis=1)
    )


def _pair_differences(values: Floats) -> Floats:
    """values[:, j] - values[:, i] for all i < j: (n_series, n_points * (n_points - 1) / 2)."""
    points = values.shape[1]
    out = np.empty((len(values), points * (points - 1) // 2))
    start = 0
    with np.errstate(over="ignore"):
        for i in range(points - 1):
            stop = start + points - 1 - i
            np.subtract(values[:, i + 1 :], values[:, i : i + 1], out=out[:, start:stop])
            start = stop
    return out


def _item(ordered: Floats, index: NDArray) -> Floats:
    """ordered[row, index[row]]; NaN where the index is NaN or below zero."""
    known = index >= 0
    if ordered.shape[1] == 0:
        return np.full(len(ordered), np.nan)
    at = np.where(known, index, 0).astype(np.int64)
    return np.where(known, np.take_along_axis(ordered, at[:, None], axis=1)[:, 0], np.nan)


def _median_of_sorted(ordered: Floats, n: NDArray[np.int64]) -> Floats:
    """Median of the first n values of each sorted row; NaN where n is 0."""
    below = _item(ordered, np.where(n > 0, (n - 1) // 2, -1))
    above = _item(ordered, np.where(n > 0, n // 2, -1))
    return (below + above) / 2.0


def _chunks(x: NDArray, y: NDArray) -> Iterator[tuple[slice, Floats, Floats, NDArray[np.int64]]]:
    """Row ranges with their own copy of x and y in which a point missing in one is missing in both."""
    points = y.shape[1]
    step = max(1, _PAIRS_PER_CHUNK // max(1, points * (points - 1) // 2))
    for start in range(0, len(y), step):
        rows = slice(start, min(start + step, len(y)))
        xs, ys = x[rows].astype(np.float64), y[rows].astype(np.float64)
        for name, part in (("x", xs), ("y", ys)):
            infinite = np.isinf(part)
            if infinite.any():
                row, point = np.argwhere(infinite)[0]
                raise ValueError(
                    f"{name} must be finite or NaN, got {part[row, point]} "
                    f"at series {start + row}, point {point}"
                )
        missing = np.isnan(xs) | np.isnan(ys)
        xs[missing] = ys[missing] = np.nan
        yield rows, xs, ys, (~missing).sum(axis=1)


def _batch(x: ArrayLike, y: ArrayLike) -> tuple[NDArray, NDArray]:
    """x and y as numeric arrays of one shape (n_series, n_points), without copying them."""
    x, y = _numeric(x, "x"), _numeric(y, "y")
    if y.ndim != 2:
        raise ValueError(f"y must have the shape (n_series, n_points), got {y.shape}")
    if x.shape not in (y.shape, y.shape[1:]):
        raise ValueError(f"x must have the shape {y.shape} or {y.shape[1:]} to go with y, got {x.shape}")
    return np.broadcast_to(x, y.shape), y


def _fit(value: ArrayLike, name: str, shape: tuple[int, ...]) -> Floats:
    array = _numeric(value, name).astype(np.float64)
    if array.shape not in ((), shape):
        raise ValueError(f"{name} must be a number or have the slopes' shape {shape}, got {array.shape}")
    return np.broadcast_to(array, shape)


def _numeric(value: ArrayLike, name: str) -> NDArray:
    array = np.asarray(value)
    if array.dtype.kind not in "fiu":
        raise ValueError(f"{name} must be an array of numbers, got dtype {array.dtype}")
    return array
