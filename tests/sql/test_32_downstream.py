"""Downstream sensor: given samples of a bank and fuel cuts -> levels, range and whether it moves when it
must.
"""

from __future__ import annotations

import polars as pl
import pytest

from tests.sql.given import banks, counts, cuts, run, values

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
    moved = cuts(*[{"rear_floor_v": 0.08, "rear_fall_s": 1.0} for _ in range(5)])
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
