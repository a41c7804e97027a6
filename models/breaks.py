"""Breaks in a component's history: a part that was fitted begins a new life."""

from __future__ import annotations

from datetime import date

import polars as pl


def fitted(work_orders: pl.DataFrame) -> pl.DataFrame:
    """Day on which the history of each component last began anew.

    An inspection changes nothing, and neither does a code clear (it repairs nothing). A replacement that found no
    fault resets too: another part is in the vehicle now, whatever was wrong. What stands behind a part is seen
    through it: a new upstream sensor resets the downstream sensor, the catalyst and the trims of its bank as
    well, a new downstream sensor the catalyst.

    Args:
        work_orders: unit_id, component, action, closed_on.

    Returns:
        unit_id, component, fitted_on.
    """
    fits = work_orders.filter(pl.col("action").is_in(["replaced", "repaired"]) & (pl.col("component") != "OTHER"))
    bank = pl.col("component").str.slice(1, 1)
    upstream = fits.filter(pl.col("component").str.ends_with("S1"))
    sensors = fits.filter(pl.col("component").str.contains(r"S[12]$"))
    behind = [
        upstream.with_columns(component=pl.format("B{}S2", bank)),
        upstream.with_columns(component=pl.format("BANK{}", bank)),
        sensors.with_columns(component=pl.format("CAT{}", bank)),
    ]
    return (
        pl.concat([fits, *behind])
        .group_by("unit_id", "component")
        .agg(fitted_on=pl.col("closed_on").max())
        .sort("unit_id", "component")
    )


def inspected(work_orders: pl.DataFrame, since: date) -> pl.DataFrame:
    """Components that a technician tested on ``since`` or later and found without a fault, nothing done to them after.

    An inspection that notes no finding takes nothing back: the workshop's own order of that visit, closed days or weeks
    after the card came back, often says no more.

    Args:
        work_orders: order_id, unit_id, component, action, finding, closed_on.

    Returns:
        unit_id, component, inspected_on.
    """
    noted = pl.col("finding").is_in(["confirmed", "no_fault_found"]).fill_null(False)
    telling = work_orders.filter((pl.col("component") != "OTHER") & ((pl.col("action") != "inspected") | noted))
    newest = telling.sort("closed_on", "order_id").group_by(
        "unit_id", "component", maintain_order=True
    ).last()
    sound = (pl.col("action") == "inspected") & (pl.col("finding") == "no_fault_found")
    return newest.filter(sound, pl.col("closed_on") >= since).select(
        "unit_id", "component", inspected_on="closed_on"
    ).sort("unit_id", "component")


def replaced(work_orders: pl.DataFrame, since: date) -> pl.DataFrame:
    """Components that were exchanged on ``since`` or later.

    Args:
        work_orders: unit_id, component, action, closed_on.

    Returns:
        unit_id, component, replaced_on.
    """
    fits = work_orders.filter((pl.col("action") == "replaced") & (pl.col("component") != "OTHER"), pl.col("closed_on") >= since)
    return fits.group_by("unit_id", "component").agg(replaced_on=pl.col("closed_on").max()).sort("unit_id", "component")


def since_fitted(days: pl.DataFrame, fits: pl.DataFrame) -> pl.DataFrame:
    """Only the indicator days after the component was fitted; the day of the visit itself belongs to neither.

    Args:
        days: unit_id, component, day and more.
        fits: unit_id, component, fitted_on.
    """
    joined = days.join(fits, on=["unit_id", "component"], how="left")
    return joined.filter(pl.col("fitted_on").is_null() | (pl.col("day") > pl.col("fitted_on"))).drop("fitted_on")
