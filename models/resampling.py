"""How sure a figure of weekly lists is: whole vehicles drawn anew, since weeks of one vehicle resemble each other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True)
class Interval:
    """Bootstrap interval: estimate on all units, low, high, number of units, resamples that count."""

    estimate: float
    low: float
    high: float
    units: int
    resamples: int


def bootstrap_interval(
    statistic: Callable[[NDArray[np.int64]], float],
    groups: ArrayLike,
    *,
    confidence: float = 0.90,
    seed: int = 0,
    n: int = 1000,
    share: bool = False,
) -> Interval:
    """Percentile interval of a statistic from resampling whole units with replacement.

    statistic : takes row numbers (int array; a unit drawn twice brings its rows twice) and returns a float,
        NaN where it is not defined on a resample (no failures drawn, say).
    groups : (n_rows,) unit of each row. n : resamples, 0 or more. Same seed, same answer.
    share : the statistic is a share of rows, 0..1. Where it is 0 or 1 every resample says the same, which proves nothing: the
        far end is then that of the exact binomial interval with each unit as one trial (C. J. Clopper, E. S. Pearson,
        Biometrika 26 (1934) 404-413), for no case in n units 1 - ((1 - confidence) / 2) ** (1 / n).
    low and high are NaN with fewer than two units, or if under half of the resamples define the statistic.

    Percentiles: B. Efron, R. J. Tibshirani, An Introduction to the Bootstrap (1993), ch. 13; whole clusters:
    A. C. Davison, D. V. Hinkley, Bootstrap Methods and their Application (1997), sec. 3.8.
    """
    checked_confidence(confidence)
    if n < 0:
        raise ValueError(f"n must be 0 or more resamples, got {n}")
    groups = np.asarray(groups)
    rows = np.arange(groups.size)
    units, unit = np.unique(groups, return_inverse=True)
    estimate = float(statistic(rows)) if rows.size else float("nan")
    if units.size < 2:
        return Interval(estimate, float("nan"), float("nan"), units.size, 0)
    rng = np.random.default_rng(seed)

    def draw() -> NDArray[np.int64]:
        times = np.bincount(rng.integers(0, units.size, units.size), minlength=units.size)
        return np.repeat(rows, times[unit])

    draws = np.array([statistic(draw()) for _ in range(n)], dtype=float)
    draws = draws[~np.isnan(draws)]
    if draws.size == 0 or draws.size < n / 2:
        return Interval(estimate, float("nan"), float("nan"), units.size, draws.size)
    low, high = np.quantile(draws, [(1 - confidence) / 2, (1 + confidence) / 2])
    if share and estimate in (0.0, 1.0):
        reach = 1 - ((1 - confidence) / 2) ** (1 / units.size)
        low, high = (0.0, reach) if estimate == 0 else (1 - reach, 1.0)
    return Interval(estimate, float(low), float(high), units.size, draws.size)


def checked_confidence(value: float) -> float:
    """The value itself; ValueError where it does not lie between 0 and 1."""
    if not 0 < value < 1:
        raise ValueError(f"confidence must be between 0 and 1 (both excluded), got {value!r}")
    return value
