"""The starter model: ``python -m tests.benchmarks.starter --near FLEET... --far FLEET... [--out FOLDER]``.

Each FLEET is a folder with ``lightoff.toml``, a derived lake, and the truth of the simulation in
``truth/``. Near fleets train; each is also scored by a model of the other near fleets. Far fleets run
on another generator and only test. The model is kept where the 90 % interval of its gain in average precision over limits
and trends, units of the far fleets resampled in pairs, lies above zero; its card is written either way.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
from scipy.special import expit

import models
from models.card import card
from models.classifier import Model, chances, limits_of, train
from models.evaluate import Interval, average_precision, bootstrap_interval, brier, expected_calibration_error
from models.features import KEYS, features
from models.labels import labels, lives_of_truth
from models.rivals import logistic_scores, shared_scores
from models.store import CARD, MODEL, save
from pipeline import jobs
from pipeline.assess import REPLAYED, assess
from pipeline.backtest import prove, truth_of
from pipeline.facts import read_indicators
from pipeline.lake import Lake
from pipeline.prognosis import LIMITS_ALONE
from pipeline.rank import rank
from pipeline.report.proof import proof_table
from pipeline.settings import Settings, read_settings

NAME = "starter 1"
_WEEK = timedelta(days=7)
_RESAMPLES = 400


@dataclass(frozen=True)
class Fleet:
    """A simulated fleet with the features and labels of every past week; vehicles are named with their fleet."""

    name: str
    settings: Settings
    truth: Path
    mondays: list
    frame: pl.DataFrame
    labels: pl.DataFrame

    @property
    def lake(self) -> Lake:
        return Lake(self.settings.lake)

    def rows(self) -> pl.DataFrame:
        """Judged rows with a 28-day label."""
        judged = self.frame.filter(pl.col("status") != "not_judged")
        known = self.labels.filter(pl.col("fails_28").is_not_null())
        return judged.join(known.select(*KEYS, hit="fails_28"), on=KEYS).sort(KEYS)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--near", nargs="+", type=Path, required=True)
    parser.add_argument("--far", nargs="+", type=Path, required=True)
    parser.add_argument("--out", type=Path, default=Path(models.__path__[0]) / "starter")
    arguments = parser.parse_args()
    near, far = ([read(folder) for folder in folders] for folders in (arguments.near, arguments.far))
    apart = [_trained([other for other in near if other is not fleet]) for fleet in near]
    model = _trained(near)
    held_out = pl.concat(
        [_tested(model_, fleet, [o for o in near if o is not fleet]) for model_, fleet in zip(apart, near, strict=True)]
    )
    strange = pl.concat([_tested(model, fleet, near) for fleet in far])
    gain = _gain(strange)
    wins = gain.low > 0
    notes = [
        "Failures are far more frequent in these fleets than in real ones, so that there is enough to learn and to test "
        f"with ({held_out['hit'].mean():.1%} of near and {strange['hit'].mean():.1%} of far component-weeks fail within "
        "28 days or have failed): probabilities on a real fleet are too high until it has labels of its own.",
        "",
        "## Far fleets", "",
        f"Another generator, never trained on; {len(far)} fleets. Gain in average precision over limits and trends: "
        f"{gain.estimate:+.3f} (90 % interval by vehicle {gain.low:+.3f} to {gain.high:+.3f}). "
        + ("The model ranks until a fleet has labels of its own." if wins else
           "That is not shown to be better: the model is not shipped, and limits and trends alone rank."),
        "", *_compared(held_out, strange), "",
        "## Lists", "",
        *(line for fleet, judge in [*zip(near, apart, strict=True), *((f, model) for f in far)]
          for line in _lists(fleet, judge)),
    ]
    data = (
        f"{len(near)} simulated fleets with randomised physics, {sum(f.frame['unit_id'].n_unique() for f in near)} "
        f"vehicles, {sum(f.frame.height for f in near)} component-weeks."
    )
    text = card(
        model, data, held_out, "in the table of near fleets each whole fleet is scored by a model of the others; joining "
        "and calibration inside keep whole fleets apart too.", notes,
    )
    arguments.out.mkdir(parents=True, exist_ok=True)
    if wins:
        save(model, arguments.out, text)
    else:
        (arguments.out / MODEL).unlink(missing_ok=True)
        (arguments.out / CARD).write_text(text, encoding="utf-8")
    print(text)


def read(folder: Path) -> Fleet:
    """Features and labels of a fleet; weeks without evidence are judged first, as they would have been."""
    settings = read_settings(folder / "lightoff.toml")
    lake = Lake(settings.lake)
    first, last = jobs.first_week(lake), jobs.newest_week(settings, lake, datetime(9999, 1, 1, tzinfo=UTC))
    mondays = [first + _WEEK * k for k in range((last - first).days // 7 + 1)]
    done = set(lake.read("evidence", where=pl.col("series") == REPLAYED)["week_start"].unique())
    for monday in mondays:
        if monday not in done:
            assess(settings, lake, monday, REPLAYED, LIMITS_ALONE)
    replayed = pl.col("series") == REPLAYED
    evidence = lake.read("evidence", where=replayed)
    frame = features(lake.read("trends", where=replayed), evidence, read_indicators(settings))
    truth = folder / "truth"
    made = labels(evidence.select(*KEYS, "fitted_on"), lives_of_truth(truth_of(truth).events), last)
    unit = pl.lit(f"{folder.name}/") + pl.col("unit_id")
    return Fleet(
        folder.name, settings, truth, mondays, frame.with_columns(unit_id=unit, fleet=pl.lit(folder.name)),
        made.with_columns(unit_id=unit),
    )


def _trained(fleets: list[Fleet]) -> Model:
    frame = pl.concat([fleet.frame for fleet in fleets], how="diagonal")
    return train(frame, pl.concat([fleet.labels for fleet in fleets]), NAME, kept_apart="fleet")


def _tested(model: Model, fleet: Fleet, others: list[Fleet]) -> pl.DataFrame:
    """Rows of a fleet with the chances of a model of the others, of limits, and of rivals trained on the others."""
    test, known = fleet.rows(), pl.concat([other.rows() for other in others], how="diagonal")
    limits = expit(limits_of(test))
    likely = chances(model, test).by_horizon[:, 2]
    hit = known["hit"].to_numpy()
    step = pl.col("sample_step_s")
    sampling = pl.when(step.is_null()).then(pl.lit("unknown")).when(step <= 1.5).then(pl.lit("1 s and faster")).when(
        step <= 5).then(pl.lit("up to 5 s")).otherwise(pl.lit("slower than 5 s"))
    confirmed = pl.col("code_confirmed").fill_null(0)
    return test.select("week_start", "unit_id", "fleet", "family", "depot", "limits", "hit", sampling=sampling,
                       by_codes=(confirmed / (1 + pl.col("code_age_days").fill_null(0))).cast(pl.Float64)).with_columns(
        probability=pl.Series(np.where(np.isnan(likely), limits, likely)),
        by_shared_trees=pl.Series(shared_scores(known, hit, test)),
        by_logistic=pl.Series(logistic_scores(known, hit, test)),
    )


def _gain(rows: pl.DataFrame) -> Interval:
    ours, theirs, hit = rows["probability"].to_numpy(), limits_of(rows), rows["hit"].to_numpy()
    return bootstrap_interval(
        lambda at: average_precision(ours[at], hit[at]) - average_precision(theirs[at], hit[at]),
        rows["unit_id"].to_numpy(), n=_RESAMPLES,
    )


def _compared(near: pl.DataFrame, far: pl.DataFrame) -> list[str]:
    """Figures of each judge on near fleets that were left out and on far fleets, and the drop."""
    lines = ["| figure | near, left out | far | near less far |", "|---|---|---|---|"]

    def add(name: str, made: list[float]) -> None:
        lines.append(f"| {name} | {made[0]:.4f} | {made[1]:.4f} | {made[0] - made[1]:+.4f} |")

    for title, column in (("model", "probability"), ("limits and trends", "limits"), ("codes alone, newest first", "by_codes"),
                          ("one set of trees for all", "by_shared_trees"), ("logistic regression", "by_logistic")):
        add(f"average precision, {title}", [
            average_precision(limits_of(rows) if column == "limits" else rows[column].to_numpy(), rows["hit"].to_numpy())
            for rows in (near, far)
        ])
    for name, figure in (("Brier score", brier), ("calibration error", expected_calibration_error)):
        add(f"{name}, model", [figure(rows["probability"], rows["hit"]) for rows in (near, far)])
        add(f"{name}, limits and trends", [figure(expit(limits_of(rows)), rows["hit"]) for rows in (near, far)])
    return lines


def _lists(fleet: Fleet, model: Model) -> list[str]:
    """Figures of the weekly lists that the model would have made."""
    lake = fleet.lake
    for monday in fleet.mondays:
        assess(fleet.settings, lake, monday, REPLAYED, model)
        rank(fleet.settings, lake, monday, REPLAYED)
    proof = prove(fleet.settings, lake, REPLAYED, fleet.mondays[0], fleet.mondays[-1], truth_of(fleet.truth))
    return [f"### {fleet.name}", "", proof_table(proof), ""]


if __name__ == "__main__":
    main()
