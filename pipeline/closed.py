"""Days that are closed: their raw readings are thinned, what was measured on them stays, and nothing more is taken in."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

import polars as pl

from pipeline.lake import Lake

REASON = "its day is closed: raw readings up to {} are thinned and what was measured of them stays; no list reads that day"


def closed_day(lake: Lake) -> date:
    """The newest closed day, ``date.min`` where nothing was ever thinned.

    The day after the newest thinned one is whole and closed, too: trips over the midnight between them can be measured
    only with both days there, while the day after that has all it needs.
    """
    newest = lake.collect(lake.scan("thinned").select(pl.col("day").max())).item()
    return date.min if newest is None else newest + timedelta(days=1)


def late_rows(rows: pl.DataFrame, closed: date) -> Iterator[tuple[int, pl.DataFrame]]:
    """Each ``source`` and the faults of its rows (``source``, ``line``, ``ts``), which came for a closed day."""
    faults = rows.unique(["source", "line"], maintain_order=True).select(
        "source",
        "line",
        column=pl.lit("ts"),
        value=pl.col("ts").dt.strftime("%Y-%m-%dT%H:%M:%S%.fZ"),
        reason=pl.lit(REASON.format(closed)),
    )
    for (source,), mine in faults.group_by("source", maintain_order=True):
        yield source, mine.drop("source")


def thinned_rows(lake: Lake, before: date) -> tuple[int, int, pl.Series]:
    """Readings of thinned days before a day: how many were measured, how many are left, and the days."""
    told = lake.read("thinned", where=pl.col("day") < before)
    return int(told["rows_before"].sum()), int(told["rows_after"].sum()), told["day"]
