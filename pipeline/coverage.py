"""Coverage: what can be judged, what cannot, and why, from the scores of one list."""

from __future__ import annotations

from datetime import date

import polars as pl
from rich.table import Table

from pipeline.report.words import count

PART_WORDS = {"upstream": "upstream sensors", "downstream": "downstream sensors", "catalyst": "catalysts"}
_COLUMNS = ("part", "status", "components", "vehicles", "why, and what would change it")


def coverage_table(scores: pl.DataFrame, week_start: date) -> Table:
    """A table for a terminal: one line a part and status or reason, with components and vehicles.

    Args:
        scores: rows of table ``scores`` of one list.
    """
    table = Table(title=_title(week_start), box=None, pad_edge=False)
    for name in _COLUMNS:
        table.add_column(name, justify="right" if name in ("components", "vehicles") else "left")
    for row in coverage(scores).iter_rows():
        table.add_row(*(str(cell) for cell in row))
    return table


def coverage_lines(scores: pl.DataFrame, week_start: date) -> list[str]:
    """The same in whole lines, for a log or a pipe."""
    return [f"{_title(week_start)}:"] + [
        f"{row['part']}, {row['status']}: {count(row['components'], 'component', 'components')} of "
        + count(row["vehicles"], "vehicle", "vehicles")
        + (f": {row['why']}" if row["why"] else "")
        for row in coverage(scores).iter_rows(named=True)
    ]


def coverage(scores: pl.DataFrame) -> pl.DataFrame:
    """Components and vehicles by part, status and reason: upstream, downstream, catalyst, whole vehicle.

    Returns:
        part and status (words), components and vehicles (counts), why (empty where judged).
    """
    return (
        scores.with_columns(
            why=pl.when(pl.col("status") == "judged").then(pl.lit("")).otherwise(
                pl.col("reason").str.strip_prefix("held back: ")
            )
        )
        .group_by("part", "status", "why")
        .agg(components=pl.len(), vehicles=pl.col("unit_id").n_unique())
        .sort("part", "status", "components", "why", descending=[True, False, True, False])
        .select(
            pl.col("part").replace_strict(PART_WORDS, default="whole vehicle"),
            pl.col("status").replace({"held": "held back"}).str.replace_all("_", " "),
            "components",
            "vehicles",
            "why",
        )
    )


def _title(week_start: date) -> str:
    return f"what the list of {week_start} could judge"
