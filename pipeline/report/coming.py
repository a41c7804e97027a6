"""Parts on the way: nothing holds them back, and they are not on the list yet."""

from __future__ import annotations

import polars as pl

from pipeline.report.words import percent

SHOWN = 100  # rows shown on the page and in print; coming.csv has them all
ON_TRIAL = "a model on trial"
WAITS = {
    "bay": "no bay of its depot is left this week",
    "saving": "waiting costs no more than acting now",
    "evidence": "too unlikely yet to open the vehicle for it",
}


def coming(ranked: pl.DataFrame) -> pl.DataFrame:
    """Rows of one list that are on the way: first what lacks only a bay or a saving, the likeliest first in each.

    Returns:
        Columns of ``ranked``, and in words ``waits`` (what keeps it off the list) and ``meanwhile`` (what to do about it now).
        ``probability`` and ``judged_by`` of those that lack evidence are a model's on trial where there is one: it is what
        says that they come.
        ``with_row`` is the place of a listed part of the same vehicle, which is in the bay anyway; null where there is none.
        ``in_line`` is the place of the vehicle among those of its depot that lack only a bay, by what its parts save; else
        null.
    """
    with_row = ranked.group_by("unit_id").agg(with_row=pl.col("list_rank").min())
    # The next bay goes to the vehicle of the depot that is dearest to leave.
    line = (
        ranked.filter(pl.col("waits_for") == "bay")
        .group_by("depot", "unit_id")
        .agg(worth=pl.col("expected_saving").sum(), place=pl.col("rank").min())
        .sort("depot", "worth", "place", descending=[False, True, False])
        .select("unit_id", waits_for=pl.lit("bay"), in_line=pl.int_range(1, pl.len() + 1).over("depot"))
    )
    on_trial = pl.col("trial_probability").is_not_null() & (pl.col("waits_for") == "evidence")
    rows = (
        ranked.filter(pl.col("waits_for").is_not_null())
        .with_columns(
            by_limits="probability", on_trial=on_trial,
            judged_by=pl.when(on_trial).then(pl.lit(ON_TRIAL)).otherwise("judged_by"),
            probability=pl.when(on_trial).then("trial_probability").otherwise("probability"),
        )
        .join(with_row, on="unit_id", how="left")
        .join(line, on=["unit_id", "waits_for"], how="left")
        .sort(pl.col("waits_for") == "evidence", "probability", "unit_id", "component", descending=[False, True, False, False])
    )
    return rows.with_columns(
        waits=pl.struct("waits_for", "on_trial", "by_limits", "second_opinion").map_elements(_waits, return_dtype=pl.String),
        meanwhile=pl.struct("with_row", "in_line").map_elements(_meanwhile, return_dtype=pl.String),
    )


def _waits(row: dict) -> str:
    if row["on_trial"]:
        return f"limits and trends give it {percent(row['by_limits'])}, {WAITS['evidence']}; the chance is that of {ON_TRIAL}"
    if row["waits_for"] == "evidence" and row["second_opinion"] is not None:
        return f"{WAITS['evidence']}: limits and trends give it {percent(row['second_opinion'])}, and both judges must find it likely"
    return WAITS[row["waits_for"]]


def _meanwhile(row: dict) -> str:
    if row["with_row"] is not None:
        return f"look at it in the same visit as No. {row['with_row']}"
    if row["in_line"] is None:
        return "look at it when the vehicle is in anyway"
    line = "first in line for a bay" if row["in_line"] == 1 else f"No. {row['in_line']} in line for a bay of its depot"
    return f"look at it when the vehicle is in anyway; {line}"
