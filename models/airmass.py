"""Measured air mass against the air that speed and manifold pressure can draw (speed-density)."""

from __future__ import annotations

import polars as pl

PAST_WEEKS = 3  # odd, so that one week in which the meter was changed or fouled does not move the median
LEAST_WEEKS = 3
_SPREADS, _MAD, _IQR = 3.0, 1.4826, 1.349  # of a normal distribution 1 in 370 lies outside three spreads


def with_air_mass(
    weeks: pl.DataFrame, register: pl.DataFrame, least_peers: int, most_scatter_pct: float
) -> pl.DataFrame:
    """Weekly values with ``maf_off_pct`` of every vehicle that reports air mass and manifold pressure added.

    ``full_charge_l`` is the swept volume times volumetric efficiency at full charge that the measured air mass asks
    for (ideal gas: ``m = rho * V * n / 2 * efficiency``). It is a constant of an engine, so what departs from it is the
    air mass meter (or the pressure sensor). The constant is taken from

    - the median of at least ``least_peers`` vehicles of the engine family, each by its own first weeks; or else the
      displacement of the register times the median efficiency of at least as many vehicles of the fleet;
    - the vehicle's own past: the median of its first :data:`PAST_WEEKS` weeks, three at least.

    Where both are there, the larger departure counts: a meter that was off from the first day shows against others, one
    that drifts against its past. What as many vehicles of the family, or else of the fleet, share in a week is taken off
    both: air of another season warms up otherwise on its way in, which moves all of them by a tenth and no meter.
    Efficiency differs between designs by 0.75 to 0.95 at full load
    (common practice), too much for a single vehicle, which is therefore never held against a book value. And a yardstick
    that scatters is none: where three spreads of the other vehicles, or of what the own weeks differ from one to the next,
    reach ``most_scatter_pct``, it is left out.

    Args:
        weeks: unit_id, component, data_week, indicator, value, samples, days; uses ``full_charge_l`` of UNIT (l).
        register: unit_id, engine_family, displacement_l (l, null unknown).
        least_peers: vehicles in the smallest group whose median counts.
        most_scatter_pct: three spreads of a yardstick that still tells a meter (%): of a group its quartile distance over 1.349,
            of the own weeks 1.4826 times the median step from one to the next over the root of two.

    Returns:
        ``weeks`` and rows ``maf_off_pct`` (%, below 0: less is measured than can be drawn).
    """
    drawn = weeks.filter((pl.col("indicator") == "full_charge_l") & (pl.col("value") > 0))
    early = (
        drawn.sort("unit_id", "data_week")
        .group_by("unit_id", maintain_order=True)
        .agg(
            early=pl.col("value").head(PAST_WEEKS).median(), weeks=pl.len(),
            # From week to week, so that a meter that steps or drifts is not taken for one that scatters.
            own_scatter=_SPREADS * _MAD * pl.col("value").log().diff().abs().median() / 2**0.5,
        )
        .join(register.select("unit_id", "engine_family", "displacement_l"), on="unit_id", how="left", maintain_order="left")
        .with_columns(efficiency=pl.col("early") / pl.col("displacement_l"))
    )
    in_family = pl.col("early").count().over("engine_family")
    with_size = pl.col("efficiency").count()
    of_family = pl.col("early") / pl.col("early").median().over("engine_family") - 1
    of_fleet = pl.col("efficiency") / pl.col("efficiency").median() - 1
    most = most_scatter_pct / 100
    usual = early.with_columns(
        peers=pl.when(pl.col("engine_family").is_not_null() & (in_family >= least_peers))
        .then(pl.when(_scatter(of_family).over("engine_family") < most).then(pl.col("early").median().over("engine_family")))
        .when((with_size >= least_peers) & (_scatter(of_fleet) < most))
        .then(pl.col("displacement_l") * pl.col("efficiency").median()),
        past=pl.when((pl.col("weeks") > LEAST_WEEKS) & (pl.col("own_scatter") < most)).then("early"),
    )
    in_week = ["engine_family", "data_week"]
    ratio, known = pl.col("value") / pl.col("early"), pl.col("engine_family").is_not_null()
    shared = (
        pl.when(known & (ratio.count().over(in_week) >= least_peers)).then(ratio.median().over(in_week))
        .when(ratio.count().over("data_week") >= least_peers).then(ratio.median().over("data_week"))
        .otherwise(1.0)
    )
    by_peers, by_past = (100 * (pl.col("value") / pl.col("shared") / pl.col(name) - 1) for name in ("peers", "past"))
    larger = pl.when(by_peers.abs() >= by_past.abs().fill_null(0.0)).then(by_peers).otherwise(by_past)
    made = (
        drawn.join(usual.select("unit_id", "engine_family", "early", "peers", "past"), on="unit_id", maintain_order="left")
        .with_columns(shared=shared)
        .with_columns(value=larger, indicator=pl.lit("maf_off_pct"))
        .filter(pl.col("value").is_not_null())
    )
    return pl.concat([weeks, made.select(weeks.columns)])


def _scatter(departure: pl.Expr) -> pl.Expr:
    """By the quartiles: of two sorts of vehicles in one group the median absolute deviation sees only the larger."""
    return _SPREADS * (departure.quantile(0.75, "linear") - departure.quantile(0.25, "linear")) / _IQR
