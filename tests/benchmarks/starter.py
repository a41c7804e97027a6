"""The starter model: ``python -m tests.benchmarks.starter --near FLEET... [--near FLEET...] --far FLEET... [--out FOLDER]``.

Each FLEET is a folder with ``lightoff.toml``, a derived lake, and the truth of the simulation in ``truth/``. Near fleets
train; each is also scored by a model of the other near fleets or, where ``--near`` is given once for each simulator, by one
of the other simulators. Far fleets run on a generator that never trains. The model ranks where, on far fleets and against
limits and trends, the 90 % interval of its gain in average precision lies above zero (units resampled in pairs) and the
first ten rows of its lists hold no fewer bad parts; else it ships on trial, and its chances move no list.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import polars as pl
from scipy.special import expit

import models
from models.card import card
from models.classifier import Model, chances, limits_of, train
from models.evaluate import (
    Interval,
    average_precision,
    bootstrap_interval,
    brier,
    expected_calibration_error,
    with_hits,
)
from models.features import KEYS, features
from models.labels import labels, lives_of_truth
from models.rivals import logistic_scores, shared_scores
from models.store import save
from pipeline import jobs
from pipeline.assess import REPLAYED, assess
from pipeline.backtest import prove, truth_of
from pipeline.facts import read_indicators
from pipeline.lake import Lake
from pipeline.limits import read_limits
from pipeline.prognosis import LIMITS_ALONE
from pipeline.rank import rank
from pipeline.report.proof import proof_table
from pipeline.settings import Settings, read_settings

NAME = "starter model 3"
LEANING = 0.5  # it only ever judges fleets it has not seen
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
    parser.add_argument("--near", nargs="+", type=Path, required=True, action="append", help="fleets of one simulator")
    parser.add_argument("--far", nargs="+", type=Path, required=True)
    parser.add_argument("--out", type=Path, default=Path(models.__path__[0]) / "starter")
    arguments = parser.parse_args()
    simulators = [[read(folder) for folder in folders] for folders in arguments.near]
    far = [read(folder) for folder in arguments.far]
    near = [fleet for fleets in simulators for fleet in fleets]
    left_out = simulators if len(simulators) > 1 else [[fleet] for fleet in near]
    rest = [[fleet for fleets in left_out if fleets is not out for fleet in fleets] for out in left_out]
    apart = [_trained(others) for others in rest]
    model = _trained(near)
    held_out = pl.concat([
        _tested(of_others, fleets, others) for of_others, fleets, others in zip(apart, left_out, rest, strict=True)
    ])
    strange = _tested(model, far, near)
    gain = _gain(strange)
    judged = [(fleet, of_others) for of_others, fleets in zip(apart, left_out, strict=True) for fleet in fleets]
    judged += [(fleet, model) for fleet in far]
    # Each fleet has a lake of its own; the lists of limits come later, since both write the same weeks.
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as workers:
        made = dict(zip([fleet.name for fleet, _ in judged], workers.map(_lists, *zip(*judged, strict=True)), strict=True))
        plain = [rows for _, rows in workers.map(_lists, far, [LIMITS_ALONE] * len(far))]
    first = _gain_of_first_ten(pl.concat([made[fleet.name][1] for fleet in far]), pl.concat(plain))
    wins = gain.low > 0 and first.estimate >= 0
    notes = [
        "Failures are far more frequent in these fleets than in real ones, so that there is enough to learn and to test "
        f"with ({held_out['hit'].mean():.1%} of near and {strange['hit'].mean():.1%} of far component-weeks fail within "
        "28 days or have failed): probabilities on a real fleet are too high until it has labels of its own.",
        "",
        "## Far fleets", "",
        f"Another generator, never trained on; {len(far)} fleets. Gains over limits and trends, 90 % intervals by vehicle: "
        f"average precision {_said(gain)}; share of bad parts in the first ten rows of the lists {_said(first)}.", "",
        "**The model ranks until a fleet has labels of its own.**" if wins else
        "**The model does not rank.** Its lists are not shown to be better where the fleet differs from those it learnt "
        "from, and a wrong part is worse than no call. Limits and trends rank; its chances stand beside them in the table "
        "`chances`, on trial.",
        "", *_compared(held_out, strange), "",
        "## Lists", "",
        "Those of near fleets by the model that did not see them, those of far fleets by the model itself, as if it ranked.",
        "",
        *(line for lines, _ in made.values() for line in lines),
    ]
    model = replace(model, ranks=wins)
    data = (
        f"{len(near)} fleets of {len(simulators)} simulators with randomised physics, "
        f"{sum(f.frame['unit_id'].n_unique() for f in near)} vehicles, {sum(f.frame.height for f in near)} component-weeks."
    )
    text = card(
        model, data, held_out, f"in the table of near fleets each whole {'simulator' if len(simulators) > 1 else 'fleet'} is "
        "scored by a model of the others; joining and calibration inside keep whole fleets apart too.", notes,
    )
    save(model, arguments.out, text)
    print(text)


def read(folder: Path) -> Fleet:
    """Features and labels of a fleet; weeks without evidence are judged first, as they would have been."""
    settings = read_settings(folder / "lightoff.toml")
    lake = Lake(settings.lake)
    first, last = jobs.first_week(settings, lake), jobs.newest_week(settings, lake, datetime(9999, 1, 1, tzinfo=UTC))
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
    model = train(frame, pl.concat([fleet.labels for fleet in fleets]), NAME, kept_apart="fleet")
    return replace(model, leaning=LEANING)


def _tested(model: Model, fleets: list[Fleet], others: list[Fleet]) -> pl.DataFrame:
    """Rows of fleets with the chances of a model of the others, of limits, and of rivals trained on the others."""
    test, known = (pl.concat([fleet.rows() for fleet in some], how="diagonal") for some in (fleets, others))
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
    # Held parts lie below the line by either judge, so that these are the parts each of them would call.
    least = read_limits(Settings())["judge"]["list_probability"].value
    for title, by_model, by_limits in (("both judges", True, True), ("the model alone", True, False),
                                       ("limits and trends alone", False, True)):
        called = [
            rows["hit"].to_numpy()[((rows["probability"].to_numpy() >= least) == by_model)
                                   & ((expit(limits_of(rows)) >= least) == by_limits)]
            for rows in (near, far)
        ]
        add(f"share of bad parts among those called by {title}", [float(hit.mean()) if hit.size else float("nan") for hit in called])
    return lines


def _lists(fleet: Fleet, model: Model) -> tuple[list[str], pl.DataFrame]:
    """Figures of the weekly lists that the model would have made, and their first ten rows with ``hit``."""
    lake = fleet.lake
    for monday in fleet.mondays:
        assess(fleet.settings, lake, monday, REPLAYED, model)
        rank(fleet.settings, lake, monday, REPLAYED)
    outcome = truth_of(fleet.truth)
    proof = prove(fleet.settings, lake, REPLAYED, fleet.mondays[0], fleet.mondays[-1], outcome)
    span = (pl.col("series") == REPLAYED) & pl.col("week_start").is_between(proof.first, proof.last)
    listed = lake.read("ranked", where=span & pl.col("list_rank").is_not_null())
    first = listed.filter(pl.col("list_rank").rank("ordinal").over("week_start") <= 10)
    judged = with_hits(first.select(KEYS), outcome.events).select(
        "hit", unit_id=pl.format("{}/{}", pl.lit(fleet.name), "unit_id"),
        week=pl.format("{}/{}", pl.lit(fleet.name), "week_start"),
    )
    return [f"### {fleet.name}", "", proof_table(proof), ""], judged


def _gain_of_first_ten(ours: pl.DataFrame, theirs: pl.DataFrame) -> Interval:
    """Difference of the mean share of hits over weeks, units resampled in pairs."""
    both = pl.concat([ours.with_columns(mine=pl.lit(True)), theirs.with_columns(mine=pl.lit(False))])
    week, hit = both["week"].rank("dense").to_numpy().astype(int), both["hit"].to_numpy()
    mine = both["mine"].to_numpy()

    def share(rows: np.ndarray) -> float:
        listed = np.bincount(week[rows])
        return float(np.mean(np.bincount(week[rows], weights=hit[rows])[listed > 0] / listed[listed > 0]))

    return bootstrap_interval(
        lambda rows: share(rows[mine[rows]]) - share(rows[~mine[rows]]), both["unit_id"].to_numpy(), n=_RESAMPLES
    )


def _said(gain: Interval) -> str:
    return f"{gain.estimate:+.3f} ({gain.low:+.3f} to {gain.high:+.3f})"


if __name__ == "__main__":
    main()
