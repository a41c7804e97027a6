"""Where a weekly indicator stands: newest level, own past, slope and trend test, for many series at once."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl

from models.trend import mann_kendall, theil_sen

SERIES = ["unit_id", "component", "indicator"]
LEVEL_WEEKS = 3  # a level may rest on the newest three weeks; older data do not say how the part is now
BASELINE_WEEKS = 6  # the part's own past: its first six weeks with data
BASELINE_LEAST = 3
_WEEK = timedelta(days=7)


def levels(weeks: pl.DataFrame, least_samples: pl.DataFrame, newest_week: date, history_weeks: int) -> pl.DataFrame:
    """Level, own past and trend of every series of weekly values.

    The level is the sample-weighted mean of the newest weeks, going back no further than needed to reach the
    indicator's least samples and never more than three weeks. The slope is Theil-Sen over all weeks of the history
    whose samples reach a quarter of that number, so that thin weeks do not steer it.

    Args:
        weeks: unit_id, component, indicator, data_week (Monday), value, samples.
        least_samples: indicator, least_samples.
        newest_week: Monday of the newest data week that may be used.
        history_weeks: weeks to look back on, the newest included.

    Returns:
        One row a series: level (null where the newest weeks hold too few samples), level_samples, level_week, weeks,
        baseline, slope_per_week, slope_low, slope_high, trend_p. Units are those of the indicator.
    """
    return levels_of(series_grid(weeks, least_samples, newest_week, history_weeks))


@dataclass(frozen=True)
class Grid:
    """Series by weeks: ``heads`` has one row a series; ``values`` and ``samples`` have shape (series, weeks)."""

    heads: pl.DataFrame
    values: np.ndarray
    samples: np.ndarray
    least: np.ndarray
    oldest: date

    def solid(self) -> np.ndarray:
        """Values of weeks whose samples reach a quarter of the least, NaN elsewhere: thin weeks steer nothing."""
        return np.where(self.samples >= self.least[:, None] / 4, self.values, np.nan)


def series_grid(weeks: pl.DataFrame, least_samples: pl.DataFrame, newest_week: date, history_weeks: int) -> Grid:
    """Weekly values as one array, arguments as of :func:`levels`."""
    oldest = newest_week - _WEEK * (history_weeks - 1)
    inside = (
        weeks.filter(pl.col("data_week").is_between(oldest, newest_week))
        .join(least_samples, on="indicator")
        .with_columns(index=(pl.col("data_week") - oldest).dt.total_days() // 7)
        .sort(*SERIES, "index")
        .with_columns(series=pl.struct(SERIES).rle_id())
    )
    heads = inside.unique("series", keep="first", maintain_order=True)
    count = heads.height
    values = np.full((count, history_weeks), np.nan)
    samples = np.zeros((count, history_weeks))
    rows, columns = inside["series"].to_numpy(), inside["index"].to_numpy()
    values[rows, columns] = inside["value"].to_numpy()
    samples[rows, columns] = inside["samples"].to_numpy()
    return Grid(heads, values, samples, heads["least_samples"].to_numpy().astype(float), oldest)


def levels_of(grid: Grid) -> pl.DataFrame:
    """:func:`levels` of a grid; one row a series, in its order."""
    heads, values, samples, least, oldest = grid.heads, grid.values, grid.samples, grid.least, grid.oldest
    level, level_samples, level_index = _newest(values, samples, least)
    solid = grid.solid()
    axis = np.arange(values.shape[1], dtype=float)
    slopes = theil_sen(axis, solid)
    _, trend_p = mann_kendall(axis, solid)
    return heads.select(
        *SERIES,
        level=pl.Series(level, nan_to_null=True),
        level_samples=pl.Series(level_samples.astype(np.int64)),
        level_week=pl.Series([oldest + _WEEK * int(i) for i in level_index], dtype=pl.Date),
        weeks=pl.Series(slopes.n.astype(np.int64)),
        baseline=pl.Series(own_past(solid), nan_to_null=True),
        slope_per_week=pl.Series(slopes.slope, nan_to_null=True),
        slope_low=pl.Series(slopes.low, nan_to_null=True),
        slope_high=pl.Series(slopes.high, nan_to_null=True),
        trend_p=pl.Series(trend_p, nan_to_null=True),
    )


def _newest(
    values: np.ndarray, samples: np.ndarray, least: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pooled newest weeks: level, samples and index of the newest week with data, per series."""
    recent_values, recent_samples = values[:, -LEVEL_WEEKS:][:, ::-1], samples[:, -LEVEL_WEEKS:][:, ::-1]
    before = np.cumsum(recent_samples, axis=1) - recent_samples
    taken = np.where((before < least[:, None]) & (recent_samples > 0), recent_samples, 0.0)
    total = taken.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        level = np.nansum(np.where(taken > 0, recent_values, 0.0) * taken, axis=1) / total
    level[total < least] = np.nan
    has_data = samples > 0
    newest = samples.shape[1] - 1 - np.argmax(has_data[:, ::-1], axis=1)
    return level, total, newest


def own_past(solid: np.ndarray) -> np.ndarray:
    """Median of the first weeks with data; NaN where fewer than three, or where they are all the data there is."""
    present = ~np.isnan(solid)
    order = np.cumsum(present, axis=1)
    early = np.where(present & (order <= BASELINE_WEEKS), solid, np.nan)
    count = present.sum(axis=1)
    result = np.full(solid.shape[0], np.nan)
    enough = count > BASELINE_LEAST
    # A short history keeps its newest week out of its own past.
    last = order == count[:, None]
    early = np.where(last & (count[:, None] <= BASELINE_WEEKS), np.nan, early)
    if enough.any():
        result[enough] = np.nanmedian(early[enough], axis=1)
    return result
