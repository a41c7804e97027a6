"""Bias of an upstream sensor: the trims follow it, the downstream sensor contradicts it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import polars as pl

from models.levels import BASELINE_LEAST, BASELINE_WEEKS
from models.limits import PEERS_LEAST, family_known

STEP_V = 0.06  # two weeks of one sensor differ by less in 19 of 20 on three simulators of others, in 7 to 8 of 10 on two more
_FOLLOWS = timedelta(weeks=3)  # a vehicle that stood for longer comes back as another one
WITNESSED = (
    "down_level_v", "down_top_v", "down_spread_v", "trim_pct", "trim_idle_less_cruise_pct", "trim_load_less_cruise_pct",
)


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


@dataclass(frozen=True)
class Stands:
    """What may have changed since a part's own past before the downstream sensor's witness is not taken.

    ceiling: V that the downstream sensor's ceiling may have lost. spread: V that its spread in even driving may have grown.
    fuel_pct: % of fuel from which on trims have risen. uneven_pct: % by which idle and load may have moved against cruise.
    """

    ceiling: float
    spread: float
    fuel_pct: float
    uneven_pct: float


def with_rear_moved(weeks: pl.DataFrame, fits: pl.DataFrame, stands: Stands) -> pl.DataFrame:
    """Weekly values with ``rear_fell_v`` and ``rear_rose_v`` of every upstream sensor added: how far the downstream voltage in
    even driving has fallen or risen since its own past (V, below 0 where it went the other way), where only an upstream sensor
    that reads rich, or lean, explains it. A week counts for no more than :data:`STEP_V` beyond the week before: how long the
    engine was held in even driving moves a single week by more than a tenth of a volt, and what is true stands in the next.

    Gas that is leaner than it was while the upstream sensor sees the same mixture says that this sensor reads rich; one that
    is richer while the trims add fuel, that it reads lean (common practice decision table). Other causes show otherwise. A
    lean mixture makes the trims add fuel and no gas richer; air that comes in between the sensors or a catalyst that has lost
    its storage makes the downstream sensor livelier; a weak downstream sensor no longer reaches its ceiling; air that comes in
    before the upstream sensor or the engine weighs most at idle and a weak pump under load, while a sensor reads off
    everywhere alike. A week in which one of these has happened, or is not known, gets no value. Trims are taken net of the
    median change of the fleet in that week, where it has more than eight vehicles: season and fuel move all of them.

    The own past is that of :func:`models.levels.own_past`: the median of the first six weeks, the newest kept out. It begins
    anew with the first whole week after any part of the bank was fitted: behind a new catalyst, or a sensor that reads
    otherwise, the downstream one lies elsewhere.

    Args:
        weeks: unit_id, component, data_week, indicator, value, samples, days; uses ``down_level_v``, ``down_top_v``,
            ``down_spread_v`` (V) of BnS2 and ``trim_pct``, ``trim_idle_less_cruise_pct``, ``trim_load_less_cruise_pct`` of
            BANKn (%); the last may be missing.
        fits: unit_id, component, fitted_on (date).
    """
    keys = ["unit_id", "bank", "data_week"]
    bank = pl.col("component").str.extract(r"(\d)")
    since = fits.group_by("unit_id", bank=bank).agg(pl.col("fitted_on").max())
    rows = (
        weeks.filter(pl.col("indicator").is_in(WITNESSED) & pl.col("value").is_not_null()).with_columns(bank=bank)
        .join(since, on=["unit_id", "bank"], how="left")
        .filter((pl.col("data_week") > pl.col("fitted_on")).fill_null(True))
        .sort("data_week")
    )
    series, week = ["unit_id", "bank", "indicator"], ["indicator", "data_week"]
    early = pl.col("value").head(pl.min_horizontal(pl.len() - 1, BASELINE_WEEKS))
    past = rows.group_by(series).agg(past=pl.when(pl.len() > BASELINE_LEAST).then(early.median()))
    changed = rows.join(past, on=series).with_columns(change=pl.col("value") - pl.col("past"))
    fleet = pl.when(pl.col("unit_id").n_unique().over(week) > PEERS_LEAST).then(pl.col("change").median().over(week))
    fuel = pl.col("indicator").str.starts_with("trim")
    net = changed.with_columns(pl.when(fuel).then(pl.col("change") - fleet.fill_null(0)).otherwise("change").alias("change"))
    wide = net.pivot(on="indicator", on_columns=list(WITNESSED), index=keys, values=["change", "samples", "days"])
    level, top, spread, trim, idle, load = (pl.col(f"change_{name}") for name in WITNESSED)
    wide = wide.filter(level.is_not_null())
    told = {  # null where what is compared is not known
        "rear_fell_v": pl.when((top > -stands.ceiling) & (spread < stands.spread) & (trim < stands.fuel_pct)).then(0 - level),
        "rear_rose_v": pl.when(trim < stands.fuel_pct).then(pl.min_horizontal(level, 0.0)).when(
            (spread < stands.spread) & (idle.abs() < stands.uneven_pct) & (load.abs() < stands.uneven_pct).fill_null(True)
        ).then(level),
    }

    def fewest(what: str) -> pl.Expr:
        return pl.min_horizontal(f"{what}_{name}" for name in WITNESSED[:4])

    part = ["unit_id", "component"]
    follows = pl.col("data_week") - pl.col("data_week").shift().over(part) <= _FOLLOWS
    lasting = pl.when(follows).then(pl.min_horizontal("value", pl.col("value").shift().over(part) + STEP_V))
    made = [
        wide.with_columns(
            component=pl.format("B{}S1", "bank"), indicator=pl.lit(name), value=value, samples=fewest("samples"), days=fewest("days")
        ).filter(pl.col("value").is_not_null()).sort("data_week").with_columns(value=lasting)
        for name, value in told.items()
    ]
    return pl.concat([weeks, *(frame.filter(pl.col("value").is_not_null()).select(weeks.columns) for frame in made)])
