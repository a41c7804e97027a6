"""Indicators that are held against the part's own past beside limit and peers.

What a sensor does differs from family to family and from gateway to gateway, and is nearly the same from week to week: a
part shows against its own past weeks before it shows against limits that fit every vehicle.
"""

from __future__ import annotations

import polars as pl

OWN = "_own"
# Of the same fall, one timed cut by cut and one over all cuts together.
MEASURED_ALIKE = {"down_fall_dwell_s": "down_fall_s"}


def with_own_past(weeks: pl.DataFrame, indicators: pl.DataFrame) -> pl.DataFrame:
    """Values once more under the name with ``_own`` at its end, where ``indicators`` declares one.

    Args:
        weeks: indicator and more, by week or day.
        indicators: indicator.
    """
    declared = indicators.filter(pl.col("indicator").str.ends_with(OWN))["indicator"]
    twins = weeks.with_columns(pl.col("indicator") + OWN).filter(pl.col("indicator").is_in(declared.implode()))
    return pl.concat([weeks, twins])


def quantity() -> pl.Expr:
    """What an ``indicator`` measures: the same of a measure, its ``_own`` twin and another way to measure it."""
    return pl.col("indicator").str.strip_suffix(OWN).replace(MEASURED_ALIKE)


def louder_twin(levels: pl.DataFrame) -> pl.DataFrame:
    """One row of each quantity: of a measure and its ``_own`` twin the one that lies closer to its limit, since what is
    measured once must not speak twice; nor must one quantity that is measured in two ways (:data:`MEASURED_ALIKE`).

    Args:
        levels: unit_id, component, indicator, strength, strength_28d (null where nothing can be said).
    """
    order = levels.with_columns(_quantity=quantity(), _place=pl.int_range(pl.len())).sort(
        "unit_id", "component", "_quantity", "strength_28d", "strength", "indicator",
        descending=[False, False, False, True, True, False], nulls_last=True,
    )
    first = order.unique(["unit_id", "component", "_quantity"], keep="first", maintain_order=True)
    return first.sort("_place").select(levels.columns)
