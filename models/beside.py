"""What the order of blame asks of a vehicle beside the levels of its indicators: its warmest day, and whether codes are read."""

from __future__ import annotations

import polars as pl

WARMEST, CODES = "warmest_coolant_degc", "codes_exported"


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
