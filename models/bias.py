"""Bias of an upstream sensor: the trims follow it, the downstream sensor contradicts it."""

from __future__ import annotations

import polars as pl


def with_bias(weeks: pl.DataFrame, reference_v: float, rich_pct_per_v: float, lean_pct_per_v: float) -> pl.DataFrame:
    """Weekly values with the two bias indicators of every bank added.

    A sensor that reads lean makes the controller add fuel, and the downstream sensor then sees too much of it; a
    true lack of fuel (vacuum leak, weak pump) makes it add fuel as well, but leaves the downstream sensor where it
    was. So the smaller of the two, trim and downstream departure, both in per cent of fuel, is what only a bias
    explains: ``lean_bias_pct = min(trim, rich_pct_per_v * (downstream - reference))`` and ``rich_bias_pct`` likewise
    for fuel taken away (common practice decision table; the scales are planning values).

    Args:
        weeks: unit_id, component, data_week, indicator, value, samples, days; uses ``trim_pct`` of BANKn (%) and
            ``down_level_v`` of BnS2 (V).
        reference_v: downstream voltage of a healthy system in even driving, V.
        rich_pct_per_v, lean_pct_per_v: per cent of fuel a volt above and below the reference, %/V.
    """
    bank = pl.col("component").str.extract(r"(\d)")
    keys = ["unit_id", "data_week", "bank"]
    trims = weeks.filter(pl.col("indicator") == "trim_pct").with_columns(bank=bank)
    rears = weeks.filter(pl.col("indicator") == "down_level_v").with_columns(bank=bank)
    both = trims.join(rears, on=keys, suffix="_rear")
    above = pl.col("value_rear") - reference_v
    lean = pl.min_horizontal("value", above * rich_pct_per_v)
    rich = pl.min_horizontal(-pl.col("value"), -above * lean_pct_per_v)
    made = [
        both.select(
            "unit_id",
            component=pl.format("B{}S1", "bank"),
            data_week="data_week",
            indicator=pl.lit(name),
            value=value,
            samples=pl.min_horizontal("samples", "samples_rear"),
            days=pl.min_horizontal("days", "days_rear"),
        )
        for name, value in (("lean_bias_pct", lean), ("rich_bias_pct", rich))
    ]
    return pl.concat([weeks, *(frame.select(weeks.columns) for frame in made)])
