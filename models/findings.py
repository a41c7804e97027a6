"""Findings: what speaks against a component, mode by mode, in numbers and in words."""

from __future__ import annotations

import polars as pl

NOTABLE = 0.3  # weaker evidence is not worth a word
# A strength ends at models.limits.STRENGTH_MOST, so what is far beyond its limit in one mode is so in several. Then the more
# basic one comes first: a flat signal is slow and off its value in every measure, a slow one still moves (our own choice).
BASIC_FIRST = ("stuck", "weak", "gain", "biased", "erratic", "heater", "slow", "storage")
_SECOND = 0.25  # weight of the second indicator of a mode: agreement counts, one indicator alone may convince


def findings(levels: pl.DataFrame) -> pl.DataFrame:
    """One row a component and failure mode whose evidence is notable.

    The loudest indicator of a mode decides; a second one of the same mode adds a quarter of what it lies beyond half
    way to its limit (at most a quarter), or takes a quarter of what it lacks to that (at most an eighth).

    Args:
        levels: unit_id, component, mode, indicator, quantity, unit, level, baseline, peer_median, healthy, limit,
            strength, strength_28d, crossing_weeks, crossing_weeks_low, crossing_weeks_high; one row an indicator
            that is judged.

    Returns:
        unit_id, component, mode, indicator (loudest), strength, strength_28d, crossing_weeks, crossing_weeks_low,
        crossing_weeks_high, evidence (words, loudest first).
    """
    by = ["unit_id", "component", "mode"]
    present = levels.filter(pl.col("strength").is_not_null()).sort(
        [*by, "strength_28d", "strength", "indicator"], descending=[False, False, False, True, True, False]
    )
    spoken = present.with_columns(_words=words())

    def joined(column: str) -> pl.Expr:
        first, second = pl.col(column).first(), pl.col(column).get(1, null_on_oob=True)
        return pl.when(second.is_null()).then(first).otherwise(first + _SECOND * (second - 0.5).clip(-1, 1))

    grouped = spoken.group_by(by, maintain_order=True).agg(
        pl.col("indicator").first(),
        joined("strength").clip(lower_bound=0).alias("strength"),
        joined("strength_28d").clip(lower_bound=0).alias("strength_28d"),
        pl.col("crossing_weeks", "crossing_weeks_low", "crossing_weeks_high").first(),
        pl.col("_words").filter(pl.col("strength_28d") >= NOTABLE).head(3).str.join("; ").alias("evidence"),
    )
    return grouped.filter(pl.col("strength_28d") >= NOTABLE)


def loudest(found: pl.DataFrame) -> pl.DataFrame:
    """The finding of each component that is strongest 28 days on; of equal ones the most basic (:data:`BASIC_FIRST`).

    Not the one furthest beyond its limit: how far a trim swings and how little a voltage does are no common measure.

    Args:
        found: unit_id, component, mode, strength_28d and more; each mode of a component once.

    Raises:
        polars.exceptions.InvalidOperationError: a mode that has no place in :data:`BASIC_FIRST`.
    """
    place = pl.col("mode").replace_strict({mode: n for n, mode in enumerate(BASIC_FIRST)}, return_dtype=pl.Int64)
    order = found.sort("unit_id", "component", "strength_28d", place, descending=[False, False, True, False])
    return order.unique(["unit_id", "component"], keep="first", maintain_order=True)


def words() -> pl.Expr:
    """Quantity, value and unit, and what it is held against."""

    def number(column: str) -> pl.Expr:
        # Three significant digits: 0.123, 1.23, 12.3, 123. What rounds to nothing is 0.0, not -0.0.
        value = pl.col(column)
        value = pl.when(value.abs() < 0.0005).then(0.0).otherwise(value)
        return (
            pl.when(value.abs() < 1)
            .then(value.round(3).cast(pl.String))
            .when(value.abs() < 10)
            .then(value.round(2).cast(pl.String))
            .when(value.abs() < 99.95)
            .then(value.round(1).cast(pl.String))
            .otherwise(value.round(0).cast(pl.String).str.strip_suffix(".0"))
        )

    unit = pl.when(pl.col("unit").is_in(["1", "share", "ratio"])).then(pl.lit("")).otherwise(" " + pl.col("unit"))
    own = (
        pl.when(pl.col("baseline").is_not_null())
        .then(", own past " + number("baseline"))
        .otherwise(pl.lit(""))
    )
    peers = (
        pl.when(pl.col("peer_median").is_not_null())
        .then(", peers " + number("peer_median"))
        .otherwise(pl.lit(""))
    )
    return pl.concat_str(
        pl.col("quantity"), pl.lit(": "), number("level"), unit, pl.lit(" (limit "), number("limit"), own, peers,
        pl.lit(")"),
    )
