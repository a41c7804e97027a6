"""How far a chance holds on other fleets: ``python -m tests.benchmarks.certainty CHANCES [--out FILE]``.

CHANCES is what ``tests.benchmarks.starter --chances`` wrote: each part that could stand on a list, with the chance that a model said
which had not seen its simulator (those of limits and trends while the starter is on trial). Writes ``reliability.csv``: by chance said, the
share of parts that failed within 28 days or had failed, with a 90 % interval from drawing fleets, and vehicles in them, anew.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import polars as pl

from models.certainty import COLUMNS

EDGES = (0.0, 0.05, 0.3, 0.5, 0.7, 0.85, 0.92)
RESAMPLES = 400


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("chances", type=Path)
    parser.add_argument("--out", type=Path, default=Path("pipeline/config/reliability.csv"))
    arguments = parser.parse_args()
    table = observed(pl.read_parquet(arguments.chances))
    table.with_columns(pl.col("said", "observed", "low", "high").round(4)).write_csv(arguments.out)
    print(table)


def observed(rows: pl.DataFrame, seed: int = 0) -> pl.DataFrame:
    """Reliability (columns of models.certainty) of rows with fleet, unit_id, chance and hit."""
    rng = np.random.default_rng(seed)
    index = np.searchsorted(EDGES, rows["chance"].to_numpy(), side="right") - 1
    cells = rows.with_columns(bin=pl.Series(index)).group_by("fleet", "unit_id", "bin").agg(
        hits=pl.col("hit").sum().cast(pl.Float64), n=pl.len()
    )
    fleets = [
        (_by_bin(part, "hits"), _by_bin(part, "n")) for (_,), part in sorted(cells.group_by("fleet"), key=lambda g: g[0])
    ]
    drawn = []
    for _ in range(RESAMPLES):
        hits, count = np.zeros(len(EDGES)), np.zeros(len(EDGES))
        for place in rng.integers(len(fleets), size=len(fleets)):
            own_hits, own_count = fleets[place]
            units = rng.integers(len(own_hits), size=len(own_hits))
            hits, count = hits + own_hits[units].sum(axis=0), count + own_count[units].sum(axis=0)
        with np.errstate(invalid="ignore"):
            drawn.append(hits / count)
    low, high = np.nanquantile(np.array(drawn), [0.05, 0.95], axis=0)
    whole = rows.with_columns(bin=pl.Series(index)).group_by("bin").agg(
        said=pl.col("chance").mean(), observed=pl.col("hit").mean(), n=pl.len()
    ).sort("bin")
    at = whole["bin"].to_numpy()
    return whole.select(
        chance_from=pl.Series(np.array(EDGES)[at]), said="said", observed="observed", low=pl.Series(low[at]),
        high=pl.Series(high[at]), n=pl.col("n").cast(pl.Int64),
    ).cast(COLUMNS)


def _by_bin(cells: pl.DataFrame, column: str) -> np.ndarray:
    """Shape (vehicles, bins)."""
    unit = cells["unit_id"].rank("dense").to_numpy().astype(int) - 1
    table = np.zeros((unit.max() + 1, len(EDGES)))
    table[unit, cells["bin"].to_numpy()] = cells[column].to_numpy()
    return table


if __name__ == "__main__":
    main()
