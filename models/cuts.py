"""Fuel cuts that were none, or too short: what ordinary driving shows of a sensor stands against them."""

from __future__ import annotations

import polars as pl

_WEEK = ["unit_id", "component", "data_week"]
_SERIES = ["unit_id", "component", "indicator"]
_CEILINGS = ("wide_cut_ma", "wide_cut_lambda")
_CEILING_DAYS = "15d"  # this week and the two before, as a level may rest on (models.levels)
_ACCUSING = {"down_cut_floor_v": 1, "down_cut_moved_share": -1}  # +1 worse the higher


def with_cuts_checked(
    weeks: pl.DataFrame, lean_share: float, usual: dict[str, float]
) -> pl.DataFrame:
    """Weekly values in which no fuel cut accuses a sensor of what the same week's driving shows it can do.

    A cut is inferred from closed throttle or low load at speed. Many control units cut late, briefly or not at all, and a
    slow gateway sees one or two readings of it. But no gas is leaner than the air of a cut, so a sensor that reads lean in
    ordinary driving reads lean in a true cut as well:

    - ``up_cut_floor_v`` is no higher than the 5 % level of the same week in closed loop;
    - what a wide-range sensor reached in a cut of this week or of the two before, it can still reach: the highest of the three
      stands for each, since a week may hold short cuts only, and a sensor that loses gain does not get it back;
    - of a downstream sensor that is below 0.2 V for ``lean_share`` of the warm readings, cuts that leave it high were too
      short to fill the catalyst: values worse than ``usual`` are left out.

    Args:
        weeks: unit_id, component, data_week, indicator, value and more.
        lean_share: share of the warm readings (1).
        usual: what ``down_cut_floor_v`` (V) and ``down_cut_moved_share`` (1) are in good order.

    Returns:
        ``weeks`` with those rows changed or left out, in the same order.
    """
    beside = weeks.filter(pl.col("indicator").is_in(["up_p05_v", "down_low_share"])).select(
        *_WEEK, "indicator", said="value"
    )

    def of(name: str, column: str) -> pl.DataFrame:
        return beside.filter(pl.col("indicator") == name).select(*_WEEK, pl.col("said").alias(column))

    joined = weeks.join(of("up_p05_v", "_low"), on=_WEEK, how="left", maintain_order="left").join(
        of("down_low_share", "_lean"), on=_WEEK, how="left", maintain_order="left"
    )
    ceilings = (
        weeks.filter(pl.col("indicator").is_in(_CEILINGS))
        .select(*_WEEK, "indicator", _reached=pl.col("value").rolling_max_by("data_week", _CEILING_DAYS).over(*_SERIES))
    )
    joined = joined.join(ceilings, on=[*_WEEK, "indicator"], how="left", maintain_order="left")
    shown = pl.when(pl.col("indicator") == "up_cut_floor_v").then(pl.min_horizontal("value", "_low")).otherwise(
        pl.coalesce("_reached", "value")
    )
    accusing = pl.any_horizontal(
        (pl.col("indicator") == name) & ((pl.col("value") - usual[name]) * sign > 0) for name, sign in _ACCUSING.items()
    )
    contradicted = accusing & (pl.col("_lean") >= lean_share).fill_null(False)
    return joined.with_columns(value=shown).filter(~contradicted).select(weeks.columns)
