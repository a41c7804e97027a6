"""What the order of blame asks of a vehicle beside the levels of its indicators: its warmest day, whether codes are read, and
what the gateways of its depot report.
"""

from __future__ import annotations

import polars as pl

WARMEST, CODES, BETWEEN = "warmest_coolant_degc", "codes_exported", "depot_between_share"
NEIGHBOURS_LEAST = 4  # other vehicles of a depot that show what its gateways report (our own choice)


def warmest_day(days: pl.DataFrame, standing: pl.DataFrame, cold_below: float) -> pl.DataFrame:
    """Coolant of the warmest of some days, by vehicle.

    Left out where the engine is usually cold and was warm on some day: that is neither a stuck thermostat nor a sound one.

    Args:
        days: unit_id, indicator, value; uses ``warm_coolant_degc`` (degC).
        standing: unit_id, indicator, level; the same indicator's level.
        cold_below: below it an engine is cold, degC.

    Returns:
        unit_id, indicator, level (degC).
    """
    mine = pl.col("indicator") == "warm_coolant_degc"
    usual = standing.filter(mine).select("unit_id", usual="level")
    warmest = days.filter(mine).group_by("unit_id").agg(level=pl.col("value").max()).join(usual, on="unit_id")
    agreed = (pl.col("level") < cold_below) | (pl.col("usual") >= cold_below)
    return warmest.filter(agreed).select("unit_id", indicator=pl.lit(WARMEST), level="level")


def codes_exported(told: pl.Series, register: pl.DataFrame) -> pl.DataFrame:
    """1 for vehicles whose codes are read, 0 for the others: those that told of their lamp or a code, and their depots.

    A healthy vehicle has no code to tell of; what its neighbours' gateways read, its own reads as well.

    Args:
        told: unit_id of vehicles that reported their lamp or ever a code.
        register: unit_id, depot (null or empty unknown).

    Returns:
        unit_id, indicator, level.
    """
    own = pl.col("unit_id").is_in(told.implode())
    placed = pl.col("depot").is_not_null() & (pl.col("depot") != "")
    depots = register.filter(own & placed)["depot"].unique()
    read = own | pl.col("depot").is_in(depots.implode()).fill_null(False)
    return register.select("unit_id", indicator=pl.lit(CODES), level=read.cast(pl.Float64))


def depot_between(standing: pl.DataFrame, register: pl.DataFrame, between_above: float) -> pl.DataFrame:
    """Share of the *other* vehicles of a depot whose upstream voltage lies mostly between rich and lean.

    A voltage that switches is there for a third of the time at most (domain reference 7); its mean over some seconds always is.
    Vehicles of one depot have gateways of one kind as a rule, and their sensors do not fail together.

    Args:
        standing: unit_id, indicator, level; uses ``up_mid_share`` (0 to 1), the highest of a vehicle's banks.
        register: unit_id, depot (null or empty unknown).
        between_above: share of readings from which on a voltage lies mostly between.

    Returns:
        unit_id, indicator, level (0 to 1) of vehicles with at least :data:`NEIGHBOURS_LEAST` others beside them.
    """
    own = standing.filter(pl.col("indicator") == "up_mid_share").group_by("unit_id").agg(mid=pl.col("level").max())
    placed = register.filter(pl.col("depot").is_not_null() & (pl.col("depot") != "")).select("unit_id", "depot")
    beside = own.join(placed, on="unit_id").with_columns(lies=(pl.col("mid") > between_above).cast(pl.Float64))
    others = pl.len().over("depot") - 1
    return beside.filter(others >= NEIGHBOURS_LEAST).select(
        "unit_id", indicator=pl.lit(BETWEEN), level=(pl.col("lies").sum().over("depot") - pl.col("lies")) / others
    )
