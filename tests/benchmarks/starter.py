"""The starter model: ``python -m tests.benchmarks.starter --simulator FLEET... --simulator FLEET... [--out FOLDER]``.

Each FLEET is a folder with ``lightoff.toml``, a derived lake, and the truth of the simulation in ``truth/``; ``--simulator``
is given once for each simulator with its fleets. The fleets of each simulator are judged by a model of all the others, since a
fleet without labels is a simulator that nobody trained on. The model that ships is trained on all of them, and it ranks where
those that had not seen the simulator did better than limits and trends: over simulators, each counting the same, the 90 %
interval of the gain in average precision lies above zero (simulators drawn anew, and the units of their fleets in pairs), the
first ten rows of the lists hold no smaller share of bad parts, and no more rows a vehicle and week name a wrong part or stand for
another defect. Else it ships on trial, and its chances move no list.

Lists here are the judged parts that all who judge find likely enough, the likeliest first, without money and bays.

With ``--shipped`` nothing is trained: the starter that ships judges the fleets, which says what it is worth where it saw none of
their simulators.
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
    HORIZON_DAYS,
    average_precision,
    brier,
    evaluate_lists,
    expected_calibration_error,
)
from models.features import KEYS, features
from models.labels import labels, lives_of_truth
from models.resampling import Interval
from models.rivals import logistic_scores, shared_scores
from models.store import save
from pipeline import jobs
from pipeline.assess import REPLAYED, assess
from pipeline.backtest import WARM_UP_WEEKS, Outcome, blamed_for_others, truth_of
from pipeline.facts import read_indicators
from pipeline.lake import Lake
from pipeline.limits import read_limits
from pipeline.prognosis import LIMITS_ALONE, starter_model
from pipeline.settings import Settings, read_settings

NAME = "starter model 4"
LEANING = 0.5  # it only ever judges fleets it has not seen
_WEEK = timedelta(days=7)
_RESAMPLES = 400
AP, CODES, ECE, FIRST, ROWS, LEAD, WRONG, OTHER = (
    "average precision", "times codes", "calibration error", "first ten rows", "rows", "failures listed at least 7 days ahead",
    "wrong part, rows per 100 vehicle-weeks", "another defect, rows per 100 vehicle-weeks",
)


@dataclass(frozen=True)
class Fleet:
    """A simulated fleet with the features and labels of every past week; vehicles are named with their fleet."""

    name: str
    outcome: Outcome
    mondays: list
    frame: pl.DataFrame
    labels: pl.DataFrame

    def rows(self) -> pl.DataFrame:
        """Judged and held rows, with ``hit`` (fails within 28 days or has failed) where it is known."""
        judged = self.frame.filter(pl.col("status") != "not_judged")
        return judged.join(self.labels.select(*KEYS, hit="fails_28"), on=KEYS, how="left").sort(KEYS)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--simulator", nargs="+", type=Path, required=True, action="append", help="fleets of one simulator", metavar="FLEET"
    )
    parser.add_argument("--out", type=Path, default=Path(models.__path__[0]) / "starter")
    parser.add_argument("--chances", type=Path, help="write what was said of each part, for tests.benchmarks.certainty")
    parser.add_argument("--shipped", action="store_true", help="train nothing: figures of the starter that ships")
    arguments = parser.parse_args()
    if len(arguments.simulator) < 2:
        parser.error("give --simulator twice or more: each is judged by a model of the others")
    simulators = [[read(folder) for folder in folders] for folders in arguments.simulator]  # judges the weeks that are missing
    if arguments.shipped:
        _print_shipped(simulators)
        return
    # One training after the other leaves a core idle half of the time: each process reads all fleets and trains with one thread.
    with ProcessPoolExecutor(2, get_context("spawn"), _read_all, (arguments.simulator,)) as workers:
        left_out = [workers.submit(_left_out, number) for number in range(len(arguments.simulator))]
        whole = workers.submit(_whole)
        tested = [rows for job in left_out for rows in job.result()]
        model = whole.result()
    fleets = [fleet for some in simulators for fleet in some]
    group = np.repeat(np.arange(len(simulators)), [len(some) for some in simulators])
    gain = _gain(tested, group)
    figures = [_figures(fleet, rows) for fleet, rows in zip(fleets, tested, strict=True)]
    mean = {name: _over_simulators([ours[name] - theirs[name] for ours, theirs in figures], group) for name in figures[0][0]}
    wins = gain.low > 0 and mean[FIRST] >= 0 and mean[WRONG] <= 0 and mean[OTHER] <= 0
    rows = pl.concat(tested).filter(pl.col("hit").is_not_null())
    notes = [
        "Failures are far more frequent in these fleets than in real ones, so that there is enough to learn and to test "
        f"with ({rows['hit'].mean():.1%} of component-weeks fail within 28 days or have failed): probabilities on a real "
        "fleet are too high until it has labels of its own.", "",
        "## Against limits and trends", "",
        f"Each of {len(simulators)} simulators by a model of the others. Gains over limits and trends, means over simulators, each "
        f"counting the same: average precision {gain.estimate:+.3f} (90 % interval {gain.low:+.3f} to {gain.high:+.3f}, simulators "
        f"and vehicles drawn anew); of the lists, share of bad parts among the first ten rows {mean[FIRST]:+.3f}, rows that name a "
        f"wrong part {mean[WRONG]:+.4f} and rows that stand for another defect {mean[OTHER]:+.4f} per 100 vehicle-weeks, failures "
        f"listed at least 7 days ahead {mean[LEAD]:+.3f}. Lists are the parts that both find likely enough, the likeliest first, without money and bays.", "",
        "**The model ranks until a fleet has labels of its own.**" if wins else
        "**The model does not rank.** Its lists are not shown to be better where the fleet differs from those it learnt "
        "from, and a wrong part is worse than no call. Limits and trends rank; its chances stand beside them in the table "
        "`chances`, on trial.",
        "", *_by_fleet(fleets, figures), "", *_compared(rows),
    ]
    model = replace(model, ranks=wins)
    data = (
        f"{len(fleets)} fleets of {len(simulators)} simulators with randomised physics, "
        f"{sum(f.frame['unit_id'].n_unique() for f in fleets)} vehicles, {sum(f.frame.height for f in fleets)} component-weeks."
    )
    text = card(
        model, data, rows, "in this table each whole simulator is scored by a model of the others; joining and calibration "
        "inside keep whole simulators apart, too.", notes,
    )
    save(model, arguments.out, text)
    print(text)
    if arguments.chances:
        _of_lists(rows, "probability" if wins else "by_limits").write_parquet(arguments.chances)


_all: list[list[Fleet]] = []  # of a worker


def _read_all(simulators: list[list[Path]]) -> None:
    _all[:] = [[read(folder) for folder in folders] for folders in simulators]


def _whole() -> Model:
    return _trained(_all)


def _left_out(number: int) -> list[pl.DataFrame]:
    """Rows of the fleets of one simulator as judged by a model of all the others."""
    others = [some for k, some in enumerate(_all) if k != number]
    return _tested(_trained(others), _all[number], [fleet for some in others for fleet in some])


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
    outcome = truth_of(folder / "truth")
    made = labels(evidence.select(*KEYS, "fitted_on"), lives_of_truth(outcome.events), last)
    unit = pl.lit(f"{folder.name}/") + pl.col("unit_id")
    named = replace(
        outcome, events=outcome.events.with_columns(unit_id=unit), others=outcome.others.with_columns(unit_id=unit)
    )
    return Fleet(
        folder.name, named, mondays, frame.with_columns(unit_id=unit, fleet=pl.lit(folder.name)), made.with_columns(unit_id=unit)
    )


def _trained(simulators: list[list[Fleet]]) -> Model:
    """A model of these simulators that never splits one between the trees and their joining and calibration."""
    frame = pl.concat(
        [fleet.frame.with_columns(simulator=pl.lit(k)) for k, some in enumerate(simulators) for fleet in some], how="diagonal"
    )
    made = pl.concat([fleet.labels for some in simulators for fleet in some])
    return replace(train(frame, made, NAME, kept_apart="simulator", threads=1), leaning=LEANING)


def _print_shipped(simulators: list[list[Fleet]]) -> None:
    """Gains of the shipped starter over limits and trends, and the figures of each fleet."""
    model, fleets = starter_model(), [fleet for some in simulators for fleet in some]
    group = np.repeat(np.arange(len(simulators)), [len(some) for some in simulators])
    judged = [_judged(model, fleet.rows()) for fleet in fleets]
    gain, figures = _gain(judged, group), [_figures(fleet, rows) for fleet, rows in zip(fleets, judged, strict=True)]
    print(f"{model.name}: {AP} {gain.estimate:+.3f} (90 % interval {gain.low:+.3f} to {gain.high:+.3f})")
    for name in (FIRST, WRONG, OTHER, LEAD):
        print(f"{name} {_over_simulators([ours[name] - theirs[name] for ours, theirs in figures], group):+.4f}")
    print("\n".join(_by_fleet(fleets, figures)))


def _judged(model: Model, test: pl.DataFrame) -> pl.DataFrame:
    """Rows with the chances of ``model``, of limits, and of codes alone."""
    limits, likely = expit(limits_of(test)), chances(model, test).by_horizon[:, 2]
    step, confirmed = pl.col("sample_step_s"), pl.col("code_confirmed").fill_null(0)
    sampling = pl.when(step.is_null()).then(pl.lit("unknown")).when(step <= 1.5).then(pl.lit("1 s and faster")).when(
        step <= 5).then(pl.lit("up to 5 s")).otherwise(pl.lit("slower than 5 s"))
    return test.select(*KEYS, "fleet", "family", "depot", "status", "limits", "hit", sampling=sampling,
                       by_codes=(confirmed / (1 + pl.col("code_age_days").fill_null(0))).cast(pl.Float64)).with_columns(
        by_limits=pl.Series(limits), probability=pl.Series(np.where(np.isnan(likely), limits, likely)),
    )


def _tested(model: Model, fleets: list[Fleet], others: list[Fleet]) -> list[pl.DataFrame]:
    """Rows of each fleet with the chances of a model of the others, of limits, and of rivals trained on the others."""
    known = pl.concat([fleet.rows() for fleet in others], how="diagonal").filter(pl.col("hit").is_not_null())
    hit = known["hit"].to_numpy()
    test = pl.concat([fleet.rows() for fleet in fleets], how="diagonal")
    rows = _judged(model, test).with_columns(
        by_shared_trees=pl.Series(shared_scores(known, hit, test)), by_logistic=pl.Series(logistic_scores(known, hit, test))
    )
    return [rows.filter(pl.col("fleet") == fleet.name) for fleet in fleets]


def _gain(tested: list[pl.DataFrame], group: np.ndarray) -> Interval:
    """Gain in average precision over limits and trends, the mean over simulators of the mean over their fleets; simulators
    are drawn with replacement, and within each fleet its units (two stages, A. C. Davison, D. V. Hinkley, Bootstrap Methods
    and their Application (1997), sec. 3.8).
    """
    def prepared(rows: pl.DataFrame) -> tuple[np.ndarray, ...]:
        known = rows.filter(pl.col("hit").is_not_null())
        units, unit = np.unique(known["unit_id"].to_numpy(), return_inverse=True)
        return known["probability"].to_numpy(), limits_of(known), known["hit"].to_numpy(), unit, units

    fleets = [prepared(rows) for rows in tested]
    members = [np.flatnonzero(group == k) for k in np.unique(group)]
    rng = np.random.default_rng(0)

    def fleet_gain(fleet: tuple[np.ndarray, ...], resampled: bool) -> float:
        ours, theirs, hit, unit, units = fleet
        at = np.arange(unit.size)
        if resampled:
            at = np.repeat(at, np.bincount(rng.integers(0, units.size, units.size), minlength=units.size)[unit])
        return average_precision(ours[at], hit[at]) - average_precision(theirs[at], hit[at])

    def mean_gain(drawn: list[np.ndarray], resampled: bool) -> float:
        return float(np.mean([np.mean([fleet_gain(fleets[k], resampled) for k in some]) for some in drawn]))

    draws = [mean_gain([members[k] for k in rng.integers(0, len(members), len(members))], True) for _ in range(_RESAMPLES)]
    low, high = np.quantile(draws, [0.05, 0.95])
    return Interval(mean_gain(members, False), float(low), float(high), len(members), _RESAMPLES)


def _of_lists(rows: pl.DataFrame, chance: str) -> pl.DataFrame:
    """What was said of the parts that could stand on a list: judged, and not called by one judge alone."""
    least = read_limits(Settings())["judge"]["list_probability"].value
    alone = (pl.col(chance) >= least) & (pl.col("by_limits") < least)
    return rows.filter((pl.col("status") == "judged") & ~alone).select("fleet", "unit_id", "hit", chance=chance)


def _figures(fleet: Fleet, rows: pl.DataFrame) -> tuple[dict[str, float], dict[str, float]]:
    """Figures of a fleet's lists as the model would make them, and as limits and trends do."""
    begin, end = fleet.mondays[0] + WARM_UP_WEEKS * _WEEK, fleet.mondays[-1] - timedelta(days=HORIZON_DAYS)
    span = rows.filter(pl.col("week_start").is_between(begin, end))
    known = rows.filter(pl.col("hit").is_not_null())
    hit = known["hit"].to_numpy()
    least = read_limits(Settings())["judge"]["list_probability"].value
    events = fleet.outcome.events.select("unit_id", "component", "failed_on", "repaired_on")
    per_hundred = 100 / span.select("unit_id", "week_start").n_unique()

    def made(chance: str) -> dict[str, float]:
        scored = span.with_columns(probability=pl.col(chance)).sort(
            "week_start", "probability", "unit_id", "component", descending=[False, True, False, False]
        )
        agreed = (pl.col("probability") >= least) & (pl.col("by_limits") >= least) & (pl.col("status") == "judged")
        listed = scored.filter(agreed).with_columns(rank=pl.int_range(1, pl.len() + 1).over("week_start").cast(pl.Int64))
        lists = evaluate_lists(
            listed.select("week_start", "rank", "unit_id", "component"), scored.select(*KEYS, "probability"), events, resamples=0
        )
        precision = average_precision(known[chance].to_numpy(), hit)
        return {
            AP: precision, CODES: precision / average_precision(known["by_codes"].to_numpy(), hit),
            ECE: expected_calibration_error(known[chance].to_numpy(), hit),
            FIRST: lists["precision_at_10"]["value"], ROWS: listed.height, LEAD: lists["recall_with_lead"]["value"],
            WRONG: lists["wrong_component_rate"]["value"] * listed.height * per_hundred,
            OTHER: float(blamed_for_others(listed, fleet.outcome).sum()) * per_hundred,
        }

    return made("probability"), made("by_limits")


