"""Weights of the probability (limits.toml, ``judge.probability_*``) fitted on simulated fleets.

Run with ``python -m tests.benchmarks.calibrate [FLEET...]``: it takes simulated fleets whose readings are derived (folders
with lightoff.toml and truth/), or simulates two (seeds 21 and 22, 120 vehicles, 22 weeks), replays their weeks, and prints
the logistic fit of each and of all of them. What is put into limits.toml lies between the fits: no simulator is a fleet.
"""

from __future__ import annotations

import argparse
import tempfile
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
from sklearn.linear_model import LogisticRegression

from models.evaluate import brier, expected_calibration_error
from models.limits import STRENGTH_MOST
from models.probability import WORN_ENOUGH
from pipeline import assess as stage
from pipeline import jobs
from pipeline.backtest import truth_of
from pipeline.derive import derive
from pipeline.lake import Lake
from pipeline.settings import Settings, read_settings
from sample_lake.simulate import simulate

SEEDS = (21, 22)
HORIZON = timedelta(days=28)
_WEEK = timedelta(days=7)
NOW = datetime(9999, 1, 1, tzinfo=UTC)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("fleets", type=Path, nargs="*")
    folders = parser.parse_args().fleets
    single = {path.name: _replayed(path) for path in folders} or {f"seed {seed}": _fleet(seed) for seed in SEEDS}
    for name, evidence in {**single, "all": pl.concat(list(single.values()), how="vertical_relaxed")}.items():
        _fit(name, evidence)


def _fit(fleet: str, evidence: pl.DataFrame) -> None:
    print(fleet)
    for status in ("judged", "held"):
        rows = evidence.filter(pl.col("status") == status)
        hits = rows["hit"].to_numpy()
        features = _features(rows)
        model = LogisticRegression(C=10).fit(features, hits)
        likely = model.predict_proba(features)[:, 1]
        names = ("strength", "worn", "code_confirmed", "code_pending", "margin_lack", "margin_gone_28d")
        print(f"{status}: {rows.height} component-weeks, {hits.mean():.3f} fail within 28 days or have failed")
        print(f"  intercept {model.intercept_[0]:.2f}")
        for name, value in zip(names, model.coef_[0], strict=True):
            print(f"  {name} {value:.2f}")
        print(f"  brier {brier(likely, hits):.4f}, calibration {expected_calibration_error(likely, hits):.4f}")


def _features(rows: pl.DataFrame) -> np.ndarray:
    """The terms of models.probability, one column each."""
    return rows.select(
        pl.max_horizontal(pl.col("strength_28d", "strength").fill_null(0)).clip(0, STRENGTH_MOST),
        pl.col("worn").fill_null(0).clip(upper_bound=WORN_ENOUGH),
        pl.col("code_confirmed").fill_null(False).cast(pl.Float64).alias("confirmed"),
        (~pl.col("code_confirmed")).fill_null(False).cast(pl.Float64).alias("pending"),
        pl.col("margin_lack").fill_null(0),
        pl.col("margin_gone_28d").fill_null(0),
    ).to_numpy()


def _fleet(seed: int) -> pl.DataFrame:
    """Evidence and outcome of every component-week of one simulated fleet."""
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        simulate(root, units=120, weeks=22, seed=seed)
        settings = Settings(lake=str(root / "lake"), exports=[str(root / "exports")])
        lake = Lake(settings.lake)
        jobs.ingest_paths(settings, lake, [], NOW)
        derive(settings, lake)
        return _weeks(settings, lake, root)


def _replayed(folder: Path) -> pl.DataFrame:
    settings = read_settings(folder / "lightoff.toml")
    return _weeks(settings, Lake(settings.lake), folder)


def _weeks(settings: Settings, lake: Lake, root: Path) -> pl.DataFrame:
    failures = truth_of(root / "truth").events.select("unit_id", "component", "failed_on", "repaired_on")
    last = jobs.newest_week(settings, lake, NOW) - HORIZON
    week, parts = jobs.first_week(settings, lake) + 2 * _WEEK, []
    while week <= last:
        parts.append(_week(settings, lake, week, failures))
        week += _WEEK
    return pl.concat(parts, how="vertical_relaxed")


def _week(settings: Settings, lake: Lake, week: date, failures: pl.DataFrame) -> pl.DataFrame:
    seen: list[pl.DataFrame] = []
    original = stage.with_probability

    def noting(components: pl.DataFrame, weights: object) -> pl.DataFrame:
        seen.append(components)
        return original(components, weights)

    stage.with_probability = noting
    try:
        stage.assess(settings, lake, week, stage.REPLAYED)
    finally:
        stage.with_probability = original
    failed = (pl.col("failed_on") < week + HORIZON) & (
        pl.col("repaired_on").is_null() | (pl.col("repaired_on") >= week)
    )
    hits = failures.filter(failed).select("unit_id", "component").unique().with_columns(hit=pl.lit(True))
    columns = ["unit_id", "component", "status", "strength", "strength_28d", "worn", "code_confirmed", "margin_lack",
               "margin_gone_28d"]
    return seen[0].select(columns).join(hits, on=["unit_id", "component"], how="left").with_columns(
        pl.col("hit").fill_null(False)
    )


if __name__ == "__main__":
    main()
