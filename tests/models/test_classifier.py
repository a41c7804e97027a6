"""The classifier: horizons that agree, nothing learnt from the future or from chance, directions kept, same by seed."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.metrics import average_precision_score
from threadpoolctl import threadpool_info, threadpool_limits

from models import classifier
from models.classifier import (
    _leant,
    EDGES,
    INTERVALS,
    LEAST_FAILURES,
    Model,
    at_levels,
    chances,
    folds_of,
    intervals,
    matrix,
    raw_scores,
    train,
    limits_of,
)
from models.evaluate import average_precision, brier, expected_calibration_error
from models.features import KEYS, direction, feature_names
from models.rivals import logistic_scores, shared_scores
from tests.models.made_features import FIRST, made

LABELS = ("days_to_failure", "days_known", "weight", "source", "fails_14", "fails_28", "fails_56", "hit", "row")


@pytest.fixture(scope="module")
def trained() -> Model:
    return train(*made(), "test")


def hits(labelled: pl.DataFrame) -> np.ndarray:
    return labelled["fails_28"].to_numpy()


# -- what may be learnt from ----------------------------------------------------------------------------------


def test_label_columns_are_never_features():
    frame, labelled = made(units=5)
    joined = frame.join(labelled, on=KEYS)
    assert set(LABELS[:7]) <= set(joined.columns)
    assert feature_names(joined) == feature_names(frame) == [
        "limits", "own_z.recovery_s", "rear_gone", "top.gone"
    ]
    for name in LABELS:
        assert feature_names(pl.DataFrame({name: [1.0]})) == []


def test_families_trained_side_by_side_are_those_trained_one_by_one():
    parts = [made(seed=seed) for seed in (1, 2)]
    frame = pl.concat([
        rows.with_columns(family=pl.lit(family), unit_id=family[0] + pl.col("unit_id"))
        for (rows, _), family in zip(parts, ("catalyst", "downstream"), strict=True)
    ])
    labelled = pl.concat([
        rows.with_columns(unit_id=letter + pl.col("unit_id")) for (_, rows), letter in zip(parts, "cd", strict=True)
    ])
    alone, together = (train(frame, labelled, "test", threads=threads) for threads in (1, 4))
    assert list(alone.families) == list(together.families) == ["downstream", "catalyst"]
    np.testing.assert_array_equal(chances(alone, frame).by_horizon, chances(together, frame).by_horizon)


def test_every_fit_has_one_thread_whichever_thread_it_runs_in(monkeypatch: pytest.MonkeyPatch):
    """A limit of OpenMP holds for the thread that sets it: nthreads-var is one of a data environment (OpenMP 5.2, from memory)."""
    found = []

    def count(rows: pl.DataFrame, names: list[str], seed: int) -> None:
        found.extend(pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "openmp")

    monkeypatch.setattr(classifier, "_train_family", count)
    classifier.train(*made(units=20), "counted")
    assert found and set(found) == {1}


def test_a_label_beside_the_features_changes_nothing(trained: Model):
    frame, labelled = made()
    spoilt = frame.join(labelled, on=KEYS).with_columns(weight=pl.lit(2.0))
    model = train(spoilt, labelled, "test")
    assert model.families["catalyst"].features == trained.families["catalyst"].features
    assert not set(model.inputs) & set(LABELS)
    test, _ = made(seed=5)
    assert np.array_equal(chances(model, test).by_horizon, chances(trained, test).by_horizon)


def test_rivals_do_not_learn_from_labels_either():
    frame, labelled = made(units=60)
    hit = hits(labelled)
    test, known = made(units=60, seed=2)
    for score in (shared_scores, logistic_scores):
        plain = score(frame, hit, test)
        beside = score(frame.join(labelled, on=KEYS, maintain_order="left"), hit,
                       test.join(known, on=KEYS, maintain_order="left"))
        assert np.array_equal(plain, beside)


def test_identifiers_dates_and_names_are_no_features():
    frame, _ = made(units=2)
    assert not set(feature_names(frame)) & {*KEYS, "depot", "part", "kind", "status", "family"}


# -- horizons -------------------------------------------------------------------------------------------------


def test_horizons_never_contradict(trained: Model):
    test, _ = made(seed=3)
    likely = chances(trained, test).by_horizon
    assert likely.shape == (test.height, INTERVALS) == (test.height, len(EDGES) - 1)
    assert (np.diff(likely, axis=1) >= 0).all()
    assert ((likely >= 0) & (likely <= 1)).all()
    assert (np.diff(likely, axis=1) > 0).any()


def test_chances_are_the_product_of_hazards_by_hand(trained: Model):
    test, _ = made(units=3, seed=3)
    part = trained.families["catalyst"]
    raw = raw_scores(part, matrix(test, part.features))
    limits = test["limits"].cast(pl.Float64).to_numpy()
    alive = np.ones(test.height)
    for k in range(INTERVALS):
        level, trees, other = part.joining[k]
        alive *= 1 - 1 / (1 + np.exp(-(level + trees * raw[:, k] + other * limits)))
    assert chances(trained, test).by_horizon[:, -1] == pytest.approx(1 - alive)


def test_part_intervals_at_risk_by_hand():
    nan = np.nan
    row, which, failed = intervals(np.array([0.0, 10.0, nan, nan]), np.array([nan, nan, 60.0, 20.0]))
    found = {(int(r), int(k)): bool(f) for r, k, f in zip(row, which, failed, strict=True)}
    assert found == {
        (0, 0): True,  # failed and not repaired: in the first, and out after it
        (1, 0): False, (1, 1): True,
        (2, 0): False, (2, 1): False, (2, 2): False, (2, 3): False,
        (3, 0): False, (3, 1): False,  # known for 20 days only: nothing is said of days 14 to 28
    }


def test_a_family_with_too_few_failures_is_left_to_limits():
    frame, labelled = made(units=120, sick=0.0)
    few = labelled["unit_id"].is_in([f"V{k:03}" for k in range(LEAST_FAILURES - 1)])
    spoilt = labelled.with_columns(days_to_failure=pl.when(few).then(5))
    model = train(frame, spoilt, "test")
    assert model.families == {}
    assert np.isnan(chances(model, frame).by_horizon).all()


# -- leakage --------------------------------------------------------------------------------------------------


def test_shuffled_future_changes_no_score(trained: Model):
    """A row is scored from its own values: whatever stands in later weeks, and in which order, moves nothing."""
    test, _ = made(seed=4)
    cut = FIRST + timedelta(weeks=7)
    past, future = test.filter(pl.col("week_start") < cut), test.filter(pl.col("week_start") >= cut)
    shuffled = future.with_columns(pl.col(n).shuffle(seed=1) for n in feature_names(test))
    before = chances(trained, pl.concat([past, future])).by_horizon[: past.height]
    after = chances(trained, pl.concat([past, shuffled])).by_horizon[: past.height]
    assert np.array_equal(before, after)


def test_labels_dealt_at_random_give_chance():
    """Whole histories of labels are dealt to other vehicles: what is left to learn must not help on new vehicles."""
    frame, labelled = made(units=300)
    units = labelled["unit_id"].unique().sort()
    dealt = dict(zip(units, units.shuffle(seed=7), strict=True))
    wrong = labelled.with_columns(pl.col("unit_id").replace_strict(dealt))
    test, known = made(units=300, seed=9)
    hit = hits(known)
    learnt = average_precision(chances(train(frame, labelled, "a"), test).by_horizon[:, 2], hit)
    chance = average_precision(chances(train(frame, wrong, "b"), test).raw[:, 0], hit)
    assert learnt > 0.8
    # With failed parts the share of hits grows week by week; features do not know the week.
    assert chance < 2.0 * hit.mean()


def test_a_unit_lies_in_one_fold_as_a_whole():
    units = np.repeat([f"V{k}" for k in range(40)], 5)
    fold = folds_of(units, 4, seed=0)
    assert {len(set(fold[units == unit])) for unit in set(units)} == {1}
    assert np.bincount(fold).tolist() == [50, 50, 50, 50]


# -- shape ----------------------------------------------------------------------------------------------------


def test_more_of_a_bad_thing_never_lowers_the_chance(trained: Model):
    test, _ = made(units=20, seed=6)
    for name in ("top.gone", "own_z.recovery_s"):
        assert direction(name) == 1
        last = np.zeros(test.height)
        for value in np.linspace(-2, 12, 15):
            likely = chances(trained, test.with_columns(pl.lit(value, pl.Float32).alias(name))).by_horizon
            assert (likely[:, 2] >= last - 1e-12).all()
            last = likely[:, 2]
        assert (last > 0.05).any()


def test_directions_follow_physics():
    assert direction("margin") == -1
    assert {direction(n) for n in ("gone.up_swing_v", "own.x", "peer_z.x", "drift.x", "top.gone", "code", "limits")} == {1}
    assert {direction(n) for n in ("front_gone", "rear_gone", "held")} == {0}


def test_same_seed_same_model_whatever_the_order_of_rows(trained: Model):
    frame, labelled = made()
    again = train(frame.sample(fraction=1, shuffle=True, seed=3), labelled.reverse(), "test")
    test, _ = made(seed=8)
    assert np.array_equal(chances(again, test).by_horizon, chances(trained, test).by_horizon)
    other = train(frame, labelled, "test", seed=1)
    assert not np.array_equal(chances(other, test).by_horizon, chances(trained, test).by_horizon)


def test_missing_features_are_missing_and_an_unknown_family_is_not_judged(trained: Model):
    test, _ = made(units=4, seed=8)
    assert np.isfinite(chances(trained, test.drop("top.gone")).by_horizon).all()
    assert np.isnan(chances(trained, test.with_columns(family=pl.lit("downstream"))).by_horizon).all()


# -- calibration ----------------------------------------------------------------------------------------------


def test_chances_of_new_vehicles_are_calibrated(trained: Model):
    test, known = made(units=400, seed=11)
    hit, likely = hits(known), chances(trained, test).by_horizon[:, 2]
    assert expected_calibration_error(likely, hit) < 0.03
    assert brier(likely, hit) < 0.6 * hit.mean() * (1 - hit.mean())
    assert average_precision(likely, hit) == pytest.approx(average_precision_score(hit, likely))


def test_classifier_beats_its_limits_where_there_is_more_to_see(trained: Model):
    test, known = made(units=400, seed=11)
    hit = hits(known)
    ours = average_precision(chances(trained, test).by_horizon[:, 2], hit)
    assert ours > average_precision(test["limits"].cast(pl.Float64).to_numpy(), hit) + 0.05


def test_a_leaning_model_stands_halfway_and_keeps_its_horizons_in_order() -> None:
    # Log-odds of 0.5 and 0.1 are 0 and -2.197; halfway is -1.099, 0.25: (0.5/0.5 * 0.1/0.9) ** 0.5 = 1/3 odds.
    likely = np.array([[0.3, 0.4, 0.5, 0.7]])
    made = _leant(likely, np.log(np.array([0.1 / 0.9])), 0.5)
    assert made[0, 2] == pytest.approx(0.25)
    assert (np.diff(made) > 0).all()
    assert np.allclose(_leant(likely, np.zeros(1), 0.0), likely)


def test_a_frame_without_any_of_the_features_still_has_its_rows() -> None:
    made_of = matrix(pl.DataFrame({"unit_id": ["V1", "V2"]}), ["gone.x", "own.x"])
    assert made_of.shape == (2, 2) and np.isnan(made_of).all()


def test_a_feature_that_only_one_fleet_reports_does_not_stop_the_training() -> None:
    # Fleets are kept apart as wholes: without the one that reports it, its column has no value at all.
    frame, known = made(units=80)
    numbers = frame["unit_id"].str.slice(1).cast(pl.Int64)
    fleets = frame.with_columns(fleet=(numbers % 2).cast(pl.String))
    told = fleets.with_columns(pl.when(pl.col("fleet") == "1").then(1.0).cast(pl.Float32).alias("drift.recovery_s"))
    model = train(told, known, "one reports it", kept_apart="fleet")
    assert "drift.recovery_s" in model.families["catalyst"].features
    assert np.isfinite(chances(model, told).by_horizon).all()


def test_a_model_that_has_not_seen_the_fleet_gives_no_held_part_much_and_says_nothing_of_what_it_was_not_taught(
    trained: Model,
) -> None:
    frame, _ = made(units=40, seed=5)
    strange = replace(trained, leaning=0.5)
    held = chances(strange, frame.with_columns(status=pl.lit("held"))).by_horizon
    free = chances(strange, frame).by_horizon
    assert free[:, 2].max() > 0.5 and held.max() == pytest.approx(0.1)
    assert np.allclose(held, np.minimum(free, 0.1)) and (np.diff(held) >= 0).all()
    # Nor is it ever surer than limits and trends may be (0.96), and the order of parts stays.
    halfway = _leant(chances(trained, frame).by_horizon, limits_of(frame), 0.5)
    assert free.max() <= 0.96 and np.allclose(free, 0.96 * halfway)
    # Domain reference 4.1: no mixture makes zirconia give 1.2 V; no simulated fleet has that fault.
    over = frame.with_columns(pl.lit(1.67).cast(pl.Float32).alias("gone.down_top_v"))
    assert np.isnan(chances(strange, over).by_horizon).all()
    assert np.allclose(chances(strange, frame.with_columns(pl.lit(0.3).alias("gone.down_top_v"))).by_horizon, free)
    assert not np.isnan(chances(trained, over).by_horizon).any()  # the fleet's own model may have learnt it


# -- levels in place of values ----------------------------------------------------------------------------------


def test_no_more_levels_than_asked_and_each_value_at_the_nearest_of_its_column():
    """Hand-worked: of 1 to 9 the five quantiles are 1, 3, 5, 7, 9; 2 lies half-way and goes down, as trees cut."""
    column = np.array([[1.0, 7.0], [2.0, np.nan], [3.0, 7.0], [4.0, 7.5], [np.nan, 7.5], [5.0, np.nan], [6.0, 7.0],
                       [7.0, 7.0], [8.0, 7.0], [9.0, 7.0]], dtype=np.float32)
    levelled = at_levels(column, 5)
    np.testing.assert_array_equal(levelled[:, 0], np.array([1, 1, 3, 3, np.nan, 5, 5, 7, 7, 9], dtype=np.float32))
    np.testing.assert_array_equal(levelled[:, 1], column[:, 1])  # few enough already
    assert levelled.dtype == np.float32


def test_a_column_without_a_value_has_no_level():
    empty = np.full((4, 1), np.nan, dtype=np.float32)
    np.testing.assert_array_equal(at_levels(empty, 5), empty)


def test_trees_grown_on_levels_put_every_value_where_its_level_went():
    rng = np.random.default_rng(3)
    values = rng.gamma(0.7, size=(4_000, 6)).astype(np.float32) * np.float32(10.0) ** np.arange(-3, 3, dtype=np.float32)
    values[rng.random(values.shape) < 0.1] = np.nan
    failed = rng.random(4_000) < 0.02 + 0.3 * (np.nan_to_num(values[:, 2]) > 0.1)
    levelled = at_levels(values, 64)
    with threadpool_limits(1):
        trees = HistGradientBoostingClassifier(max_bins=64, max_iter=30, early_stopping=False).fit(levelled, failed)
        np.testing.assert_array_equal(trees.decision_function(values), trees.decision_function(levelled))


def test_trees_grown_on_levels_are_as_good_as_those_grown_on_values():
    """On rows neither saw: no more than a hundredth of average precision apart, where the values say something."""
    rng = np.random.default_rng(4)
    values = rng.normal(size=(12_000, 5)).astype(np.float32)
    failed = rng.random(12_000) < 1 / (1 + np.exp(3.5 - 1.5 * values[:, 0] + values[:, 1]))
    kinds = {"values": values[:6_000], "levels": at_levels(values[:6_000], 64)}
    with threadpool_limits(1):
        found = {
            name: average_precision_score(failed[6_000:], HistGradientBoostingClassifier(
                max_bins=64, max_iter=60, early_stopping=False
            ).fit(rows, failed[:6_000]).decision_function(values[6_000:]))
            for name, rows in kinds.items()
        }
    assert found["values"] > 2 * failed[6_000:].mean()
    assert abs(found["values"] - found["levels"]) < 0.01
