"""Downstream sensor: given samples of a bank and fuel cuts -> levels, range and whether it moves when it
must.
"""

from __future__ import annotations

import math

import polars as pl
import pytest

from tests.sql.given import START, banks, counts, cuts, rows, run, values

STEP = "32_downstream"


def test_nothing_makes_nothing():
    assert run(STEP).height == 0


def test_level_and_spread_are_taken_in_settled_driving():
    settled = [True, True, True, False]
    made = run(STEP, banks=banks([0, 1, 2, 3], rear_v=[0.6, 0.7, 0.8, 0.1], rear_ok=settled))
    assert values(made)["down_level_v"] == pytest.approx(0.7)
    assert values(made)["down_spread_v"] == pytest.approx(0.1)
    assert counts(made)["down_level_v"] == 3
    assert made["component"].unique().to_list() == ["B1S2"]


def test_range_and_shares_are_taken_of_all_warm_readings():
    rear = [0.1] * 20 + [0.44] * 10 + [0.6] * 30 + [0.8] * 40
    made = run(STEP, banks=banks(list(range(100)), rear_v=rear, rear_ok=False))
    found = values(made)
    assert found["down_range_v"] == pytest.approx(0.7)
    assert found["down_top_v"] == pytest.approx(0.8)
    assert found["down_low_share"] == pytest.approx(0.2)
    assert found["down_high_share"] == pytest.approx(0.4)
    assert found["down_bias_share"] == pytest.approx(0.1)
    assert "down_level_v" not in found
    assert counts(made)["down_range_v"] == 100


@pytest.mark.parametrize("otherwise", [{"warm": False}, {"running": False}, {"rear_v": None}])
def test_readings_that_do_not_count(otherwise):
    assert run(STEP, banks=banks([0, 1], **({"rear_v": 0.5} | otherwise))).height == 0


def test_flat_in_even_driving_but_moving_in_cuts_is_healthy():
    flat = banks(list(range(100)), rear_v=0.68)
    moved = cuts(*[{"rear_floor_v": 0.08, "rear_fall_s": 1.0, "rear_step_s": 1.0} for _ in range(5)])
    found = values(run(STEP, banks=flat, cuts=moved))
    assert found["down_spread_v"] == pytest.approx(0, abs=1e-6)
    assert found["down_cut_moved_share"] == 1
    assert found["down_cut_floor_v"] == pytest.approx(0.08)
    assert found["down_fall_s"] == 1


def test_a_stuck_sensor_does_not_move_in_cuts_either():
    found = values(
        run(STEP, cuts=cuts({"rear_floor_v": 0.66}, {"rear_floor_v": 0.67}, {"rear_floor_v": 0.1}))
    )
    assert found["down_cut_moved_share"] == pytest.approx(1 / 3)
    assert found["down_cut_floor_v"] == pytest.approx(0.66)


def test_cuts_that_do_not_count():
    events = cuts(
        {"rear_floor_v": 0.6, "warm": False},
        {"rear_floor_v": None},
        {"rear_floor_v": 0.6, "cut_s": 3.9},
    )
    assert run(STEP, cuts=events).height == 0
    made = run(STEP, cuts=pl.concat([events, cuts({"rear_floor_v": 0.1}, unit_id="V2", cut_s=4.0)]))
    assert counts(made)["down_cut_moved_share"] == 1


@pytest.mark.parametrize(("step_s", "fall_s"), [(0.5, 0.3), (2.0, 0.3), (5.0, 1.2), (5.0, 4.0)])
def test_a_fall_is_as_long_at_any_sampling(step_s, fall_s):
    # Worked: polls every step at every phase against a fall that begins at 0; last reading above to first below, given as
    # readings 1 s apart would give it.
    events = []
    for phase in range(200):
        polls = [step_s * (number + (phase + 0.5) / 200) for number in range(-3, 8)]
        before, after = max(t for t in polls if t <= 0), min(t for t in polls if t >= fall_s)
        events.append({"rear_floor_v": 0.08, "rear_fall_s": after - before, "rear_step_s": step_s, "step_s": step_s})
    found = values(run(STEP, cuts=cuts(*events)))
    assert found["down_fall_s"] == pytest.approx(fall_s + 1, abs=0.02)


@pytest.mark.parametrize("lag_s", [0.5, 2.5, 6.0])
@pytest.mark.parametrize("step_s", [0.5, 2.0, 5.0])
def test_readings_of_many_falls_make_up_the_time_of_one(lag_s, step_s):
    # Worked: a first-order sensor falls from 0.75 V towards 0.05 V (air); from 0.6 to 0.3 V takes lag * ln(0.55 / 0.25).
    # At 5 s few single falls show a reading in between; all phases together show the time. 2.0 s, which the published test
    # allows, are a lag of 2.5 s.
    def volts(seconds: float) -> float:
        return 0.05 + 0.7 * math.exp(-seconds / lag_s)

    events = []
    for phase in range(200):
        polls = [volts(step_s * (number + (phase + 0.5) / 200)) for number in range(40)]
        between = sum(0.3 <= reading < 0.6 for reading in polls)
        events.append({"rear_floor_v": min(polls), "rear_between": between, "rear_step_s": step_s})
    found = values(run(STEP, cuts=cuts(*events)))
    assert found["down_fall_dwell_s"] == pytest.approx(lag_s * math.log(0.55 / 0.25), abs=step_s / 100)
    assert 2.5 * math.log(0.55 / 0.25) == pytest.approx(2.0, abs=0.03)


def test_falls_that_a_short_cut_ends_count_with_their_time_alone():
    # Two of three came down; all three were on the way, 1, 2 and 3 readings of 2 s: 12 s for two falls.
    events = cuts(
        {"rear_floor_v": 0.1, "rear_between": 1, "rear_step_s": 2.0},
        {"rear_floor_v": 0.2, "rear_between": 2, "rear_step_s": 2.0},
        {"rear_floor_v": 0.35, "rear_between": 3, "rear_step_s": 2.0},
    )
    made = run(STEP, cuts=events)
    assert values(made)["down_fall_dwell_s"] == pytest.approx(6.0)
    assert counts(made)["down_fall_dwell_s"] == 2
    never = cuts({"rear_floor_v": 0.4, "rear_between": 3, "rear_step_s": 2.0})
    assert "down_fall_dwell_s" not in values(run(STEP, cuts=never))


def test_a_gateway_that_holds_values_cannot_time_a_fall():
    events = cuts({"rear_floor_v": 0.08, "rear_fall_s": 15.0, "rear_step_s": 5.0})
    held = rows("held_days", [{"unit_id": "V1", "day": START.date(), "held_share": 0.7}])
    assert {"down_fall_s", "down_fall_dwell_s"} <= set(values(run(STEP, cuts=events)))
    assert not {"down_fall_s", "down_fall_dwell_s"} & set(values(run(STEP, cuts=events, held_days=held)))
