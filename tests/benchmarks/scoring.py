"""Scoring alone: ``python -m tests.benchmarks.scoring [--components 1000000 --seed 0]``; components a second and memory.

Features are drawn at random over the names that the shipped model knows, a tenth of them missing; without a shipped model
a small one is trained on invented catalysts. What is timed is what a list does with them: chances at all horizons.
"""

from __future__ import annotations

import argparse
import resource
import time

import numpy as np
import polars as pl

from models.classifier import Model, chances, train
from pipeline.prognosis import starter_model
from tests.models.made_features import made

_AT_ONCE = 100_000


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--components", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=0)
    arguments = parser.parse_args()
    shipped = starter_model()
    model = shipped if shipped.families else train(*made(), "invented")
    rng = np.random.default_rng(arguments.seed)
    seconds, done = 0.0, 0
    while done < arguments.components:
        frame = drawn(model, min(_AT_ONCE, arguments.components - done), rng)
        began = time.perf_counter()
        likely = chances(model, frame).by_horizon
        seconds += time.perf_counter() - began
        if not np.isfinite(likely).all():
            raise SystemExit("a component got no chance")
        done += frame.height
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{model.name}: {done:,} components, {seconds:.1f} s, {done / seconds:,.0f} a second, peak {peak_mb:.0f} MB")


def drawn(model: Model, rows: int, rng: np.random.Generator) -> pl.DataFrame:
    """Random features of components of all families of the model."""
    names = sorted({name for part in model.families.values() for name in part.features} | {"limits"})
    families = sorted(model.families)
    values = rng.normal(size=(rows, len(names))).astype(np.float32)
    values[rng.random(values.shape) < 0.1] = np.nan
    frame = pl.from_numpy(values, schema=names).fill_nan(None)
    return frame.with_columns(family=pl.Series(rng.choice(families, rows)))


if __name__ == "__main__":
    main()
