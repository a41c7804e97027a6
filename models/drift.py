"""Slow drift of a part against its own past: what shows weeks before a limit is crossed."""

from __future__ import annotations

import numpy as np
import polars as pl

from models.levels import BASELINE_LEAST, LEVEL_WEEKS, SERIES, Grid, own_past
from models.trend import theil_sen

RECENT_WEEKS = 8
RECENT_LEAST = 4
_SLACK = 0.5  # half a spread a week counts as standing still
_MOST = 60.0
_DIFFERENCES_LEAST = 3


def drift(grid: Grid, levels: pl.DataFrame) -> pl.DataFrame:
    """``levels`` with the drift of each series added.

    own_spread : scatter from week to week, 1.4826 * median |difference of neighbouring weeks| / sqrt(2); a slow drift
        hardly touches it. own_shift : level minus the median of all weeks before the newest three.
    recent_slope : Theil-Sen slope of the newest eight weeks, unit of the indicator a week; a slope over the whole
        history hides a decline that began a month ago.
    drift_up, drift_down : one-sided cumulative sums of (value - own past) / own_spread less half a spread a week
        (E. S. Page, "Continuous inspection schemes", Biometrika 41 (1954) 100-115), at most 60.
    All are null where there are too few weeks.

    Args:
        grid: series by weeks, from :func:`models.levels.series_grid`.
        levels: rows of :func:`models.levels.levels` in the order of ``grid``.
    """
    solid = grid.solid()
    spread = _spread(solid)
    baseline = own_past(solid)
    earlier = solid[:, :-LEVEL_WEEKS]
    enough = (~np.isnan(earlier)).sum(axis=1) >= BASELINE_LEAST
    before = np.full(len(solid), np.nan)
    if enough.any():
        before[enough] = np.nanmedian(earlier[enough], axis=1)
    recent = solid[:, -RECENT_WEEKS:].copy()
    recent[(~np.isnan(recent)).sum(axis=1) < RECENT_LEAST] = np.nan
    slope = theil_sen(np.arange(recent.shape[1], dtype=float), recent).slope
    up, down = (_cumulative(sign * (solid - baseline[:, None]) / spread[:, None]) for sign in (1.0, -1.0))
    return levels.with_columns(
        own_spread=pl.Series(spread, nan_to_null=True),
        own_shift=pl.col("level") - pl.Series(before, nan_to_null=True),
        recent_slope=pl.Series(slope, nan_to_null=True),
        drift_up=pl.Series(up, nan_to_null=True),
        drift_down=pl.Series(down, nan_to_null=True),
    ).select(*SERIES, *(name for name in levels.columns if name not in SERIES),
             "own_spread", "own_shift", "recent_slope", "drift_up", "drift_down")


def _spread(solid: np.ndarray) -> np.ndarray:
    """Scatter of neighbouring weeks with data; NaN with fewer than three differences or none above zero."""
    present = ~np.isnan(solid)
    place = np.where(present, np.cumsum(present, axis=1) - 1, solid.shape[1] - 1)
    packed = np.full(solid.shape, np.nan)
    rows = np.broadcast_to(np.arange(len(solid))[:, None], solid.shape)
    packed[rows[present], place[present]] = solid[present]
    steps = np.abs(np.diff(packed, axis=1))
    enough = (~np.isnan(steps)).sum(axis=1) >= _DIFFERENCES_LEAST
    result = np.full(len(solid), np.nan)
    if enough.any():
        result[enough] = 1.4826 * np.nanmedian(steps[enough], axis=1) / np.sqrt(2.0)
    result[result <= 0] = np.nan
    return result


def _cumulative(scores: np.ndarray) -> np.ndarray:
    """One-sided cumulative sum at the newest week; weeks without data change nothing."""
    total = np.zeros(len(scores))
    for week in scores.T:
        total = np.where(np.isnan(week), total, np.clip(total + week - _SLACK, 0.0, _MOST))
    return np.where(np.isnan(scores).all(axis=1), np.nan, total)
