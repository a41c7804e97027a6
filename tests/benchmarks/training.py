"""Training alone: ``python -m tests.benchmarks.training [--rows 500000 --seed 0]``; seconds, against scoring the same rows.

Features are drawn at random over the names that the shipped model knows, a tenth of them missing, a fiftieth of the
components failing; what is timed is what `lightoff train` does with a fleet's features and labels.
"""

from __future__ import annotations

import argparse
import resource
import time
from datetime import date, timedelta

import numpy as np
import polars as pl

from models.classifier import chances, train
from pipeline.prognosis import starter_model
from tests.benchmarks.scoring import drawn

WEEKS = 100


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=500_000)
    parser.add_argument("--seed", type=int, default=0)
    arguments = parser.parse_args()
    frame, labels = rows_of(arguments.rows, arguments.seed)
    began, used = time.perf_counter(), time.process_time()
    model = train(frame, labels, "invented")
    trained, worked = time.perf_counter() - began, time.process_time() - used
    began = time.perf_counter()
    for part in frame.iter_slices(100_000):
        chances(model, part)
    scored = time.perf_counter() - began
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{frame.height:,} component-weeks of {len(model.families)} families: trained in {trained:.0f} s "
          f"({worked:.0f} s of processor), scored in {scored:.0f} s, {trained / scored:.1f} times that; peak {peak_mb:,.0f} MB")


def rows_of(count: int, seed: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Features and labels of ``count`` component-weeks, a hundred weeks a component."""
    model, rng = starter_model(), np.random.default_rng(seed)
    frame = pl.concat([drawn(model, min(100_000, count - done), rng) for done in range(0, count, 100_000)])
    row = np.arange(count)
    part, week = row // WEEKS, row % WEEKS
    family = rng.choice(sorted(model.families), count // WEEKS + 1)
    fails = np.where(rng.random(count // WEEKS + 1) < 0.02, rng.integers(7, 7 * WEEKS, count // WEEKS + 1), -1)[part]
    ahead = fails - 7 * week
    monday = pl.Series([date(2024, 1, 1) + timedelta(weeks=w) for w in range(WEEKS)])[week.tolist()]
    keys = {"week_start": monday, "unit_id": pl.Series(part).cast(pl.String), "component": pl.Series(["CAT1"] * count)}
    frame = frame.with_columns(**keys, family=pl.Series(family[part]), status=pl.lit("judged"))
    labels = pl.DataFrame(keys).with_columns(
        days_to_failure=pl.Series(np.where((fails >= 0) & (ahead >= 0), ahead, 0)), weight=pl.lit(1.0),
        days_known=pl.Series(7 * (WEEKS - week)),
    ).with_columns(days_to_failure=pl.when(pl.Series((fails >= 0) & (ahead >= 0))).then("days_to_failure"))
    return frame, labels


if __name__ == "__main__":
    main()
