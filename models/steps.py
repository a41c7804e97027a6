"""Steps in weekly series: a sudden lasting change, such as a part that was exchanged without a work order.

A step found in the data is proposed, never assumed: it resets nothing by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

LEAST_EACH_SIDE = 4  # weeks before and after: fewer are one odd trip as easily as another part
LEAST_POINTS = 10  # of eight drift-free points nearly two in a hundred part by chance (measured)
LEAST_SPREADS = 5.0  # under 0.5 % of drift-free or drifting series reach it (measured in the tests)
# The median and MAD of a normal sample: 1.4826 turns one into a standard deviation (Rousseeuw & Croux, JASA 88, 1993).
_MAD_TO_SD = 1.4826
# A spread of zero would make any difference infinite; recorded values have at least this relative resolution.
_RESOLUTION = 1e-3
_BETTER_THAN_A_LINE = 0.5


@dataclass(frozen=True)
class Steps:
    """The largest step of each series; every field is an array of shape (n_series,).

    place : index of the first point after the step, -1 where there is none.
    since : index after the last point before it: the earliest place it can be at, -1 where there is none. Where points are
        missing between them the step lies anywhere from ``since`` to ``place``.
    size : median after minus median before, in the unit of y; NaN where there is none.
    spreads : size over the spread of the points around their own side's median; NaN where there is none.
    """

    place: NDArray[np.int64]
    since: NDArray[np.int64]
    size: NDArray[np.float64]
    spreads: NDArray[np.float64]


def steps(y: NDArray[np.float64], least_spreads: float = LEAST_SPREADS) -> Steps:
    """Find the step of each series by splitting it at every point and comparing the medians of both sides.

    A split counts only where all points but one on each side lie apart, where the difference of the medians
    reaches ``least_spreads`` spreads (1.4826 times the median absolute residual), and where the absolute
    residuals add up to less than half of those around a straight line. Of several the one that leaves least counts.

    Args:
        y: shape (n_series, n_points), oldest first; NaN is a missing point.
        least_spreads: dimensionless.

    Raises:
        ValueError: ``y`` is not two-dimensional, or ``least_spreads`` is not positive.
    """
    values = np.asarray(y, dtype=float)
    if values.ndim != 2:
        raise ValueError(f"y must have shape (n_series, n_points), got {values.shape}")
    if not least_spreads > 0:
        raise ValueError(f"least_spreads must be positive, got {least_spreads}")
    count, points = values.shape
    place = np.full(count, -1, dtype=np.int64)
    size = np.full(count, np.nan)
    spreads = np.full(count, np.nan)
    present = np.isfinite(values)
    # A step has to leave half of what a straight line leaves: a drift does not pass for a step.
    best = _BETTER_THAN_A_LINE * _left_by_a_line(values, present)
    enough = present.sum(axis=1) >= LEAST_POINTS
    for split in range(LEAST_EACH_SIDE, points - LEAST_EACH_SIDE + 1):
        sides = np.minimum(present[:, :split].sum(axis=1), present[:, split:].sum(axis=1))
        rows = np.flatnonzero(enough & (sides >= LEAST_EACH_SIDE))
        if not rows.size:
            continue
        before, after = values[rows, :split], values[rows, split:]
        middle_before, middle_after = np.nanmedian(before, axis=1), np.nanmedian(after, axis=1)
        difference = middle_after - middle_before
        residuals = np.abs(
            np.concatenate([before - middle_before[:, None], after - middle_after[:, None]], axis=1)
        )
        scale = np.maximum(np.abs(middle_before), np.abs(middle_after)) * _RESOLUTION
        spread = np.maximum(_MAD_TO_SD * np.nanmedian(residuals, axis=1), scale)
        with np.errstate(divide="ignore", invalid="ignore"):
            times = np.where(spread > 0, np.abs(difference) / spread, 0.0)
        left = np.nansum(residuals, axis=1)
        better = (times >= least_spreads) & _apart(before, after, difference) & (left < best[rows])
        chosen = rows[better]
        place[chosen], size[chosen] = split, difference[better]
        spreads[chosen], best[chosen] = times[better], left[better]
    # The first of the splits between the same two points was chosen: its own point may be missing.
    there = np.flatnonzero(place >= 0)
    since = np.full(count, -1, dtype=np.int64)
    for row in there:
        before, after = np.flatnonzero(present[row, : place[row]]), np.flatnonzero(present[row, place[row] :])
        since[row], place[row] = before[-1] + 1, place[row] + after[0]
    return Steps(place, since, size, spreads)


def _left_by_a_line(values: NDArray[np.float64], present: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Sum of the absolute residuals around the least-squares line of each series."""
    number = np.maximum(present.sum(axis=1), 1)
    x = np.where(present, np.arange(values.shape[1], dtype=float), 0.0)
    y = np.where(present, values, 0.0)
    x = np.where(present, x - (x.sum(axis=1) / number)[:, None], 0.0)
    y = np.where(present, y - (y.sum(axis=1) / number)[:, None], 0.0)
    slope = (x * y).sum(axis=1) / np.maximum((x * x).sum(axis=1), np.finfo(float).tiny)
    return np.abs(y - slope[:, None] * x).sum(axis=1)


def _apart(before: NDArray[np.float64], after: NDArray[np.float64], difference: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether all points of one side but one lie beyond all points of the other side but one."""
    sign = np.where(difference < 0, -1.0, 1.0)[:, None]
    low = np.sort(np.where(np.isnan(before), -np.inf, before * sign), axis=1)[:, -2]
    high = np.sort(np.where(np.isnan(after), np.inf, after * sign), axis=1)[:, 1]
    return low < high
