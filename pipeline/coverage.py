"""Coverage: what can be judged, what cannot, and why, from the scores of one list."""

from __future__ import annotations

from datetime import date

import polars as pl
from rich.table import Table

_WORDS = {"upstream": "upstream sensors", "downstream": "downstream sensors", "catalyst": "catalysts"}


def coverage_table(scores: pl.DataFrame, week_start: date) -> Table:
    """A table for the console: one line a part and status or reason, with components and vehicles.

    Args:
        scores: rows of table ``scores`` of one list.
    """
    counted = (
        scores.with_columns(
            said=pl.when(pl.col("status") == "judged").then(pl.lit("judged")).otherwise(pl.col("reason"))
        )
        .group_by("part", "status", "said")
        .agg(components=pl.len(), vehicles=pl.col("unit_id").n_unique())
        .sort("part", "status", "components", "said", descending=[True, False, True, False])
    )
    table = Table(title=f"what the list of {week_start} could judge", box=None, pad_edge=False)
    table.add_column("part")
    table.add_column("status")
    table.add_column("components", justify="right")
    table.add_column("vehicles", justify="right")
    table.add_column("why, and what would change it")
    for row in counted.iter_rows(named=True):
        table.add_row(
            _WORDS.get(row["part"], "whole vehicle"),
            row["status"].replace("_", " "),
            str(row["components"]),
            str(row["vehicles"]),
            "" if row["status"] == "judged" else row["said"],
        )
    return table
