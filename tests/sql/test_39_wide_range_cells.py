"""Wide-range sensor by operating point: given samples and cuts -> errors, table, delay, conflict."""

from __future__ import annotations

from datetime import UTC, datetime
from math import sqrt

import numpy as np
import polars as pl
import pytest

from tests.sql.given import START, banks, counts, cuts, run, values

STEP = "39_wide_range_cells"
LIMITS = {
    "cell_readings": 2.0,
    "under_load_pct": 45.0,
    "cut_lambda": 1.3,
    "recovery_most_s": 60.0,
    "timing_step_s": 1.5,
    "block_s": 60.0,
    "block_readings": 3.0,
    "conflict_ratio": 0.01,
    "rear_rich_v": 0.5,
    "rear_lean_v": 0.3,
}


def wide(seconds: list[float], **columns: object) -> pl.DataFrame:
    return banks(seconds, kind="wide_range", **columns)


def made_of(**tables: pl.DataFrame) -> pl.DataFrame:
    return run(STEP, params=LIMITS, **tables)


def test_nothing_makes_nothing():
    assert made_of().height == 0


def test_a_single_reading_is_a_cell_and_nothing_more():
    made = made_of(banks=wide([0], front_lambda=1.02))
    assert values(made, "B1S1") == pytest.approx({"wide_cruise_offset": 0.02})
    assert counts(made) == {"wide_cruise_offset": 1}


def test_a_target_held_from_a_fuel_cut_is_no_target():
    """No operating point in closed loop is told to burn as lean as air (common practice)."""
    made = made_of(banks=wide(list(range(6)), front_lambda=1.02, lambda_target=[1.0] * 2 + [1.9999] * 4))
    assert values(made, "B1S1")["wide_cruise_offset"] == pytest.approx(0.02, rel=1e-5)
    assert counts(made)["wide_cruise_offset"] == 2


# Two readings at idle, six at cruise, three under load, one that is none of them.
CELLS = {
    "idle": [True] * 2 + [False] * 10,
    "cruise": [False] * 2 + [True] * 6 + [False] * 4,
    "load_pct": [20.0] * 8 + [60.0] * 3 + [30.0],
    "front_lambda": [1.03, 1.05, *([1.01] * 6), 0.90, 0.92, 0.94, 5.0],
    "lambda_target": [1.0] * 8 + [0.9] * 3 + [1.0],
}


def test_errors_by_cell_against_the_commanded_lambda():
    made = made_of(banks=wide(list(range(12)), **CELLS))
    found = values(made)
    assert found["wide_idle_offset"] == pytest.approx(0.04, rel=1e-5)
    assert found["wide_cruise_offset"] == pytest.approx(0.01, rel=1e-4)
    assert found["wide_load_offset"] == pytest.approx(0.02, rel=1e-4)
    # Each cell weighs the same, however much of the day it fills.
    assert found["wide_cell_offset"] == pytest.approx((0.04 + 0.01 + 0.02) / 3, rel=1e-4)
    samples = counts(made)
    assert [samples[f"wide_{cell}_offset"] for cell in ("idle", "cruise", "load", "cell")] == [2, 6, 3, 11]


def test_a_cell_needs_enough_readings_and_the_mean_two_cells():
    frame = wide(list(range(12)), **CELLS)
    found = values(run(STEP, params=LIMITS | {"cell_readings": 3.0}, banks=frame))
    assert found["wide_cell_offset"] == pytest.approx((0.01 + 0.02) / 2, rel=1e-4)
    found = values(run(STEP, params=LIMITS | {"cell_readings": 4.0}, banks=frame))
    assert "wide_cell_offset" not in found


@pytest.mark.parametrize(
    "otherwise", [{"kind": "narrowband"}, {"running": False}, {"front_ok": False}, {"front_lambda": None}]
)
def test_readings_that_do_not_count(otherwise):
    given = {"kind": "wide_range", "front_lambda": 1.0} | otherwise
    assert made_of(banks=banks([0, 1], **given)).height == 0


def test_spread_in_even_driving():
    seen = [1.01, 0.99, 1.02, 3.0, 3.0]
    steady = [True, True, True, False, True]
    cruise = [True, True, True, True, False]
    made = made_of(banks=wide(list(range(5)), front_lambda=seen, steady=steady, cruise=cruise))
    assert values(made)["wide_steady_spread"] == pytest.approx(np.std(seen[:3], ddof=1), rel=1e-4)


# -- published table -----------------------------------------------------------------------------------------

# Supplier product information of a planar five-wire sensor: 2.54 mA in air.
TABLE = [(-0.405, 0.9), (-0.183, 0.95), (-0.04, 0.99), (0.0, 1.003), (0.097, 1.05), (0.329, 1.179)]


@pytest.mark.parametrize("air_ma", [2.54, 1.27, 6.0])
@pytest.mark.parametrize(("current", "expected"), [*TABLE, (0.5, 1.304), (-0.5, 0.8808)])
def test_current_and_lambda_of_the_published_table_agree_whatever_the_design(current, expected, air_ma):
    # The last two lie between nodes: 1.304 and 0.8808, worked by going straight in lambda.
    frame = wide([0, 1], front_lambda=expected, front_ma=current * air_ma / 2.54)
    found = values(made_of(banks=frame, cuts=cuts({"front_ma": air_ma}, kind="wide_range")))
    assert found["wide_table_error"] == pytest.approx(0, abs=2e-4)


