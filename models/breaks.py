"""Breaks in a component's history: a part that was fitted begins a new life."""

from __future__ import annotations

import polars as pl


def fitted(work_orders: pl.DataFrame) -> pl.DataFrame:
    """Day on which each component was last replaced or repaired.

    An inspection changes nothing, and neither does a code clear (it repairs nothing). A replacement that found no
    fault resets too: another part is in the vehicle now, whatever was wrong.

    Args:
        work_orders: unit_id, component, action, closed_on.

    Returns:
        unit_id, component, fitted_on.
    """
    return (
        work_orders.filter(pl.col("action").is_in(["replaced", "repaired"]) & (pl.col("component") != "OTHER"))
        .group_by("unit_id", "component")
        .agg(fitted_on=pl.col("closed_on").max())
        .sort("unit_id", "component")
    )


def since_fitted(days: pl.DataFrame, fits: pl.DataFrame) -> pl.DataFrame:
    """Only the indicator days after the component was fitted; the day of the visit itself belongs to neither.

    Args:
        days: unit_id, component, day and more.
        fits: unit_id, component, fitted_on.
    """
    joined = days.join(fits, on=["unit_id", "component"], how="left")
    return joined.filter(pl.col("fitted_on").is_null() | (pl.col("day") > pl.col("fitted_on"))).drop("fitted_on")
