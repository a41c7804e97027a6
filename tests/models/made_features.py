"""Features and labels of an invented fleet: a part departs from its past in the weeks before it fails."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl

FIRST = date(2026, 1, 5)


def made(units: int = 160, weeks: int = 14, seed: int = 1, sick: float = 0.4) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Frame as of ``models.features.features`` and labels as of ``models.labels.labels``, catalysts only.

    A share ``sick`` of the units fails on a day of its own; ``top.gone`` and ``own_z.recovery_s`` rise linearly in the
    eight weeks before, ``limits`` follows more coarsely, ``rear_gone`` is noise.
    """
    rng = np.random.default_rng(seed)
    rows, truth = [], []
    for unit in range(units):
        fails = FIRST + timedelta(days=int(rng.integers(20, 7 * weeks + 40))) if rng.random() < sick else None
        for week in range(weeks):
            monday = FIRST + timedelta(weeks=week)
            ahead = (fails - monday).days if fails else None
            near = max(0.0, 1 - max(ahead, 0) / 56) if ahead is not None else 0.0
            key = (monday, f"V{unit:03}", "CAT1")
            rows.append((*key, 0.3 + near + rng.normal(0, 0.15), 6 * near + rng.normal(0, 1), rng.normal(0.3, 0.2),
                         -5 + 5 * near + rng.normal(0, 1.5)))
            truth.append((*key, max(ahead, 0) if ahead is not None else None, (weeks + 20 - week) * 7, 1.0))
    frame = pl.DataFrame(
        rows, schema=["week_start", "unit_id", "component", "top.gone", "own_z.recovery_s", "rear_gone", "limits"],
        orient="row",
    ).with_columns(
        pl.col("top.gone", "own_z.recovery_s", "rear_gone", "limits").cast(pl.Float32),
        family=pl.lit("catalyst"), status=pl.lit("judged"), part=pl.lit("catalyst"), kind=pl.lit("narrowband"),
        depot=pl.lit("North"),
    )
    schema = {"week_start": pl.Date, "unit_id": pl.String, "component": pl.String, "days_to_failure": pl.Int64,
              "days_known": pl.Int64, "weight": pl.Float64}
    labelled = pl.DataFrame(truth, schema=schema, orient="row").with_columns(source=pl.lit("invented"))
    return frame, labelled.with_columns(
        (pl.col("days_to_failure") < days).fill_null(False).alias(f"fails_{days}") for days in (14, 28, 56)
    )
