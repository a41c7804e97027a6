"""The starter model from simulated fleets: ``python -m tests.benchmarks.starter FLEET... [--out FOLDER]``.

Each FLEET is a folder with ``lightoff.toml``, a derived lake, and the truth of the simulation. Every past week is judged
as it would have been; labels are the truth. Figures of the card come from fleets left out of the training.
"""

from __future__ import annotations

import argparse
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

import models
from models.card import card
from models.classifier import chances, train
from models.features import KEYS, features
from models.labels import labels, lives_of_truth
from models.rivals import logistic_scores, shared_scores
from models.store import save
from pipeline import jobs
from pipeline.assess import REPLAYED, assess
from pipeline.backtest import truth_of
from pipeline.facts import read_indicators
from pipeline.lake import Lake
from pipeline.prognosis import LIMITS_ALONE
from pipeline.settings import read_settings

NAME = "starter 1"
PARTS = 3  # groups of fleets, each left out once


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("fleets", nargs="+", type=Path)
    parser.add_argument("--out", type=Path, default=Path(models.__path__[0]) / "starter")
    arguments = parser.parse_args()
    fleets = [examples(folder) for folder in arguments.fleets]
    frame = pl.concat([fleet[0] for fleet in fleets], how="diagonal")
    made = pl.concat([fleet[1] for fleet in fleets])
    tested = _left_out(fleets)
    model = train(frame, made, NAME)
    data = (
        f"{len(fleets)} simulated fleets with randomised physics, {frame['unit_id'].n_unique()} vehicles, "
        f"{frame.height} component-weeks."
    )
    text = card(model, data, tested, f"{min(PARTS, len(fleets))} groups of whole fleets, each scored by a model of the "
                "others; joining and calibration by units inside.", [])
    save(model, arguments.out, text)
    print(text)


def examples(folder: Path) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Features and labels of every past week of a simulated fleet; vehicles are named with their fleet."""
    settings = read_settings(folder / "lightoff.toml")
    lake = Lake(settings.lake)
    last = jobs.newest_week(settings, lake, datetime(9999, 1, 1, tzinfo=UTC))
    week = jobs.first_week(lake)
    done = set(lake.read("evidence", where=pl.col("series") == REPLAYED)["week_start"].unique())
    while week <= last:
        if week not in done:
            assess(settings, lake, week, REPLAYED, LIMITS_ALONE)
        week += timedelta(days=7)
    replayed = pl.col("series") == REPLAYED
    evidence = lake.read("evidence", where=replayed)
    frame = features(lake.read("trends", where=replayed), evidence, read_indicators(settings))
    lives = lives_of_truth(truth_of(folder / "truth").events)
    made = labels(evidence.select(*KEYS, "fitted_on"), lives, last)
    unit = pl.lit(f"{folder.name}/") + pl.col("unit_id")
    return frame.with_columns(unit_id=unit), made.with_columns(unit_id=unit)


def _left_out(fleets: list[tuple[pl.DataFrame, pl.DataFrame]]) -> pl.DataFrame:
    """Rows of each group of fleets, scored by models of the other groups."""
    parts = []
    for k in range(min(PARTS, len(fleets))):
        inside = [fleet for place, fleet in enumerate(fleets) if place % PARTS != k]
        outside = [fleet for place, fleet in enumerate(fleets) if place % PARTS == k]
        known, test = _rows(inside), _rows(outside)
        frame = pl.concat([fleet[0] for fleet in inside], how="diagonal")
        model = train(frame, pl.concat([fleet[1] for fleet in inside]), NAME)
        limits = 1 / (1 + np.exp(-test["limits"].cast(pl.Float64).fill_null(-7.0).to_numpy()))
        likely = chances(model, test).by_horizon[:, 2]
        hit = known["fails_28"].to_numpy()
        parts.append(
            test.select(
                "week_start", "family", "depot", "limits", hit="fails_28", sampling=_sampling()
            ).with_columns(
                probability=pl.Series(np.where(np.isnan(likely), limits, likely)),
                by_shared_trees=pl.Series(shared_scores(known, hit, test)),
                by_logistic=pl.Series(logistic_scores(known, hit, test)),
            )
        )
    return pl.concat(parts)


def _rows(fleets: list[tuple[pl.DataFrame, pl.DataFrame]]) -> pl.DataFrame:
    """Judged rows with a 28-day label."""
    frame = pl.concat([fleet[0] for fleet in fleets], how="diagonal").filter(pl.col("status") != "not_judged")
    made = pl.concat([fleet[1] for fleet in fleets]).filter(pl.col("fails_28").is_not_null())
    return frame.join(made.select(*KEYS, "fails_28"), on=KEYS).sort(KEYS)


def _sampling() -> pl.Expr:
    step = pl.col("level.sample_step_s")
    return pl.when(step.is_null()).then(pl.lit("unknown")).when(step <= 1.5).then(pl.lit("1 s and faster")).when(
        step <= 5).then(pl.lit("up to 5 s")).otherwise(pl.lit("slower than 5 s"))


if __name__ == "__main__":
    main()
