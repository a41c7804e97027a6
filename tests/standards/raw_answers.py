"""What raw answers of one unit at one instant decode to."""

from __future__ import annotations

import polars as pl

from pipeline.exports.answers import Told, clean_answers, statements
from pipeline.exports.setups import setups


def told(*responses: str) -> Told:
    """The outcome of one batch: lines 2, 3, .. of unit V1."""
    raw = pl.DataFrame(
        {
            "line": range(2, len(responses) + 2),
            "unit_id": "V1",
            "ts": "2026-01-05T08:00:00Z",
            "response": responses,
        },
        schema_overrides={"line": pl.Int64, "response": pl.String},
    )
    return clean_answers(raw, setups(statements(raw)), "UTC", 1)


def sampled(*responses: str) -> dict[str, float]:
    """Every signal that the answers carry, of all lines together."""
    frame = told(*responses).readings.frame.drop("line", "unit_id", "ts", "day", "bucket")
    return {name: frame[name].drop_nulls().item() for name in frame.columns}


def why(*responses: str) -> list[tuple[int, str, str]]:
    """Faults of rows and cells as (line, column, reason)."""
    cleaned = told(*responses).readings
    return pl.concat([cleaned.rows, cleaned.cells]).select("line", "column", "reason").rows()
