"""The classifier: hazard in discrete time by gradient-boosted trees, joined with the limits and calibrated.

The time after a list is cut into intervals up to 7, 14, 28 and 56 days. A part that lasted through the intervals before
fails in interval k with the hazard h_k; a part that has failed and is not repaired fails in the first. The chance to
fail within the first k intervals is 1 - (1 - h_1) ... (1 - h_k), so that horizons never contradict each other
(D. R. Cox, J. R. Stat. Soc. B 34 (1972) 187-220, sec. 6; P. D. Allison, Sociol. Methodol. 13 (1982) 61-98).

Joining and calibrating are one step: on units the trees did not see, a logistic regression of each interval on the raw
score of the trees and the log-odds of limits and trends (J. Platt, 1999, with a second term). Its weights are never
negative, so that neither judge can count against itself.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, logit
from sklearn.ensemble import HistGradientBoostingClassifier
from threadpoolctl import threadpool_limits

from models.features import FAMILIES, KEYS, direction, feature_names

Floats = NDArray[np.float64]

EDGES = (0, 7, 14, 28, 56)
PROMISED = 2  # the interval that ends at 28 days, of which a list speaks
INTERVALS = len(EDGES) - 1
PERIOD = "interval"
FOLDS = 4
LEAST_FAILURES = 12  # distinct failures of a family below which nothing is learnt from it
LEAST_UNITS = 20  # vehicles that must report a feature before it is used
# Chosen on simulated fleets that were left out whole, among six settings that lay within 0.02 of average precision.
TREES = {
    "learning_rate": 0.1, "max_iter": 80, "max_leaf_nodes": 8, "min_samples_leaf": 80, "l2_regularization": 5.0,
    "max_features": 0.3, "max_bins": 64, "early_stopping": False,
}
# What holds a part back holds for both judges: limits.toml [judge.probability_held], the share of held parts that fail.
HELD_MOST = 0.1
# Nor is a fleet it has not seen ever surer ground for it than for limits: limits.toml [judge.probability_surest].
SUREST = 0.96
# A voltage that zirconia cannot give: no fleet that trains the starter has one, so that its trees can say nothing of it.
UNTAUGHT = ("gone.up_top_v", "gone.down_top_v")
_UNTAUGHT_FROM = 0.5  # of the way from healthy to limit
_MOST_ROWS = 80_000  # part-intervals the trees see; healthy ones beyond are drawn and weighed
_PULL = 2.0  # strength of the prior of the joining weights, in part-intervals
_PRIOR = np.array([0.0, 1.0, 0.0])


@dataclass(frozen=True)
class FamilyModel:
    """Trees and joining weights of one component family; ``joining`` has shape (intervals, 3): level, trees, limits."""

    features: list[str]
    trees: HistGradientBoostingClassifier
    joining: Floats
    failures: int
    rows: int


@dataclass(frozen=True)
class Model:
    """A classifier by component family; ``inputs`` is that of :func:`input_deciles`, for the watch on drift.

    One that does not rank is on trial: its chances are kept beside those of limits and trends and move no list.
    ``leaning`` (0..1) is the weight of limits and trends in the log-odds of its chances within 28 days, and as much is
    added at the other horizons; 0 leaves the model alone. A model that judges fleets it has not seen leans on limits
    half-way: a logarithmic pool of two opinions (C. Genest, J. V. Zidek, Statistical Science 1 (1986) 114-148). It gives no
    part more than ``SUREST`` and none that is held back more than ``HELD_MOST``, and leaves to limits what none of its
    fleets could teach (``UNTAUGHT``). All that holds of every family but those of ``own``, which this fleet has taught: a
    fleet's own model keeps families of the model before it, named ``lender``, and with them what holds of a stranger.
    """

    name: str
    families: dict[str, FamilyModel]
    inputs: dict[str, Floats] = field(default_factory=dict)
    ranks: bool = True
    leaning: float = 0.0
    own: tuple[str, ...] = ()
    lender: str = ""

    def leaning_of(self, family: str) -> float:
        """Weight of limits and trends in the chances of a family."""
        return 0.0 if family in self.own else self.leaning

    def judge_of(self, family: str) -> str:
        """Who judges a family, as lists say it."""
        return self.lender if self.lender and family not in self.own else self.name


@dataclass(frozen=True)
class Chances:
    """Of failing within 7, 14, 28 and 56 days, shape (rows, intervals); NaN where the family has no model, or a model that
    has not seen the fleet was never taught.

    ``raw`` is the log-odds of the hazard before joining, same shape.
    """

    by_horizon: Floats
    raw: Floats


def train(
    frame: pl.DataFrame, labels: pl.DataFrame, name: str, seed: int = 0, kept_apart: str = "unit_id", threads: int = 2
) -> Model:
    """A model from features and labels.

    Args:
        frame: of :func:`models.features.features`; ``unit_id`` must not be shared by two fleets.
        labels: of :func:`models.labels.labels`; rows without features are left out.
        name: what lists say judged a row.
        kept_apart: column of ``frame`` whose values are never split between the trees and their joining and
            calibration: the unit, or the fleet where there are several, so that calibration knows what another fleet is.
        threads: families trained at the same time; the model is the same with any number.

    Families with fewer than twelve failures are left out, and limits judge them alone.
    """
    names = feature_names(frame)  # before the labels stand beside them
    joined = frame.select(
        *KEYS, "family", "status", "limits", *(name for name in names if name != "limits"), apart=pl.col(kept_apart)
    ).join(
        labels.select(*KEYS, "days_to_failure", "days_known", "weight"),
        on=KEYS,
    ).sort(*KEYS, "days_to_failure", nulls_last=True)

    def trained(family: str) -> FamilyModel | None:
        rows = joined.filter((pl.col("family") == family) & (pl.col("status") != "not_judged"))
        # Many small fits: on shared cores the threads of the trees wait for each other far longer than they work, so the
        # families share the cores and each fit has one. That of OpenMP holds for the thread that asks for it alone.
        with threadpool_limits(1, user_api="openmp"):
            return _train_family(rows, names, seed)

    # Every other pool has one limit for the whole process: set once, so that no family that ends lifts it for the rest.
    with threadpool_limits(1), ThreadPoolExecutor(threads) as pool:
        made = dict(zip(FAMILIES, pool.map(trained, FAMILIES), strict=True))
    families = {family: part for family, part in made.items() if part is not None}
    return Model(name, families, input_deciles(frame))


def chances(model: Model, frame: pl.DataFrame) -> Chances:
    """Chances of every row of ``frame``, in its order."""
    by_horizon, raw = (np.full((frame.height, INTERVALS), np.nan) for _ in range(2))
    family = frame["family"].to_numpy()
    for name, part in model.families.items():
        rows = np.flatnonzero(family == name)
        if rows.size:
            chosen = frame[rows]
            raw[rows] = raw_scores(part, matrix(chosen, part.features))
            hazards = expit(join(part.joining, raw[rows], limits_of(chosen)))
            by_horizon[rows] = _leant(1 - np.cumprod(1 - hazards, axis=1), limits_of(chosen), model.leaning_of(name))
    strange = np.array([model.leaning_of(name) > 0 for name in family], dtype=bool)
    if strange.any():
        by_horizon[strange] *= SUREST
        held = strange & (frame["status"] == "held").to_numpy()
        by_horizon[held] = np.minimum(by_horizon[held], HELD_MOST)
        by_horizon[strange & _untaught(frame)] = np.nan
    return Chances(by_horizon, raw)


def _untaught(frame: pl.DataFrame) -> NDArray[np.bool_]:
    """Rows of which an indicator speaks that no training fleet has beyond its healthy range."""
    beyond = np.zeros(frame.height, dtype=bool)
    for name in UNTAUGHT:
        if name in frame.columns:
            beyond |= (frame[name] > _UNTAUGHT_FROM).fill_null(False).to_numpy()
    return beyond


def _leant(likely: Floats, limits: Floats, leaning: float) -> Floats:
    """Chances moved towards limits; one shift a row for all horizons, so that a longer one stays the likelier."""
    if not leaning:
        return likely
    odds = logit(np.clip(likely, 1e-9, 1 - 1e-9))
    return expit(odds + leaning * (limits - odds[:, PROMISED])[:, None])


def matrix(frame: pl.DataFrame, names: list[str]) -> NDArray[np.float32]:
    """Features as an array (rows, features); a feature the frame does not have is missing."""
    # Beside the frame's own columns, so that a frame that has none of them still gives one row each.
    missing = [pl.lit(None, pl.Float32).alias(name) for name in names if name not in frame.columns]
    wide = frame.with_columns(missing).select(names)
    return wide.cast(pl.Float32).fill_null(float("nan")).to_numpy()


def limits_of(frame: pl.DataFrame) -> Floats:
    """Log-odds of limits and trends, the lowest where they say nothing."""
    return frame["limits"].cast(pl.Float64).fill_null(-7.0).to_numpy()


def raw_scores(part: FamilyModel, values: NDArray[np.float32]) -> Floats:
    """Log-odds of the hazard by the trees, shape (rows, intervals)."""
    with threadpool_limits(1):
        return np.column_stack(
            [part.trees.decision_function(with_period(values, interval)) for interval in range(INTERVALS)]
        )


def with_period(values: NDArray[np.float32], interval: int) -> NDArray[np.float32]:
    """The features with the number of the interval as the last column."""
    return np.column_stack([values, np.full(len(values), interval, dtype=np.float32)])


def join(joining: Floats, raw: Floats, limits: Floats) -> Floats:
    """Log-odds of the hazards from both judges, shape (rows, intervals)."""
    return joining[:, 0] + joining[:, 1] * raw + joining[:, 2] * limits[:, None]


def intervals(days_to_failure: Floats, days_known: Floats) -> tuple[NDArray[np.int64], NDArray, NDArray]:
    """Part-intervals at risk: row number, interval, and whether it failed in it.

    An interval that is not known to its end and holds no failure is left out, as are those after a failure.
    """
    rows, which, failed = [], [], []
    for k in range(INTERVALS):
        low, high = EDGES[k], EDGES[k + 1]
        fails = days_to_failure < high if k == 0 else (days_to_failure >= low) & (days_to_failure < high)
        lasts = np.where(np.isnan(days_to_failure), days_known >= high, days_to_failure >= high)
        index = np.flatnonzero(fails | lasts)
        rows.append(index)
        which.append(np.full(index.size, k))
        failed.append(fails[index])
    return np.concatenate(rows), np.concatenate(which), np.concatenate(failed)


def folds_of(units: NDArray, folds: int, seed: int) -> NDArray[np.int64]:
    """Fold of each row; a unit lies in one fold as a whole."""
    names, index = np.unique(units, return_inverse=True)
    order = np.random.default_rng(seed).permutation(names.size)
    return (order % folds)[index]


def input_deciles(frame: pl.DataFrame) -> dict[str, Floats]:
    """Distinct inner deciles of each feature over judged rows, and the share of rows up to each: shape (2, up to 9).

    Only features that are present in a hundred rows or more.
    """
    judged = frame.filter(pl.col("status") != "not_judged")
    found = {}
    for name in feature_names(frame):
        values = judged[name].drop_nulls().drop_nans().to_numpy().astype(float)
        if values.size >= 100:
            edges = np.unique(np.quantile(values, np.linspace(0.1, 0.9, 9)))
            found[name] = np.vstack([edges, [(values <= edge).mean() for edge in edges]])
    return found


def _train_family(rows: pl.DataFrame, known: list[str], seed: int) -> FamilyModel | None:
    failures = rows.filter(pl.col("days_to_failure").is_not_null()).select(
        "unit_id", "component", pl.col("week_start") + pl.duration(days=pl.col("days_to_failure"))
    )
    count = failures.select("unit_id", "component").n_unique()
    if count < LEAST_FAILURES:
        return None
    # What a handful of vehicles report cannot be told from those vehicles themselves.
    units = rows.group_by("unit_id").agg(pl.col(name).is_not_null().any() for name in known)
    names = [name for name in known if units[name].sum() >= LEAST_UNITS]
    values, limits = matrix(rows, names), limits_of(rows)
    levelled = at_levels(values, TREES["max_bins"])
    days = rows.select(pl.col("days_to_failure", "days_known").cast(pl.Float64).fill_null(float("nan"))).to_numpy()
    index, which, failed = intervals(days[:, 0], days[:, 1])
    weight = rows["weight"].to_numpy()[index]
    folds = min(FOLDS, rows["apart"].n_unique())
    fold = folds_of(rows["apart"].to_numpy(), folds, seed)[index]
    raw = np.full(index.size, np.nan)
    for k in range(folds):
        inside, outside = np.flatnonzero(fold != k), np.flatnonzero(fold == k)
        trees = _fit(levelled, names, index[inside], which[inside], failed[inside], weight[inside], seed)
        raw[outside] = trees.decision_function(_stacked(values, index[outside], which[outside]))
    joining = np.array([
        _joining(raw[which == k], limits[index[which == k]], failed[which == k], weight[which == k])
        for k in range(INTERVALS)
    ])
    trees = _fit(levelled, names, index, which, failed, weight, seed)
    return FamilyModel(names, trees, joining, count, rows.height)


def at_levels(values: NDArray[np.float32], most: int) -> NDArray[np.float32]:
    """Each value at the nearest of at most ``most`` levels of its column, which are its quantiles; a missing one stays so.

    Trees cut half-way between the values they see, and half-way is where the nearest level changes: a tree grown on levels
    puts every value where its level went. Weighed rows with more values than bins cost the library a sort a bin and
    column, three quarters of a training.
    """
    levelled = np.empty_like(values)
    for column, level in zip(values.T, levelled.T, strict=True):
        known = ~np.isnan(column)
        distinct = np.unique(column[known])
        if distinct.size > most:
            distinct = np.unique(np.quantile(column[known], np.linspace(0, 1, most), method="nearest"))
        nearest = np.searchsorted((distinct[:-1] / 2 + distinct[1:] / 2), column[known])
        level[:] = np.nan
        level[known] = distinct[nearest]
    return levelled


def _stacked(values: NDArray[np.float32], index: NDArray, which: NDArray) -> NDArray[np.float32]:
    return np.column_stack([values[index], which.astype(np.float32)])


def _fit(
    values: NDArray[np.float32], names: list[str], index: NDArray, which: NDArray, failed: NDArray, weight: Floats,
    seed: int,
) -> HistGradientBoostingClassifier:
    """Trees on part-intervals; of very many healthy ones a share is drawn and weighed by its inverse."""
    kept, factor = np.arange(index.size), np.ones(index.size)
    healthy = np.flatnonzero(~failed)
    room = max(_MOST_ROWS - int(failed.sum()), 1)
    if healthy.size > room:
        drawn = np.random.default_rng(seed).choice(healthy, room, replace=False)
        kept = np.sort(np.concatenate([np.flatnonzero(failed), drawn]))
        factor[healthy] = healthy.size / room
    trees = HistGradientBoostingClassifier(
        **TREES, random_state=seed, monotonic_cst=[direction(name) for name in names] + [0],
    )
    rows = _stacked(values, index[kept], which[kept])
    # What only the rows left out report would have no value at all here, which the trees cannot bin; a constant never splits.
    rows[:, np.isnan(rows).all(axis=0)] = 0.0
    return trees.fit(rows, failed[kept], weight[kept] * factor[kept])


def _joining(raw: Floats, limits: Floats, failed: NDArray, weight: Floats) -> Floats:
    """Weights of level, trees and limits by penalised maximum likelihood, the last two not negative."""
    terms = np.column_stack([np.ones_like(raw), raw, limits])

    def loss(beta: Floats) -> tuple[float, Floats]:
        z = terms @ beta
        value = np.sum(weight * (np.logaddexp(0, z) - failed * z)) + _PULL * np.sum((beta - _PRIOR)[1:] ** 2)
        slope = terms.T @ (weight * (expit(z) - failed))
        slope[1:] += 2 * _PULL * (beta - _PRIOR)[1:]
        return value, slope

    found = minimize(loss, _PRIOR, jac=True, method="L-BFGS-B", bounds=[(None, None), (0, None), (0, None)])
    return found.x