def test_lambda_off_the_table_is_its_error():
    frame = wide([0, 1, 2], front_lambda=[1.06, 1.08, 1.0], front_ma=[0.097, 0.097, None])
    made = made_of(banks=frame, cuts=cuts({"front_ma": 2.54}, kind="wide_range"))
    assert values(made)["wide_table_error"] == pytest.approx(0.02, abs=1e-5)
    assert counts(made)["wide_table_error"] == 2


@pytest.mark.parametrize("event", [{"front_ma": None}, {"front_ma": 2.5, "warm": False}, {"front_ma": -1.0}])
def test_without_an_own_level_in_air_the_table_is_not_read(event):
    frame = wide([0, 1], front_lambda=1.0, front_ma=0.0)
    assert "wide_table_error" not in values(made_of(banks=frame, cuts=cuts(event, kind="wide_range")))


def test_currents_beyond_the_table_are_left_out():
    frame = wide([0, 1], front_lambda=1.0, front_ma=[2.0, -2.0])
    assert "wide_table_error" not in values(
        made_of(banks=frame, cuts=cuts({"front_ma": 2.54}, kind="wide_range"))
    )


# -- back from a fuel cut ------------------------------------------------------------------------------------


def back(seen: list[float], event: dict | None = None, **columns: object) -> dict[str, float]:
    """A cut over the first six seconds of a trip, then readings each second."""
    seconds = list(range(len(seen)))
    since = [0.0] * 7 + [float(second - 6) for second in seconds[7:]]
    frame = wide(seconds, front_lambda=seen, since_cut_s=since, front_ok=False, **columns)
    given = {"front_lambda": 1.9, "cut_s": 6.0} | (event or {})
    return values(made_of(banks=frame, cuts=cuts(given, kind="wide_range")))


LEAN = [1.9] * 7


def test_the_way_back_is_timed_from_the_end_of_the_cut():
    assert back([*LEAN, 1.8, 1.6, 1.2, 0.98])["wide_back_delay_s"] == 3
    assert back([*LEAN, 0.98, 0.98])["wide_back_delay_s"] == 1


@pytest.mark.parametrize(
    "event", [{"step_s": 2.0}, {"warm": False}, {"front_lambda": 1.2}, {"front_lambda": None}, {"cut_s": 5.0}]
)
def test_a_way_back_that_tells_nothing(event):
    # Sampled too slowly, cold, never lean, or another event than the one that ended then.
    assert "wide_back_delay_s" not in back([*LEAN, 1.8, 1.2], event)


def test_a_sensor_that_does_not_come_back_is_not_timed():
    assert "wide_back_delay_s" not in back([*LEAN, 1.8, 1.8])


def test_the_median_over_cuts():
    first = wide([7, 8], front_lambda=[1.8, 1.0], since_cut_s=[1.0, 2.0])
    second = wide([67, 68, 69, 70], front_lambda=[1.8, 1.8, 1.8, 1.0], since_cut_s=[1.0, 2.0, 3.0, 4.0])
    events = cuts({"front_lambda": 1.9}, {"front_lambda": 1.9}, kind="wide_range")
    made = made_of(banks=pl.concat([first, second]), cuts=events)
    assert values(made)["wide_back_delay_s"] == 3
    assert counts(made)["wide_back_delay_s"] == 2


# -- against the downstream sensor ---------------------------------------------------------------------------


def test_minutes_in_which_both_sensors_contradict_each_other():
    seconds = [*range(0, 60, 10), *range(60, 120, 10), *range(120, 180, 10), *range(180, 240, 10)]
    minute = np.repeat([0, 1, 2, 3], 6)
    front = np.array([1.03, 0.97, 1.03, 1.0])[minute].tolist()  # lean, rich, lean, right
    rear = np.array([0.7, 0.2, 0.2, 0.7])[minute].tolist()  # rich, lean, lean, rich
    run_s = [960.0 + second for second in seconds]
    made = made_of(banks=wide(seconds, front_lambda=front, rear_v=rear, run_s=run_s))
    share, error = 0.25, sqrt(0.25 * 0.75 / 4)
    found = values(made)
    assert found["wide_lean_rear_rich_share"] == found["wide_rich_rear_lean_share"] == share
    assert found["wide_lean_rear_rich_share_se"] == pytest.approx(error)
    assert found["wide_rich_rear_lean_share_se"] == pytest.approx(error)
    assert counts(made)["wide_lean_rear_rich_share"] == 4


def test_dither_about_the_target_is_no_conflict():
    seconds = list(range(0, 60, 5))
    frame = wide(seconds, front_lambda=[1.03, 0.97] * 6, rear_v=0.7, run_s=1000.0)
    assert values(made_of(banks=frame))["wide_lean_rear_rich_share"] == 0


def test_a_minute_without_the_rear_sensor_says_nothing():
    frame = wide(list(range(10)), front_lambda=1.03, rear_v={0: 0.7, 1: 0.7}, run_s=1000.0)
    assert "wide_lean_rear_rich_share" not in values(made_of(banks=frame))


def test_an_event_ends_at_midnight():
    midnight = datetime(2026, 1, 6, tzinfo=UTC)
    frame = wide([1, 2], start=midnight, front_lambda=1.0, since_cut_s=[2.0, 3.0])
    event = {"began_at": midnight.replace(day=5, hour=23, minute=59, second=53), "front_lambda": 1.9}
    made = made_of(banks=frame, cuts=cuts(event, kind="wide_range", day=START.date()))
    assert "wide_back_delay_s" not in values(made)
