"""Cleaned readings and events against clocks and counters: what cannot have been measured then, or at all."""

from __future__ import annotations

from datetime import date, datetime

import polars as pl

from pipeline.exports.clocks import ClockNotes, excursions, impossible
from pipeline.exports.counters import without_corrupt
from pipeline.exports.readings import Cleaned
from pipeline.signals import signals

_ONLY = "; no other signal sampled"


def judged(cleaned: Cleaned, notes: ClockNotes, arrived_at: datetime, first_day: date) -> Cleaned:
    """Readings of one batch without rows of a wrong clock and cells of corrupt frames; these among the faults."""
    late = impossible(cleaned.frame, arrived_at, first_day)
    frame = without(cleaned.frame, late)
    away = excursions(frame.select("line", "unit_id", "ts"), notes)
    frame, corrupt = without_corrupt(without(frame, away))
    lost = pl.concat([late, away])
    if corrupt.height:
        sampled = [name for name in frame.columns if name in signals()]
        dead = frame.filter(pl.all_horizontal(pl.col(sampled).is_null())).select("line")
        bare = corrupt.join(dead, on="line", how="semi", maintain_order="left").unique(
            "line", keep="first", maintain_order=True
        )
        corrupt = without(corrupt, bare)
        frame = without(frame, bare)
        lost = pl.concat([lost, bare.with_columns(pl.col("reason") + _ONLY)])
    if not lost.height and not corrupt.height:
        return cleaned
    return Cleaned(
        frame,
        pl.concat([cleaned.rows, lost]),
        pl.concat([without(cleaned.cells, lost), corrupt]),
        cleaned.further,
    )


def without(rows: pl.DataFrame, faults: pl.DataFrame) -> pl.DataFrame:
    """The rows whose line is not at fault."""
    return rows.join(faults, on="line", how="anti", maintain_order="left") if faults.height else rows
