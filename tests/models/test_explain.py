"""Contributions add up to what they explain, and are named after the right indicator."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from sklearn.ensemble import HistGradientBoostingClassifier
from threadpoolctl import threadpool_limits

from models.classifier import FamilyModel, join, limits_of, matrix, raw_scores, train
from models.explain import LIMITS, SHOWN, WITHIN, contributions, movers, tree_contributions
from tests.models.made_features import made


@pytest.fixture(autouse=True)
def one_thread():
    """Small trees on cores that others use: threads of one fit wait for each other far longer than they work."""
    with threadpool_limits(1):
        yield


@pytest.fixture(scope="module")
def part() -> FamilyModel:
    return train(*made(), "test").families["catalyst"]


def test_contributions_of_trees_sum_to_their_score():
    rng = np.random.default_rng(0)
    values = rng.normal(size=(800, 6)).astype(np.float32)
    values[rng.random(values.shape) < 0.2] = np.nan
    hit = np.nan_to_num(values[:, 0]) + np.nan_to_num(values[:, 1] * values[:, 2]) + rng.normal(size=800) > 0.5
    weight = rng.uniform(0.2, 2.0, 800)
    trees = HistGradientBoostingClassifier(max_iter=60, random_state=0, early_stopping=False).fit(values, hit, weight)
    fresh = rng.normal(size=(200, 6)).astype(np.float32) * 3
    fresh[rng.random(fresh.shape) < 0.3] = np.nan
    start, moved = tree_contributions(trees, fresh)
    assert start + moved.sum(axis=1) == pytest.approx(trees.decision_function(fresh), abs=1e-9)
    assert np.abs(moved[:, 0]).mean() > 3 * np.abs(moved[:, 5]).mean()


def test_a_single_split_by_hand():
    values = np.array([[0.0]] * 30 + [[1.0]] * 10, dtype=np.float32)
    hit = np.array([0] * 30 + [1] * 10)
    trees = HistGradientBoostingClassifier(max_iter=1, max_leaf_nodes=2, min_samples_leaf=1, learning_rate=1.0).fit(values, hit)
    start, moved = tree_contributions(trees, np.array([[0.0], [1.0]], dtype=np.float32))
    low, high = trees.decision_function(np.array([[0.0], [1.0]]))
    assert start == pytest.approx((30 * low + 10 * high) / 40)
    assert moved[:, 0] == pytest.approx([low - start, high - start])


def test_contributions_of_a_family_sum_to_its_mean_log_odds(part: FamilyModel):
    test, _ = made(units=30, seed=4)
    test = test.with_columns(pl.when(pl.col("top.gone") > 0.6).then(None).otherwise("top.gone").alias("top.gone"))
    base, parts = contributions(part, test)
    joined = join(part.joining, raw_scores(part, matrix(test, part.features)), limits_of(test))
    assert parts.shape == (test.height, len(part.features) + 1)
    assert base + parts.sum(axis=1) == pytest.approx(joined[:, :WITHIN].mean(axis=1), abs=1e-9)


def test_movers_name_the_indicator_and_are_three_at_most(part: FamilyModel):
    test, _ = made(units=40, seed=4)
    found = movers(part, test)
    assert found["place"].max() <= SHOWN
    assert (found["moves"] > 0.05).all()
    # Within a row, the first moves most.
    assert (found.sort("week_start", "unit_id", "place").select(
        pl.col("moves").diff().over("week_start", "unit_id").max()).item() or 0) <= 0
    assert set(found["mover"]) <= {"recovery_s", "top.gone", "rear_gone", "limits", LIMITS}
    assert "recovery_s" in set(found["mover"])


def test_what_is_not_known_is_no_mover():
    frame, known = made()
    silent = known["days_to_failure"].is_between(0, 28).fill_null(False)  # a sensor that falls silent before it fails
    name = "own_z.recovery_s"
    frame = frame.drop("top.gone").with_columns(pl.when(silent).then(None).otherwise(name).alias(name))
    part = train(frame, known, "test").families["catalyst"]
    unknown = frame.filter(pl.col(name).is_null())
    _, parts = contributions(part, unknown)
    assert (parts[:, part.features.index(name)] > 0.05).mean() > 0.9  # what is missing does move them
    assert movers(part, unknown).height and "recovery_s" not in set(movers(part, unknown)["mover"])
