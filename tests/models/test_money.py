"""Savings follow the derivation, the choice respects bays and bundles, and row order never matters."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from models.money import KINDS, Costs, KindCosts, choose, cost_of_acting, cost_of_waiting, expected_saving, saved_by_acting

# Round planning values of the size of the annual US check-engine repair index (2020: oxygen sensor 243,
# catalyst 1383, parts and labour); breakdown, fuel and damage are invented for these tests.
COSTS = Costs(
    upstream=KindCosts(part=160.0, labour_h=1.0, breakdown=300.0, extra_fuel_per_week=8.0),
    downstream=KindCosts(part=160.0, labour_h=1.0, breakdown=60.0, extra_fuel_per_week=0.0),
    catalyst=KindCosts(part=1220.0, labour_h=2.0, breakdown=400.0, extra_fuel_per_week=4.0),
    labour_rate_per_h=80.0,
    inspection=60.0,
    bay_cost=40.0,
    catalyst_damage_probability_per_week=0.05,
    currency="EUR",
)
RIDE = 40.0


def test_a_failed_part_found_earlier_saves_its_weeks_and_what_is_left_of_the_breakdown():
    # Upstream, 8 + 0.05 * 1380 = 77 a week, breakdown 300 with a chance of 0.5 a week; by hand:
    costs = replace(COSTS, breakdown_probability_per_week=0.5)
    # foreseen, four weeks spared: 4 * 77 + 300 * (1 - 1/16)
    assert saved_by_acting(costs, "upstream", -10, 28) == pytest.approx(308 + 281.25)
    # found two weeks after it failed, two weeks earlier than without: 2 * 77 + 300 * (1/4 - 1/16)
    assert saved_by_acting(costs, "upstream", 14, 28) == pytest.approx(154 + 56.25)
    assert saved_by_acting(costs, "upstream", 28, 28) == saved_by_acting(costs, "upstream", 40, 28) == 0
    # A downstream sensor at 0 a week and a breakdown at once costs it all or nothing.
    assert saved_by_acting(COSTS, "downstream", 0, 7) == pytest.approx(60)
    assert saved_by_acting(COSTS, "downstream", 7, 14) == 0


def parts(*rows):
    """(unit, depot, component, kind, p28, p7) rows."""
    columns = ["unit_id", "depot", "component", "kind", "p28", "p7"]
    return pl.DataFrame(list(rows), schema=columns, orient="row")


def one(kind, p28, p7, costs=COSTS):
    return expected_saving(parts(("V1", "north", "B1S1", kind, p28, p7)), costs).row(0, named=True)


def savings(*rows):
    """(unit, depot, component, p28, expected_saving) rows, ready for `choose`."""
    columns = ["unit_id", "depot", "component", "p28", "expected_saving"]
    frame = pl.DataFrame(list(rows), schema=columns, orient="row")
    return frame.with_columns(ride_along_saving=pl.col("expected_saving") + RIDE)


def picked(frame):
    return [tuple(r) for r in frame.filter("chosen").select("unit_id", "component").iter_rows()]


@pytest.mark.parametrize(
    ("kind", "p28", "p7", "wait", "act"),
    [
        # P upstream 160 + 80 + 40 = 280; D = 300 + 8 + 0.05 * (1220 + 160) = 377; F = 60 + 40 = 100
        ("upstream", 1.0, 1.0, 280 + 377, 280),
        ("upstream", 0.6, 0.2, 0.6 * 280 + 0.2 * 377, 0.6 * 280 + 0.4 * 100),
        ("downstream", 0.5, 0.5, 0.5 * 280 + 0.5 * 60, 0.5 * 280 + 0.5 * 100),
        # P catalyst 1220 + 160 + 40 = 1420; D = 404
        ("catalyst", 0.5, 0.1, 0.5 * 1420 + 0.1 * 404, 0.5 * 1420 + 0.5 * 100),
        ("catalyst", 0.0, 0.0, 0.0, 100.0),
    ],
)
def test_hand_worked_costs(kind, p28, p7, wait, act):
    row = one(kind, p28, p7)
    assert row["wait_cost"] == pytest.approx(wait)
    assert row["act_cost"] == pytest.approx(act)
    assert row["expected_saving"] == pytest.approx(wait - act)
    assert row["ride_along_saving"] == pytest.approx(wait - act + 40)


@pytest.mark.parametrize("kind", KINDS)
def test_certain_failure_saves_and_healthy_part_costs(kind):
    assert one(kind, 1.0, 1.0)["expected_saving"] > 0
    assert one(kind, 1.0, 0.0)["expected_saving"] == 0  # sure to last the week: the next list will do
    assert one(kind, 0.0, 0.0)["expected_saving"] == -100  # inspection and bay
    assert one(kind, 0.0, 0.0)["ride_along_saving"] == -60  # inspection only


@pytest.mark.parametrize("kind", KINDS)
def test_break_even_probability(kind):
    damage = COSTS.damage(kind)
    p = 100 / (100 + damage)
    assert one(kind, p, p)["expected_saving"] == pytest.approx(0, abs=1e-9)
    assert one(kind, p + 0.01, p + 0.01)["expected_saving"] > 0
    assert one(kind, p - 0.01, p - 0.01)["expected_saving"] < 0


@settings(max_examples=100, deadline=None)
@given(
    kind=st.sampled_from(KINDS),
    p=st.lists(st.integers(0, 100), min_size=4, max_size=4).map(sorted),
)
def test_saving_rises_with_either_probability(kind, p):
    low7, high7, low28, high28 = (v / 100 for v in p)
    base = one(kind, low28, low7)
    for dearer in (one(kind, high28, low7), one(kind, low28, high7)):
        assert dearer["expected_saving"] >= base["expected_saving"]
        assert dearer["wait_cost"] >= base["wait_cost"]
    if high28 > low28:
        assert one(kind, high28, low7)["expected_saving"] > base["expected_saving"]
    if high7 > low7:
        assert one(kind, low28, high7)["expected_saving"] > base["expected_saving"]


def test_only_the_upstream_sensor_pays_for_a_ruined_catalyst():
    harmless = replace(COSTS, catalyst_damage_probability_per_week=0.0)
    saved = {
        k: one(k, 1.0, 1.0)["expected_saving"] - one(k, 1.0, 1.0, harmless)["expected_saving"] for k in KINDS
    }
    assert saved == {"upstream": pytest.approx(0.05 * 1380), "downstream": 0.0, "catalyst": 0.0}


def test_costs_on_arrays_equal_costs_on_frames():
    p28, p7 = np.array([0.2, 0.9]), np.array([0.1, 0.5])
    frame = expected_saving(
        parts(("V1", "n", "B1S1", "upstream", 0.2, 0.1), ("V2", "n", "B1S1", "upstream", 0.9, 0.5)), COSTS
    )
    np.testing.assert_allclose(cost_of_waiting(p7, p28, 280.0, 377.0), frame["wait_cost"].to_numpy())
    np.testing.assert_allclose(cost_of_acting(p28, 280.0, 100.0), frame["act_cost"].to_numpy())


def test_bays_are_filled_by_saving_and_never_overfilled():
    frame = savings(
        ("V1", "north", "B1S1", 0.5, 10.0),
        ("V2", "north", "B1S1", 0.5, 30.0),
        ("V3", "north", "B1S1", 0.5, 20.0),
        ("V4", "south", "B1S1", 0.5, 5.0), ("V5", "south", "B1S1", 0.5, -60.0),
    )
    listed = choose(frame, {"north": 2, "south": 2, "unused": 0})
    assert picked(listed) == [("V2", "B1S1"), ("V3", "B1S1"), ("V4", "B1S1")]
    assert listed["rank"].to_list() == [1, 2, 3, 4, 5]
    assert listed["unit_id"].to_list() == ["V2", "V3", "V4", "V1", "V5"]
    assert listed["bundle_saving"].to_list() == [30.0, 20.0, 5.0, 10.0, None]
    assert choose(frame, {"north": 0, "south": 0})["chosen"].sum() == 0


def test_a_job_rides_along_that_would_not_pay_alone():
    frame = savings(
        ("V1", "north", "B1S1", 0.9, 50.0),
        ("V1", "north", "CAT1", 0.3, -10.0),
        ("V1", "north", "B1S2", 0.1, -45.0),
        ("V2", "north", "B1S1", 0.8, 70.0),
    )
    listed = choose(frame, {"north": 1})
    # V1: 50 + (-10 + 40) = 80 beats 70; its B1S2 loses 5 even riding along
    assert picked(listed) == [("V1", "B1S1"), ("V1", "CAT1")]
    assert listed.filter("chosen")["job_saving"].to_list() == [50.0, 30.0]
    assert listed.filter("chosen")["bundle_saving"].to_list() == [80.0, 80.0]


def test_two_jobs_may_pay_for_a_visit_together():
    frame = savings(("V1", "north", "B1S1", 0.4, -5.0), ("V1", "north", "B2S1", 0.4, -10.0))
    assert picked(choose(frame, {"north": 1})) == [("V1", "B1S1"), ("V1", "B2S1")]  # -5 + 30
    alone = savings(("V1", "north", "B1S1", 0.4, -5.0))
    assert picked(choose(alone, {"north": 1})) == []


def test_ties_fall_to_probability_then_unit_then_component():
    frame = savings(
        ("V3", "north", "B1S1", 0.5, 20.0),
        ("V2", "north", "B1S1", 0.5, 20.0),
        ("V1", "north", "B1S1", 0.4, 20.0),
        ("V9", "north", "B1S1", 0.6, 20.0),
        ("V5", "north", "B2S1", 0.2, -90.0),
        ("V5", "north", "B1S1", 0.2, -90.0),
        ("V4", "north", "B1S1", 0.2, -90.0), ("V6", "north", "B1S1", 0.3, -90.0),
    )
    listed = choose(frame, {"north": 3})
    assert listed.select("unit_id", "component").rows() == [
        ("V9", "B1S1"), ("V2", "B1S1"), ("V3", "B1S1"),  # chosen
        ("V1", "B1S1"), ("V6", "B1S1"), ("V4", "B1S1"), ("V5", "B1S1"), ("V5", "B2S1"),
    ]


fleet = st.lists(
    st.tuples(
        st.sampled_from(["V1", "V2", "V3", "V4", "V5"]),
        st.sampled_from(["B1S1", "B1S2", "CAT1"]),
        st.integers(0, 10).map(lambda v: v / 10),
        st.integers(-15, 15).map(lambda v: v * 5.0),
    ),
    min_size=1, max_size=12, unique_by=lambda r: r[:2],
)


@settings(max_examples=150, deadline=None)
@given(rows=fleet, bays=st.tuples(st.integers(0, 3), st.integers(0, 3)), data=st.data())
def test_choice_is_the_best_there_is_whatever_the_row_order(rows, bays, data):
    depot_of = {"V1": "north", "V2": "north", "V3": "north", "V4": "south", "V5": "south"}
    frame = savings(*[(u, depot_of[u], c, p, s) for u, c, p, s in rows])
    room = {"north": bays[0], "south": bays[1]}
    listed = choose(frame, room)

    shuffled = frame[data.draw(st.permutations(range(frame.height)))]
    assert_frame_equal(choose(shuffled, room), listed)

    taken = listed.filter("chosen")
    for depot in room:
        assert taken.filter(depot=depot)["unit_id"].n_unique() <= room[depot]

    def value(jobs):  # every set of jobs: savings, and the visit paid once a vehicle
        visits = {rows[i][0] for i in jobs}
        if any(sum(depot_of[u] == d for u in visits) > room[d] for d in room):
            return -np.inf
        return sum(rows[i][3] + RIDE for i in jobs) - RIDE * len(visits)

    if len(rows) <= 9:
        every = (jobs for k in range(len(rows) + 1) for jobs in combinations(range(len(rows)), k))
        assert taken["job_saving"].sum() == pytest.approx(max(map(value, every)))


def test_input_untouched_and_other_columns_kept():
    frame = parts(("V1", "north", "B1S1", "upstream", 0.6, 0.2)).with_columns(note=pl.lit("x"))
    before = frame.clone()
    costed = expected_saving(frame, COSTS)
    costed_before = costed.clone()
    assert choose(costed, {"north": 1})["note"].to_list() == ["x"]
    assert_frame_equal(frame, before)
    assert_frame_equal(costed, costed_before)


def test_no_parts_no_list():
    empty = parts().cast({"unit_id": pl.String, "depot": pl.String, "component": pl.String,
                          "kind": pl.String, "p28": pl.Float64, "p7": pl.Float64})
    listed = choose(expected_saving(empty, COSTS), {"north": 1})
    assert listed.height == 0 and {"rank", "chosen"} <= set(listed.columns)


GOOD = ("V1", "north", "B1S1", "upstream", 0.5, 0.2)


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ([("V1", "north", "B1S1", "lambda", 0.5, 0.2)], "kind must be one of .*V1"),
        ([("V1", "north", "B1S1", "upstream", 1.5, 0.2)], "p28 must lie in 0..1.*1.5"),
        ([("V1", "north", "B1S1", "upstream", 0.5, float("nan"))], "p7 must lie in 0..1.*nan"),
        ([("V1", "north", "B1S1", "upstream", 0.2, 0.5)], "p7 must not be above p28"),
        ([GOOD, ("V2", "north", "B1S1", "upstream", None, 0.2)], "null in one of .*V2"),
        ([GOOD, GOOD], "the same part twice; 2 rows"),
    ],
)
def test_bad_parts_are_named(rows, message):
    with pytest.raises(ValueError, match=message):
        expected_saving(parts(*rows), COSTS)


def test_missing_column_is_named():
    with pytest.raises(ValueError, match=r"columns \['kind'\] are missing"):
        expected_saving(parts(GOOD).drop("kind"), COSTS)
    with pytest.raises(ValueError, match=r"columns \['expected_saving', 'ride_along_saving'\] are missing"):
        choose(parts(GOOD), {"north": 1})


@pytest.mark.parametrize(
    ("bays", "message"),
    [
        ({"south": 1}, r"bays of every depot, got none for \['north'\]"),
        ({"north": -1}, "whole numbers of 0 or more, got -1 for 'north'"),
        ({"north": 1.5}, "whole numbers of 0 or more, got 1.5"),
    ],
)
def test_bad_bays_are_named(bays, message):
    with pytest.raises(ValueError, match=message):
        choose(savings(("V1", "north", "B1S1", 0.5, 10.0)), bays)


def test_vehicle_in_two_depots_and_endless_saving_are_refused():
    two = savings(("V1", "north", "B1S1", 0.5, 10.0), ("V1", "south", "CAT1", 0.5, 10.0))
    with pytest.raises(ValueError, match="a vehicle in two depots"):
        choose(two, {"north": 1, "south": 1})
    with pytest.raises(ValueError, match="expected_saving must be finite"):
        choose(savings(("V1", "north", "B1S1", 0.5, float("nan"))), {"north": 1})


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"inspection": -1.0}, "inspection must be a finite amount of 0 or more, got -1.0"),
        ({"labour_rate_per_h": float("inf")}, "labour_rate_per_h must be a finite amount"),
        ({"catalyst_damage_probability_per_week": 1.2}, "must lie in 0..1, got 1.2"),
        ({"inspection": 0.0, "bay_cost": 0.0}, "never free"),
    ],
)
def test_bad_costs_are_named(change, message):
    with pytest.raises(ValueError, match=message):
        replace(COSTS, **change)
    with pytest.raises(ValueError, match="breakdown must be a finite amount"):
        KindCosts(part=1.0, labour_h=1.0, breakdown=float("nan"), extra_fuel_per_week=0.0)


def test_a_family_with_a_dearer_catalyst_waits_dearer_upstream_too():
    """Hand-worked: D upstream = 300 + 8 + 0.05 * (2000 + 2 * 80) = 416 instead of 377; P stays 280."""
    dear = replace(COSTS, families={"T12": {"catalyst": replace(COSTS.catalyst, part=2000.0)}})
    frame = parts(("V1", "north", "B1S1", "upstream", 1.0, 1.0), ("V2", "north", "B1S1", "upstream", 1.0, 1.0))
    priced = expected_saving(frame.with_columns(engine_family=pl.Series(["T12", "T15"])), dear)
    assert priced["wait_cost"].to_list() == pytest.approx([280 + 416, 280 + 377])


def test_ends_of_the_chance_give_the_ends_of_the_saving():
    ends = {"p28_low": 0.4, "p28_high": 0.8, "p7_low": 0.1, "p7_high": 0.3}
    frame = parts(("V1", "north", "B1S1", "upstream", 0.6, 0.2)).with_columns(**{k: pl.lit(v) for k, v in ends.items()})
    row = expected_saving(frame, COSTS).row(0, named=True)
    assert row["saving_low"] == pytest.approx(0.1 * 377 - 0.6 * 100)
    assert row["saving_high"] == pytest.approx(0.3 * 377 - 0.2 * 100)
    assert row["saving_low"] < row["expected_saving"] < row["saving_high"]