def _over_simulators(values: list[float], group: np.ndarray) -> float:
    """Mean over simulators of the mean over their fleets."""
    each = np.array(values)
    return float(np.mean([each[group == k].mean() for k in np.unique(group)]))


def _by_fleet(fleets: list[Fleet], figures: list[tuple[dict[str, float], dict[str, float]]]) -> list[str]:
    """Figures of each fleet by the model that did not see its simulator, and by limits and trends."""
    names = list(figures[0][0])
    lines = ["| fleet | " + " | ".join(f"{name} | by limits" for name in names) + " |", "|" + "---|" * (2 * len(names) + 1)]
    for fleet, (ours, theirs) in zip(fleets, figures, strict=True):
        lines.append(f"| {fleet.name} | " + " | ".join(f"{ours[name]:.3g} | {theirs[name]:.3g}" for name in names) + " |")
    return lines


def _compared(rows: pl.DataFrame) -> list[str]:
    """Figures of each judge over all fleets together, each by models that had not seen its simulator."""
    hit, limits = rows["hit"].to_numpy(), limits_of(rows)
    likely = rows["probability"].to_numpy()
    lines = ["| figure, all fleets together | value |", "|---|---|"]
    for title, order in (("model", likely), ("limits and trends", limits), ("codes alone, newest first", rows["by_codes"]),
                         ("one set of trees for all", rows["by_shared_trees"]), ("logistic regression", rows["by_logistic"])):
        lines.append(f"| average precision, {title} | {average_precision(np.asarray(order), hit):.4f} |")
    for name, figure in (("Brier score", brier), ("calibration error", expected_calibration_error)):
        lines.append(f"| {name}, model | {figure(likely, hit):.4f} |")
        lines.append(f"| {name}, limits and trends | {figure(expit(limits), hit):.4f} |")
    # Held parts lie below the line by either judge, so that these are the parts each of them would call.
    least = read_limits(Settings())["judge"]["list_probability"].value
    for title, by_model, by_limits in (("both judges", True, True), ("the model alone", True, False),
                                       ("limits and trends alone", False, True)):
        called = hit[((likely >= least) == by_model) & ((expit(limits) >= least) == by_limits)]
        share = f"{called.mean():.4f}" if called.size else "none"
        lines.append(f"| share of bad parts among the {called.size} rows called by {title} | {share} |")
    return lines


if __name__ == "__main__":
    main()
