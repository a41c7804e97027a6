"""Bias of an upstream sensor: the trims follow it, the downstream sensor contradicts it."""

from __future__ import annotations

import polars as pl

from models.levels import BASELINE_LEAST, BASELINE_WEEKS
from models.limits import PEERS_LEAST, family_known

REAR_FELL = "rear_fell_v"
_STANDING = ("down_level_v", "down_top_v", "down_spread_v", "trim_pct")


def rear_references(
    weeks: pl.DataFrame, units: pl.DataFrame, reference_v: float, least_v: float, most_v: float
) -> pl.DataFrame:
    """Downstream voltage of a healthy system in even driving, by vehicle: where its engine family holds it.

    Each control unit has a target of its own, commonly 0.60 to 0.80 V (common practice), and a family that aims at
    0.56 V is not lean. So the reference is the median over the vehicles of the engine family (each by its own median),
    kept within what a calibration may aim at; a family of fewer than eight other vehicles with data takes ``reference_v``.

    Args:
        weeks: unit_id, component, data_week, indicator, value; uses ``down_level_v`` of BnS2 (V).
        units: unit_id, engine_family (null or empty unknown).
        least_v, most_v: below, a downstream sensor is lean; above, it is on the flat of the characteristic.

    Returns:
        unit_id, reference_v (V); one row a row of ``units``.
    """
    levels = weeks.filter((pl.col("indicator") == "down_level_v") & pl.col("value").is_not_null())
    usual = levels.group_by("unit_id").agg(level=pl.col("value").median()).join(
        units.select("unit_id", "engine_family"), on="unit_id"
    )
    families = usual.group_by("engine_family").agg(target=pl.col("level").median(), vehicles=pl.len()).filter(
        family_known() & (pl.col("vehicles") > PEERS_LEAST)
    )
    return units.select("unit_id", "engine_family").join(families, on="engine_family", how="left").select(
        "unit_id", reference_v=pl.col("target").clip(least_v, most_v).fill_null(reference_v)
    )


def with_bias(
    weeks: pl.DataFrame, references: pl.DataFrame, rich_pct_per_v: float, lean_pct_per_v: float
) -> pl.DataFrame:
    """Weekly values with the two bias indicators of every bank added.

    A sensor that reads lean makes the controller add fuel, and the downstream sensor then sees too much of it; a
    true lack of fuel (vacuum leak, weak pump) makes it add fuel as well, but leaves the downstream sensor where it
    was. So the smaller of the two, trim and downstream departure, both in per cent of fuel, is what only a bias
    explains: ``lean_bias_pct = min(trim, rich_pct_per_v * (downstream - reference))`` and ``rich_bias_pct`` likewise
    for fuel taken away (common practice decision table; the scales are planning values).

    Args:
        weeks: unit_id, component, data_week, indicator, value, samples, days; uses ``trim_pct`` of BANKn (%) and
            ``down_level_v`` of BnS2 (V).
        references: unit_id, reference_v: downstream voltage of a healthy system in even driving, V; of
            :func:`rear_references`. A vehicle without one gets no bias indicators.
        rich_pct_per_v, lean_pct_per_v: per cent of fuel a volt above and below the reference, %/V.
    """
    bank = pl.col("component").str.extract(r"(\d)")
    keys = ["unit_id", "data_week", "bank"]
    trims = weeks.filter(pl.col("indicator") == "trim_pct").with_columns(bank=bank)
    rears = weeks.filter(pl.col("indicator") == "down_level_v").with_columns(bank=bank)
    both = trims.join(rears, on=keys, suffix="_rear").join(references, on="unit_id")
    above = pl.col("value_rear") - pl.col("reference_v")
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


def with_rear_fall(weeks: pl.DataFrame, ceiling: float, spread: float, fuel_pct: float) -> pl.DataFrame:
    """Weekly values with ``rear_fell_v`` of every upstream sensor added: how far the downstream voltage in even driving has
    fallen since its own past (V, 0 where it has not), where nothing but an upstream sensor that reads rich explains it.

    Gas that is leaner than it was while the upstream sensor sees the same mixture says that this sensor reads rich (common
    practice decision table). Lean gas of other causes shows otherwise: a lean mixture makes the trims add fuel, air that
    comes in between the sensors or a catalyst that has lost its storage makes the downstream sensor livelier, and a weak
    downstream sensor no longer reaches its ceiling. A week in which one of these has happened, or is not known, gets no value.
    Trims are taken net of the median change of the fleet in that week, where it has more than eight vehicles: season and fuel
    move all of them.

    The own past is that of :func:`models.levels.own_past`: the median of the first six weeks, the newest kept out.

    Args:
        weeks: unit_id, component, data_week, indicator, value, samples, days; uses ``down_level_v``, ``down_top_v``,
            ``down_spread_v`` (V) of BnS2 and ``trim_pct`` of BANKn (%).
        ceiling: V that ``down_top_v`` may have lost.
        spread: V that ``down_spread_v`` may have grown.
        fuel_pct: % that ``trim_pct`` may have risen.
    """
    keys = ["unit_id", "bank", "data_week"]
    rows = weeks.filter(pl.col("indicator").is_in(_STANDING) & pl.col("value").is_not_null()).sort("data_week").with_columns(
        bank=pl.col("component").str.extract(r"(\d)")
    )
    series = ["unit_id", "bank", "indicator"]
    early = pl.col("value").head(pl.min_horizontal(pl.len() - 1, BASELINE_WEEKS))
    past = rows.group_by(series).agg(past=pl.when(pl.len() > BASELINE_LEAST).then(early.median()))
    changed = rows.join(past, on=series).with_columns(change=pl.col("value") - pl.col("past")).drop("past")
    week = ["indicator", "data_week"]
    fleet = pl.when(pl.col("unit_id").n_unique().over(week) > PEERS_LEAST).then(pl.col("change").median().over(week))
    changed = changed.with_columns(net=pl.col("change") - fleet.fill_null(0))
    told = {name: changed.filter(pl.col("indicator") == name).select(*keys, "change", "net", "samples", "days") for name in _STANDING}
    level, top, wide, trim = (told[name] for name in _STANDING)
    both = level.join(top, on=keys, suffix="_top").join(wide, on=keys, suffix="_wide").join(trim, on=keys, suffix="_trim")
    stands = (pl.col("change_top") > -ceiling) & (pl.col("change_wide") < spread) & (pl.col("net_trim") < fuel_pct)
    made = both.filter(stands & pl.col("change").is_not_null()).select(
        "unit_id",
        "data_week",
        component=pl.format("B{}S1", "bank"),
        indicator=pl.lit(REAR_FELL),
        value=(0 - pl.col("change")).clip(lower_bound=0),
        samples=pl.min_horizontal("samples", "samples_top", "samples_wide", "samples_trim"),
        days=pl.min_horizontal("days", "days_top", "days_wide", "days_trim"),
    )
    return pl.concat([weeks, made.select(weeks.columns)])
