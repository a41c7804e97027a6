"""Metrics against hand-worked tables, and the fleet summary on a fleet small enough to count."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal
from scipy.stats import binomtest
from sklearn.metrics import average_precision_score, brier_score_loss

from models.evaluate import (
    average_precision,
    brier,
    evaluate_lists,
    expected_calibration_error,
    lead_days,
    positive_predictive_value,
    precision_at,
    recall_with_lead,
    reliability_curve,
)
from models.resampling import bootstrap_interval

def test_average_precision_by_hand():
    """Hits at places 1, 3 and 6: (1/1 + 2/3 + 3/6) / 3."""
    scores = [0.9, 0.8, 0.7, 0.6, 0.5, 0.4]
    assert average_precision(scores, [1, 0, 1, 0, 0, 1]) == pytest.approx((1 + 2 / 3 + 1 / 2) / 3)
    # a tie of a hit and a miss is one threshold, whichever comes first: 1/2
    assert average_precision([0.5, 0.5], [1, 0]) == average_precision([0.5, 0.5], [0, 1]) == 0.5
    assert np.isnan(average_precision([0.5, 0.4], [0, 0]))


def test_precision_at_by_hand():
    order, hits = [3, 1, 2, 4], [True, True, False, True]  # by rank: hit, miss, hit, hit
    assert precision_at(1, order, hits) == 1.0
    assert precision_at(2, order, hits) == 0.5
    assert precision_at(3, order, hits) == pytest.approx(2 / 3)
    assert precision_at(10, order, hits) == 0.75  # four rows, not ten
    assert np.isnan(precision_at(10, [], []))


def test_brier_by_hand():
    assert brier([0.9, 0.2, 0.5], [1, 0, 1]) == pytest.approx((0.01 + 0.04 + 0.25) / 3)


def test_calibration_error_by_hand():
    """Two bins: 0.1 against 1 of 4, 0.8 against 2 of 4 -> (4 * 0.15 + 4 * 0.30) / 8."""
    p, y = [0.1] * 4 + [0.8] * 4, [1, 0, 0, 0, 1, 1, 0, 0]
    assert expected_calibration_error(p, y, bins=2) == pytest.approx(0.225)
    curve = reliability_curve(p, y, bins=2)
    assert curve.n.tolist() == [4, 4] and curve.observed.tolist() == [0.25, 0.5]


def test_calibration_error_does_not_depend_on_order_and_shrinks_when_calibrated():
    rng = np.random.default_rng(2)
    p = rng.beta(0.5, 5, 20_000).round(2)
    y = rng.random(20_000) < p
    order = rng.permutation(20_000)
    assert expected_calibration_error(p[order], y[order]) == pytest.approx(expected_calibration_error(p, y))
    assert expected_calibration_error(p, y) < 0.01 < expected_calibration_error(np.sqrt(p), y)


def test_empty_lists_have_no_value():
    assert np.isnan([brier([], []), expected_calibration_error([], []), recall_with_lead([])]).all()
    assert reliability_curve([], []).n.size == 0


def test_lead_days_and_recall():
    failed = np.array(["2024-03-11", "2024-03-11", "2024-03-11", "2024-03-11"], "datetime64[D]")
    listed = np.array(["2024-02-26", "2024-03-05", "NaT", "2024-03-18"], "datetime64[D]")
    leads = lead_days(failed, listed)
    np.testing.assert_array_equal(leads, [14, 6, np.nan, np.nan])
    assert recall_with_lead(leads) == 0.25
    assert recall_with_lead(leads, min_days=6) == 0.5
    assert recall_with_lead(leads, min_days=0) == 0.5


def test_predictive_value_edges_and_table():
    """2x2 table of 1,000: 40 sick (30 found), 960 well (96 called): 30 of 126 calls are right."""
    assert positive_predictive_value(0.04, 0.75, 0.9) == pytest.approx(30 / 126)
    values = positive_predictive_value([0.0, 1.0, 0.5], [0.5, 0.5, 0.0], [0.5, 0.5, 1.0])
    np.testing.assert_array_equal(values, [0.0, 1.0, np.nan])


def test_bootstrap_resamples_whole_units():
    """Ten rows of one unit carry no more than one: the interval equals that of one row a unit."""
    rng = np.random.default_rng(3)
    values = rng.normal(size=40)
    once = bootstrap_interval(lambda r: values[r].mean(), np.arange(40), n=400, seed=5)
    many = np.repeat(values, 10)
    tenfold = bootstrap_interval(lambda r: many[r].mean(), np.repeat(np.arange(40), 10), n=400, seed=5)
    assert (tenfold.low, tenfold.high) == pytest.approx((once.low, once.high))
    by_row = bootstrap_interval(lambda r: many[r].mean(), np.arange(400), n=400, seed=5)
    assert by_row.high - by_row.low < 0.5 * (once.high - once.low)


def test_bootstrap_interval_covers_the_truth():
    """Units of five alike rows, 90 % asked: 300 repeats, binomial sd 1.7 %."""
    rng = np.random.default_rng(6)
    inside = 0
    for repeat in range(300):
        values = np.repeat(rng.normal(size=60), 5)
        units = np.repeat(np.arange(60), 5)
        result = bootstrap_interval(lambda r: values[r].mean(), units, n=200, seed=repeat)
        inside += result.low <= 0 <= result.high
    assert 0.84 <= inside / 300 <= 0.95


def test_bootstrap_edges():
    same = [bootstrap_interval(lambda r: float(r.sum()), np.arange(9), seed=2, n=50) for _ in range(2)]
    assert same[0] == same[1]
    one_unit = bootstrap_interval(lambda r: float(r.size), ["a", "a", "a"], n=50)
    assert one_unit.estimate == 3.0 and np.isnan([one_unit.low, one_unit.high]).all()
    never = bootstrap_interval(lambda r: np.nan, np.arange(5), n=50)
    assert np.isnan(never.low) and never.resamples == 0
    # defined only where row 0 was drawn, about 63 % of the resamples
    rare = bootstrap_interval(lambda r: 1.0 if 0 in r else np.nan, np.arange(50), n=200)
    assert 0.5 * 200 < rare.resamples < 0.8 * 200 and rare.low == rare.high == 1.0


def test_a_share_that_all_units_agree_on_is_no_certainty():
    """No case in 30 units: exact 90 % interval 0 to 0.0950 (rule of three, 3/30, common practice), scipy beside it; a hundred
    rows of each unit say no more than one, and what is no share keeps its resamples."""
    exact = binomtest(0, 30).proportion_ci(0.90, "exact")
    units = np.repeat(np.arange(30), 100)
    none, all_of_them = np.zeros(3000), np.ones(3000)
    made = bootstrap_interval(lambda r: none[r].mean(), units, n=20, share=True)
    assert (made.low, made.high) == pytest.approx((0.0, 0.0950), abs=5e-5)
    assert made.high == pytest.approx(exact.high)
    made = bootstrap_interval(lambda r: all_of_them[r].mean(), units, n=20, share=True)
    assert (made.low, made.high) == pytest.approx((1 - 0.0950, 1.0), abs=5e-5)
    made = bootstrap_interval(lambda r: none[r].mean(), units, n=20)
    assert (made.low, made.high) == (0.0, 0.0)


def test_lists_without_a_wrong_part_do_not_promise_that_there_is_none():
    """Twelve vehicles, each listed once and failed: 1 - 0.05 ** (1 / 12) = 0.221."""
    week, rows = date(2024, 3, 4), [f"V{k:02}" for k in range(12)]
    listed = pl.DataFrame({"week_start": [week] * 12, "rank": range(1, 13), "unit_id": rows, "component": ["CAT1"] * 12})
    events = pl.DataFrame({"unit_id": rows, "component": ["CAT1"] * 12, "failed_on": [date(2024, 3, 1)] * 12,
                           "repaired_on": pl.Series([None] * 12, dtype=pl.Date)})
    found = evaluate_lists(listed, listed.select("week_start", "unit_id", "component", probability=pl.lit(0.9)), events)
    assert found["wrong_component_rate"]["value"] == 0.0
    assert found["wrong_component_rate"]["high"] == pytest.approx(0.221, abs=5e-4)
    assert found["precision_at_10"]["low"] == pytest.approx(0.05 ** (1 / 10))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: brier([1.2], [1]), "p must be .* 0..1"),
        (lambda: brier([np.nan], [1]), "p must be .* 0..1"),
        (lambda: brier([0.2], [2]), "y must be 0/1 or bool, got"),
        (lambda: brier([0.2], [1, 0]), "y must be one-dimensional"),
        (lambda: average_precision([np.nan, 1], [1, 0]), "scores must be finite"),
        (lambda: precision_at(0, [1], [1]), "k must be 1 or more"),
        (lambda: precision_at(1, [1, 1], [1, 0]), "without ties"),
        (lambda: reliability_curve([0.1], [0], bins=0), "bins must be 1 or more, got 0"),
        (lambda: reliability_curve([0.1], [0], confidence=90), "confidence must be between 0 and 1"),
        (lambda: positive_predictive_value(0.46, 80, 0.99), "sensitivity must lie in 0..1, got 80"),
        (lambda: bootstrap_interval(len, [1, 2], n=-1), "n must be 0 or more resamples"),
        (lambda: lead_days(["2024-01-01"], ["2024-01-01", "NaT"]), "first_listed must have the shape"),
    ],
)
def test_bad_arguments_are_named(call, message):
    with pytest.raises(ValueError, match=message):
        call()


MONDAY = date(2024, 1, 1)
COMPONENTS = ("B1S1", "B1S2", "CAT1")


def week(i):
    return MONDAY + timedelta(weeks=i)


def day(i):
    return MONDAY + timedelta(days=i)


def table_events(*rows):
    schema = {"unit_id": pl.String, "component": pl.String, "failed_on": pl.Date, "repaired_on": pl.Date}
    return pl.DataFrame(list(rows), schema=schema, orient="row")


def table_lists(*rows):
    """(week number, rank, unit, component) rows."""
    rows = [(week(w), rank, unit, component, 0.5) for w, rank, unit, component in rows]
    schema = {"week_start": pl.Date, "rank": pl.Int64, "unit_id": pl.String, "component": pl.String,
              "probability": pl.Float64}
    return pl.DataFrame(rows, schema=schema, orient="row")


def table_scores(units, weeks, probability=0.1):
    rows = [(week(w), u, c, probability) for w in range(weeks) for u in units for c in COMPONENTS]
    return pl.DataFrame(rows, schema=["week_start", "unit_id", "component", "probability"], orient="row")


def hand_case():
    """Three vehicles, four weekly lists.

    V1 B1S1 fails on day 20, is repaired on day 23. V2 CAT1 failed before the first list and stays so.
    """
    events = table_events(("V1", "B1S1", day(20), day(23)), ("V2", "CAT1", day(-30), None))
    lists = table_lists(
        (0, 1, "V2", "CAT1"), (0, 2, "V3", "B1S1"),  # hit (failed before), false
        (1, 1, "V1", "B1S1"), (1, 2, "V2", "CAT1"),  # hit 13 days ahead, hit
        (1, 3, "V2", "B1S1"),  # wrong component
        (2, 1, "V1", "B1S1"),  # hit, 6 days ahead
        (3, 1, "V1", "B1S1"),  # day 21: failed on 20, repaired on 23: still a hit
    )
    return lists, table_scores(("V1", "V2", "V3"), 4), events


def test_summary_by_hand():
    out = evaluate_lists(*hand_case(), resamples=50)
    value = {name: entry["value"] for name, entry in out.items()}
    n = {name: entry["n"] for name, entry in out.items()}
    # weekly precision 1/2, 2/3, 1, 1
    assert value["precision_at_10"] == value["precision_at_20"] == pytest.approx((1 / 2 + 2 / 3 + 2) / 4)
    assert (value["listed_rows"], n["listed_rows"], n["precision_at_10"]) == (7, 4, 4)
    assert (value["recall_with_lead"], n["recall_with_lead"]) == (1.0, 1)  # V2 failed before the span
    assert (value["median_lead_days"], n["median_lead_days"]) == (13.0, 1)
    assert value["false_alarms_per_100_unit_weeks"] == pytest.approx(100 * 2 / 12)
    assert n["false_alarms_per_100_unit_weeks"] == 12
    assert (value["wrong_component_rate"], n["wrong_component_rate"]) == (pytest.approx(1 / 7), 7)
    # V1 B1S1 is a hit in weeks 0 to 3 (day 0 to 21), V2 CAT1 in all four: 8 of 36 scores
    assert (value["prevalence"], n["prevalence"]) == (pytest.approx(8 / 36), 36)
    assert value["average_precision"] == pytest.approx(8 / 36)  # one probability for all
    assert value["brier"] == pytest.approx((8 * 0.81 + 28 * 0.01) / 36)
    assert value["expected_calibration_error"] == pytest.approx(8 / 36 - 0.1)
    for entry in out.values():
        if entry["low"] is not None:
            assert entry["low"] <= entry["high"]


@pytest.mark.parametrize(
    ("failed", "repaired", "hit"),
    [
        (0, None, True),  # on the day of the list
        (27, None, True),  # last day of the 28
        (28, None, False),
        (-1, None, True),  # before, never repaired
        (-9, -1, False),  # before, repaired the day before
        (-9, 0, True),  # repaired on the day: not before it
        (10, 12, True),
    ],
)
def test_the_28_day_rule(failed, repaired, hit):
    events = table_events(("V1", "B1S1", day(failed), None if repaired is None else day(repaired)))
    lists = table_lists((0, 1, "V1", "B1S1"))
    out = evaluate_lists(lists, table_scores(("V1", "V2"), 1), events, resamples=0)
    assert out["precision_at_10"]["value"] == float(hit)
    assert out["prevalence"]["value"] == (1 / 6 if hit else 0.0)
    other = evaluate_lists(table_lists((0, 1, "V1", "CAT1")), table_scores(("V1",), 1), events, resamples=0)
    assert other["wrong_component_rate"]["value"] == float(hit)


@pytest.mark.parametrize(
    ("failed", "listed_weeks", "recall", "lead"),
    [
        (20, (0,), 1.0, 20.0),
        (20, (2,), 0.0, 6.0),  # listed, but too late to plan
        (20, (0, 1, 2), 1.0, 20.0),
        (20, (3,), 0.0, None),  # only after it failed
        (6, (0,), None, None),  # fails before first list + 7 d: nobody could have foreseen it in time
        (7, (0,), 1.0, 7.0),
        (41, (0, 5), 0.0, 6.0),  # the listing 41 days before promised 28 days and was wrong
        (42, (0, 2, 5), None, None),  # after the last list's own week: later lists could still have caught it
    ],
)
def test_lead_and_span(failed, listed_weeks, recall, lead):
    """Lists in weeks 0 to 5; another vehicle keeps each list from being empty."""
    rows = [(w, 1, "V2", "B1S1") for w in range(6)] + [(w, 2, "V1", "B1S1") for w in listed_weeks]
    events = table_events(("V1", "B1S1", day(failed), None))
    out = evaluate_lists(table_lists(*rows), table_scores(("V1", "V2"), 6), events, resamples=0)
    assert out["recall_with_lead"]["value"] == recall
    assert out["median_lead_days"]["value"] == lead


def test_empty_lists_at_either_end_foresee_nothing_and_drop_no_failure():
    # Lists were made in weeks 0 to 5; only that of week 2 holds a row. Failures on day 10 and 38 had lists before them.
    events = table_events(("V1", "B1S1", day(10), day(12)), ("V1", "CAT1", day(38), None), ("V2", "CAT1", day(25), None))
    lists, scores = table_lists((2, 1, "V2", "CAT1")), table_scores(("V1", "V2"), 6)
    out = evaluate_lists(lists, scores, events, resamples=0)
    assert out["recall_with_lead"] == {"value": pytest.approx(1 / 3), "low": None, "high": None, "n": 3}
    nothing = evaluate_lists(lists.clear(), scores, events, resamples=0)
    assert (nothing["recall_with_lead"]["value"], nothing["recall_with_lead"]["n"]) == (0.0, 3)


def test_a_hit_beside_another_sick_part_is_no_wrong_component():
    events = table_events(("V1", "B1S1", day(5), None), ("V1", "CAT1", day(9), None))
    lists = table_lists((0, 1, "V1", "B1S1"), (0, 2, "V1", "B1S2"))
    out = evaluate_lists(lists, table_scores(("V1",), 1), events, resamples=0)
    assert out["wrong_component_rate"]["value"] == out["precision_at_10"]["value"] == 0.5


def test_longer_look_back_is_an_argument():
    rows = [(w, 1, "V2", "B1S1") for w in range(6)] + [(0, 2, "V1", "B1S1")]
    events = table_events(("V1", "B1S1", day(38), None))
    case = table_lists(*rows), table_scores(("V1", "V2"), 6), events
    assert evaluate_lists(*case, resamples=0)["recall_with_lead"]["value"] == 0.0
    assert evaluate_lists(*case, max_lead_days=60, resamples=0)["median_lead_days"]["value"] == 38.0


def test_listing_of_an_earlier_failure_does_not_foresee_the_next():
    events = table_events(("V1", "B1S1", day(9), day(15)), ("V1", "B1S1", day(30), None))
    rows = [(w, 1, "V2", "B1S1") for w in range(6)] + [(1, 2, "V1", "B1S1"), (2, 2, "V1", "B1S1")]
    out = evaluate_lists(table_lists(*rows), table_scores(("V1", "V2"), 6), events, resamples=0)
    # first failure: listed on day 7, two days ahead. Second: lists of day 7 and 14 belong to the first
    assert out["recall_with_lead"] == {"value": 0.0, "low": None, "high": None, "n": 2}
    assert out["median_lead_days"]["value"] == 2.0 and out["median_lead_days"]["n"] == 1


def test_failures_of_units_never_judged_count_as_missed():
    events = table_events(("V1", "B1S1", day(20), None), ("unknown", "B1S1", day(20), None))
    lists = table_lists(*[(w, 1, "V1", "B1S1") for w in range(4)])
    out = evaluate_lists(lists, table_scores(("V1",), 4), events, resamples=0)
    assert out["recall_with_lead"]["value"] == 0.5 and out["recall_with_lead"]["n"] == 2


def test_precision_takes_the_first_ranks_of_each_week():
    """Week 0: 12 rows, the hit at rank 11. Week 1: one row, a hit."""
    units = [f"V{i:02d}" for i in range(12)]
    lists = table_lists(*[(0, i + 1, u, "B1S1") for i, u in enumerate(units)], (1, 1, "V10", "B1S1"))
    events = table_events(("V10", "B1S1", day(10), None))
    out = evaluate_lists(lists, table_scores(units, 2), events, resamples=0)
    assert out["precision_at_10"]["value"] == pytest.approx((0 + 1) / 2)
    assert out["precision_at_20"]["value"] == pytest.approx((1 / 12 + 1) / 2)


def random_fleet(seed):
    """30 vehicles, 8 weeks, scores that know something; the list is the 12 highest of each week."""
    rng = np.random.default_rng(seed)
    units = [f"V{i:02d}" for i in range(30)]
    failing = {(u, str(rng.choice(COMPONENTS))): int(rng.integers(5, 50)) for u in units[:10]}
    scores = table_scores(units, 8).with_columns(
        probability=pl.Series(rng.beta(1, 9, 30 * 8 * 3).round(3))
        + pl.Series([0.4 * ((r[1], r[2]) in failing) for r in table_scores(units, 8).rows()])
    ).with_columns(pl.col("probability").clip(0, 1))
    lists = (
        scores.sort("week_start", -pl.col("probability"), "unit_id", "component")
        .with_columns(rank=pl.int_range(1, pl.len() + 1).over("week_start")).filter(pl.col("rank") <= 12)
    )
    events = table_events(*[(u, c, day(d), day(d + 9) if d % 2 else None) for (u, c), d in failing.items()])
    return lists, scores, events


def test_average_precision_and_brier_of_a_fleet_equal_scikit_learn():
    lists, scores, events = random_fleet(1)
    truth = {(r["unit_id"], r["component"]): r for r in events.rows(named=True)}
    y = []
    for r in scores.rows(named=True):  # the rule once more, row by row
        event = truth.get((r["unit_id"], r["component"]))
        ahead = event and 0 <= (event["failed_on"] - r["week_start"]).days < 28
        still = event and event["failed_on"] < r["week_start"] and (
            event["repaired_on"] is None or event["repaired_on"] >= r["week_start"]
        )
        y.append(bool(ahead or still))
    out = evaluate_lists(lists, scores, events, resamples=0)
    p = scores["probability"].to_numpy()
    assert 0 < sum(y) < len(y)
    assert out["average_precision"]["value"] == pytest.approx(average_precision_score(y, p))
    assert out["brier"]["value"] == pytest.approx(brier_score_loss(y, p))


def test_summary_is_deterministic_and_leaves_its_input_alone():
    case = random_fleet(2)
    before = [frame.clone() for frame in case]
    first = evaluate_lists(*case, resamples=30)
    shuffled = [frame.sample(fraction=1, shuffle=True, seed=7) for frame in case]
    assert evaluate_lists(*shuffled, resamples=30) == first
    for frame, copy in zip(case, before, strict=True):
        assert_frame_equal(frame, copy)
    for name in ("precision_at_10", "recall_with_lead", "average_precision", "brier"):
        assert first[name]["low"] <= first[name]["value"] <= first[name]["high"]
    assert first["brier"]["low"] < first["brier"]["high"]


def test_nothing_listed_and_nothing_failed():
    lists, scores, _ = hand_case()
    out = evaluate_lists(lists.clear(), scores, table_events(), resamples=10)
    for name in ("precision_at_10", "recall_with_lead", "median_lead_days", "wrong_component_rate"):
        assert (out[name]["value"], out[name]["n"]) == (None, 0)
    assert out["average_precision"]["value"] is None
    assert out["false_alarms_per_100_unit_weeks"]["value"] == 0.0
    assert out["brier"]["value"] == pytest.approx(0.01)


def test_repaired_column_may_be_all_null():
    lists, scores, events = hand_case()
    open_only = events.filter(pl.col("repaired_on").is_null())
    untyped = open_only.with_columns(repaired_on=pl.lit(None))
    assert untyped.schema["repaired_on"] == pl.Null
    expected = evaluate_lists(lists, scores, open_only, resamples=0)
    assert evaluate_lists(lists, scores, untyped, resamples=0) == expected


def spoil(lists=None, scores=None, events=None):
    tables = dict(zip(("lists", "scores", "events"), hand_case(), strict=True))
    for name, change in (("lists", lists), ("scores", scores), ("events", events)):
        if change is not None:
            tables[name] = change(tables[name])
    return tables


@pytest.mark.parametrize(
    ("tables", "message"),
    [
        (spoil(lists=lambda t: t.drop("rank")), r"lists: columns \['rank'\] are missing"),
        (spoil(scores=lambda t: t.cast({"week_start": pl.Datetime})), "week_start must be of type Date"),
        (spoil(lists=lambda t: t.with_columns(rank=pl.lit(1))), "lists: rank twice in a week"),
        (spoil(lists=lambda t: pl.concat([t, t])), r"lists: the same .* twice; 14 rows, first: .*V2"),
        (spoil(scores=lambda t: t.filter(unit_id="V2")), "lists: row is not among the scores"),
        (spoil(scores=lambda t: t.with_columns(probability=pl.lit(1.5))), "scores: probability outside 0..1"),
        (spoil(scores=lambda t: t.with_columns(probability=pl.lit(np.nan))), "probability outside 0..1"),
        (spoil(events=lambda t: t.with_columns(unit_id=pl.lit(None, pl.String))), "events: null in one of"),
        (
            spoil(events=lambda t: t.with_columns(repaired_on=pl.col("failed_on") - pl.duration(days=1))),
            "events: repaired before it failed; 2 rows",
        ),
    ],
)
def test_bad_tables_are_named(tables, message):
    with pytest.raises(ValueError, match=message):
        evaluate_lists(**tables)
