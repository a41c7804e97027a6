"""Which components a vehicle has, and which vehicles are out of scope and why."""

from __future__ import annotations

from datetime import date

import polars as pl

# Fuels burned under lambda control with a three-way catalyst.
IN_SCOPE_FUELS = ("petrol", "flex", "cng", "lpg", "hybrid")
_WHY_OUT = {
    "diesel": "diesel: no lambda control to a three-way catalyst",
    "electric": "electric: no combustion engine",
}


def scope_of(register: pl.DataFrame, days: pl.DataFrame) -> pl.DataFrame:
    """Every vehicle of the register or of the readings with banks, sensor kind and the reason it is out of scope.

    Where the register is silent, the readings tell the banks and the sensor kind, and a vehicle is taken as in scope.

    Returns:
        unit_id, depot, engine_family, banks, kind, out_of_scope (reason, empty where in scope), registered.
    """
    shown = days.group_by("unit_id").agg(
        shown_banks=pl.when(pl.col("component").is_in(["B2S1", "B2S2", "BANK2"]).any()).then(2).otherwise(1),
        shown_wide=pl.col("indicator").str.starts_with("wide_").any(),
    )
    listed = register.with_columns(registered=pl.lit(True))
    units = listed.join(shown, on="unit_id", how="full", coalesce=True).sort("unit_id")
    fuel = pl.col("fuel").fill_null("")
    return units.select(
        "unit_id",
        depot=pl.col("depot").fill_null(""),
        engine_family=pl.col("engine_family").fill_null(""),
        banks=pl.coalesce("banks", "shown_banks", pl.lit(1)).cast(pl.Int64),
        kind=pl.coalesce(
            "upstream_sensor",
            pl.when("shown_wide").then(pl.lit("wide_range")).otherwise(pl.lit("narrowband")),
        ),
        out_of_scope=pl.when(fuel.is_in([*IN_SCOPE_FUELS, ""]))
        .then(pl.lit(""))
        .otherwise(fuel.replace_strict(_WHY_OUT, default="fuel not known to be under lambda control")),
        registered=pl.col("registered").fill_null(False),
        has_days=pl.col("shown_banks").is_not_null(),
    )


def expected_components(units: pl.DataFrame) -> pl.DataFrame:
    """One row a component that each vehicle must have; one row with no component for a vehicle out of scope.

    Returns:
        unit_id, depot, engine_family, kind, bank, component, part, out_of_scope, not_judged_because.
    """
    inside = units.filter(pl.col("out_of_scope") == "").with_columns(bank=pl.int_ranges(1, pl.col("banks") + 1))
    banks = inside.explode("bank")
    parts = pl.concat(
        [
            banks.with_columns(component=pl.format("B{}S1", "bank"), part=pl.lit("upstream")),
            banks.with_columns(component=pl.format("B{}S2", "bank"), part=pl.lit("downstream")),
            banks.with_columns(component=pl.format("CAT{}", "bank"), part=pl.lit("catalyst")),
        ]
    )
    outside = units.filter(pl.col("out_of_scope") != "").with_columns(
        bank=pl.lit(0, pl.Int64), component=pl.lit(""), part=pl.lit(""), kind=pl.lit("")
    )
    columns = ["unit_id", "depot", "engine_family", "kind", "bank", "component", "part", "out_of_scope"]
    # PIDs of the usual layout of sensors (SAE J1979 PID 13: two banks), as in signals.csv.
    up, down = (
        pl.when(pl.col("bank") == 2).then(pl.lit(second)).otherwise(pl.lit(first))
        for first, second in (("14 or 24/34", "18 or 28/38"), ("15", "19"))
    )
    because = (
        pl.when(~pl.col("has_days")).then(pl.lit("no readings in the history of the list"))
        .when(pl.col("part") == "upstream")
        .then(pl.format("too few usable upstream readings in the last three weeks: log the upstream sensor (PID {}) with "
                        "coolant, fuel system status and speed, warm and in closed loop", up))
        .when(pl.col("part") == "downstream")
        .then(pl.format("too few usable downstream readings in the last three weeks: log the downstream sensor (PID {}) "
                        "with throttle or load, speed and fuel system status", down))
        .otherwise(pl.format("too few usable readings behind the catalyst in the last three weeks: log the downstream "
                             "sensor (PID {}) at 1 Hz with air mass flow, speed and fuel system status", down))
    )
    return pl.concat(
        [
            parts.with_columns(not_judged_because=because).select(*columns, "not_judged_because"),
            outside.with_columns(not_judged_because=pl.lit("")).select(*columns, "not_judged_because"),
        ]
    ).sort("unit_id", "component")


def gone_quiet(components: pl.DataFrame, days: pl.DataFrame, since: date) -> pl.DataFrame:
    """``components`` with another reason for vehicles that sent readings once and none from ``since`` on: no signal that is
    switched on would change that.

    Args:
        components: from :func:`expected_components`.
        days: unit_id, day of what was measured.
    """
    newest = days.group_by("unit_id").agg(newest=pl.col("day").max()).filter(pl.col("newest") < since)
    because = pl.format(
        "no usable readings since {}: see whether the vehicle is driven, and its gateway powered and in contact",
        pl.col("newest").dt.to_string(),
    )
    return (
        components.join(newest, on="unit_id", how="left", maintain_order="left")
        .with_columns(
            not_judged_because=pl.when(pl.col("newest").is_not_null() & (pl.col("component") != ""))
            .then(because).otherwise("not_judged_because")
        )
        .drop("newest")
    )


def never_hot(components: pl.DataFrame, standing: pl.DataFrame, least_share: float) -> pl.DataFrame:
    """``components`` with another reason for catalysts that are hardly ever hot (short trips).

    Args:
        components: from :func:`expected_components`.
        standing: unit_id, component, indicator, level; uses ``catalyst_hot_share`` (0 to 1).
        least_share: share of the readings below which nothing can be said of a catalyst.
    """
    cold = standing.filter((pl.col("indicator") == "catalyst_hot_share") & (pl.col("level") < least_share)).select(
        "unit_id", "component", cold_share=pl.col("level")
    )
    because = pl.format(
        "never warm: the catalyst is hot in {} % of the readings of the last three weeks (short trips); log whole trips, or "
        "drive it warm for a quarter of an hour",
        (100 * pl.col("cold_share")).round(0).cast(pl.Int64),
    )
    return (
        components.join(cold, on=["unit_id", "component"], how="left", maintain_order="left")
        .with_columns(
            not_judged_because=pl.when(pl.col("cold_share").is_not_null()).then(because).otherwise("not_judged_because")
        )
        .drop("cold_share")
    )
