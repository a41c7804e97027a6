"""Parts that seem to have been exchanged without a work order: a lasting step to the better in several indicators.

Proposed, never assumed: nothing is reset by it. A work order, or a finding sent back, does that.
"""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl

from models.levels import Grid
from models.past import quantity
from models.steps import steps

AGREEING = 2  # quantities of a component that step to the better in the same weeks; one alone is an odd one
_WEEKS_APART = 1


def proposed_breaks(grid: Grid, indicators: pl.DataFrame) -> pl.DataFrame:
    """Components with agreeing steps to the better; what is measured once, or of one thing in two ways, counts once.

    Args:
        grid: weekly values of all series.
        indicators: indicator, worse ("up", "down" or "out"), use; only judged ones that are not "out" are asked.

    Returns:
        unit_id, component, stepped_on (Monday of the first week after the step), indicators (names, by commas), spreads (of
        the clearest one, dimensionless).
    """
    sides = grid.heads.select("unit_id", "component", "indicator").join(
        indicators.filter((pl.col("use") == "judge") & (pl.col("worse") != "out")).select("indicator", "worse"),
        on="indicator", how="left", maintain_order="left",
    )  # fmt: skip
    asked = np.flatnonzero(sides["worse"].is_not_null().to_numpy())
    found = steps(grid.solid()[asked])
    heads = sides[asked].with_columns(
        place=pl.Series(found.place), since=pl.Series(found.since), size=pl.Series(found.size),
        spreads=pl.Series(found.spreads),
    )
    worse_up = pl.col("worse") == "up"
    better = heads.filter((pl.col("place") >= 0) & (worse_up & (pl.col("size") < 0) | ~worse_up & (pl.col("size") > 0)))
    grouped = better.sort("spreads", "indicator", descending=[True, False]).group_by("unit_id", "component", maintain_order=True).agg(
        # Each step lies somewhere between its points: weeks without any are no disagreement.
        near=(pl.col("since") - pl.col("place").first() <= _WEEKS_APART)
        & (pl.col("since").first() - pl.col("place") <= _WEEKS_APART),
        indicator="indicator", place="place", since=pl.col("since").first(), spreads=pl.col("spreads").first(),
    )  # fmt: skip
    agreeing = (
        grouped.explode("near", "indicator", "place").with_columns(_quantity=quantity())
        .filter("near")
        .unique(["unit_id", "component", "_quantity"], keep="first", maintain_order=True)
        .group_by("unit_id", "component")
        # Of the weeks in which the clearest one may have stepped, the first that another shows to lie after it.
        .agg(
            pl.col("spreads").first(), place=pl.max_horizontal(pl.col("since").first(), pl.col("place").min()),
            indicators=pl.col("indicator").sort().str.join(", "), count=pl.len(),
        )
        .filter(pl.col("count") >= AGREEING)
    )
    return agreeing.select(
        "unit_id", "component",
        stepped_on=pl.lit(grid.oldest) + pl.col("place") * pl.lit(timedelta(days=7)),
        indicators="indicators", spreads="spreads",
    ).sort("unit_id", "component")  # fmt: skip
