"""Wide-range upstream sensor: given samples of a bank -> offset, spread, exactness, gain and delay."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scipy.stats import norm

from tests.sql.given import PARAMS, START, banks, counts, cuts, rows, run, values

STEP = "31_upstream_wide_range"
DITHER = [1 + 0.02 * (-1) ** index for index in range(20)]


def wide(seconds: list[int], **columns: object) -> pl.DataFrame:
    return banks(seconds, kind="wide_range", **columns)


def test_nothing_makes_nothing():
    assert run(STEP).height == 0


def test_offset_and_spread_are_taken_against_the_commanded_lambda():
    target = [1.0, 1.0, 0.98, 0.98]
    seen = [1.01, 1.03, 0.99, 1.01]
    made = values(run(STEP, banks=wide([0, 1, 2, 3], front_lambda=seen, lambda_target=target)))
    assert made["wide_offset"] == pytest.approx(0.02)
    assert made["wide_spread"] == pytest.approx(np.std([0.01, 0.03, 0.01, 0.03], ddof=1), rel=1e-4)


def test_stoichiometry_stands_in_for_a_target_that_is_not_sampled():
    assert values(run(STEP, banks=wide([0, 1], front_lambda=1.02)))["wide_offset"] == pytest.approx(0.02)


def test_a_live_sensor_at_a_flat_target_is_neither_exact_nor_stuck():
    seconds = list(range(20))
    made = values(run(STEP, banks=wide(seconds, front_lambda=DITHER, lambda_target=1.0)))
    assert made["wide_exact_share"] == 0
    assert made["wide_stuck_share"] == 0
    assert made["wide_activity"] == pytest.approx(0.04 / np.sqrt(2), rel=1e-4)


def test_a_substituted_value_is_exact_and_stuck_whatever_the_target_does():
    seconds = list(range(20))
    for target in (1.0, [1 + index / 100 for index in range(20)]):
        made = values(run(STEP, banks=wide(seconds, front_lambda=1.0, front_ma=0.0, lambda_target=target)))
        assert made["wide_exact_share"] == 1
        assert made["wide_stuck_share"] == 1


def test_exact_in_lambda_alone_is_not_exact_while_the_current_moves():
    current = [0.05 * (-1) ** index for index in range(20)]
    made = values(run(STEP, banks=wide(list(range(20)), front_lambda=1.0, front_ma=current)))
    assert made["wide_exact_share"] == 0


def test_the_share_of_exact_readings():
    seen = [1.0, 1.0002, 1.004, 0.99]
    assert values(run(STEP, banks=wide([0, 1, 2, 3], front_lambda=seen)))["wide_exact_share"] == 0.5


def test_pump_current_alone_is_enough_for_its_mean():
    made = values(run(STEP, banks=wide([0, 1], front_ma=[0.1, 0.3])))
    assert made["wide_mean_ma"] == pytest.approx(0.2)
    assert "wide_offset" not in made


def test_lambda_and_pump_current_are_counted_each_for_itself():
    frame = wide(list(range(10)), front_lambda={0: 1.05, 1: 1.06}, front_ma=0.1)
    made = counts(run(STEP, banks=frame))
    assert (made["wide_offset"], made["wide_mean_ma"], made["wide_exact_share"]) == (2, 10, 10)


def test_idle_spread_is_taken_at_idle():
    """Of a normal signal it is its standard deviation: the inner 80 % are 2.563 of them wide (any table)."""
    seen = [1.0 + 0.03 * norm.ppf((index + 0.5) / 100) for index in range(100)]
    idle = [index < 100 for index in range(120)]
    made = run(STEP, banks=wide(list(range(120)), front_lambda=[*seen, *[1.5] * 20], idle=idle))
    assert values(made)["wide_idle_spread"] == pytest.approx(0.03, rel=0.02)
    assert counts(made)["wide_idle_spread"] == 100
    # Air left by a stop between two samples, in few rows, is no unsteady sensor.
    assert np.std([*seen[:95], *[2.0] * 5]) > 0.2
    made = run(STEP, banks=wide(list(range(100)), front_lambda=[*seen[:95], *[2.0] * 5], idle=[True] * 100))
    assert values(made)["wide_idle_spread"] < 0.04
    # Nor are many rows of it, which a gateway that holds its values leaves after every stop.
    made = run(STEP, banks=wide(list(range(130)), front_lambda=[*seen, *[1.53] * 30], idle=[True] * 130))
    assert values(made)["wide_idle_spread"] == pytest.approx(0.03, rel=0.02)
    assert counts(made)["wide_idle_spread"] == 100
    # A target that is logged more seldom lags behind; the sensor is as steady as before.
    late = [1.0 if index < 60 else 0.8 for index in range(100)]
    made = run(STEP, banks=wide(list(range(100)), front_lambda=seen, lambda_target=late, idle=[True] * 100))
    assert values(made)["wide_idle_spread"] == pytest.approx(0.03, rel=0.02)
    # And one that follows a target that moves is no unsteady one either.
    follows = [target + value - 1.0 for target, value in zip(late, seen, strict=True)]
    made = run(STEP, banks=wide(list(range(100)), front_lambda=follows, lambda_target=late, idle=[True] * 100))
    assert values(made)["wide_idle_spread"] == pytest.approx(0.03, rel=0.02)
    few = int(PARAMS["idle_readings"]) - 1
    assert "wide_idle_spread" not in values(run(STEP, banks=wide(list(range(few)), front_lambda=1.0, idle=[True] * few)))


def test_a_target_held_from_a_fuel_cut_is_no_target():
    """No operating point in closed loop is told to burn as lean as air (common practice)."""
    target = [1.0] * 5 + [1.9999] * 15
    made = values(run(STEP, banks=wide(list(range(20)), front_lambda=[1.01] * 20, lambda_target=target)))
    assert made["wide_offset"] == pytest.approx(0.01)
    assert "wide_offset" not in values(run(STEP, banks=wide([0, 1], front_lambda=1.01, lambda_target=1.9999)))
    # A sensor that reads as lean as air is none the less seen to.
    stuck = values(run(STEP, banks=wide(list(range(20)), front_lambda=1.9, lambda_target=1.0)))
    assert stuck["wide_offset"] == pytest.approx(0.9)


@pytest.mark.parametrize("otherwise", [{"kind": "narrowband"}, {"running": False}, {"front_ok": False}])
def test_readings_that_do_not_count(otherwise):
    frame = banks([0, 1], **({"kind": "wide_range", "front_lambda": 1.0} | otherwise))
    assert "wide_offset" not in values(run(STEP, banks=frame))


def test_levels_in_cuts_are_medians_of_warm_ones():
    events = cuts(
        {"front_lambda": 1.6, "front_ma": 2.0, "front_lean_s": 1.0},
        {"front_lambda": 1.8, "front_ma": 2.2, "front_lean_s": 2.0},
        {"front_lambda": 1.99, "front_ma": 2.4, "front_lean_s": 3.0},
        {"front_lambda": 1.1, "front_ma": 0.4, "front_lean_s": 9.0, "warm": False},
        {"front_lambda": 1.1, "front_ma": 0.4, "front_lean_s": 9.0, "kind": "narrowband"},
        kind="wide_range",
    )
    made = run(STEP, cuts=events)
    assert values(made) == pytest.approx(
        {"wide_cut_lambda": 1.8, "wide_cut_ma": 2.2, "wide_cut_delay_s": 2.0}
    )
    assert counts(made)["wide_cut_lambda"] == 3


def test_the_delay_needs_readings_that_are_close_enough():
    slow = cuts({"front_lambda": 1.9, "front_lean_s": 4.0, "step_s": 5.0}, kind="wide_range")
    assert "wide_cut_delay_s" not in values(run(STEP, cuts=slow))


@pytest.mark.parametrize("delay_s", [0.4, 1.5, 3.0])
@pytest.mark.parametrize("step_s", [0.5, 2.0, 5.0])
def test_readings_of_many_cuts_make_up_the_time_to_lean(step_s, delay_s):
    # Worked: polls every step at every phase after the cut; those before lambda 1.3 are delay / step a cut on average.
    events = []
    for phase in range(200):
        polls = [step_s * (number + (phase + 0.5) / 200) for number in range(20)]
        before = sum(poll < delay_s for poll in polls)
        events.append({"front_lambda": 1.9, "front_before": before, "front_step_s": step_s})
    made = run(STEP, cuts=cuts(*events, kind="wide_range"))
    assert values(made)["wide_cut_dwell_s"] == pytest.approx(delay_s, abs=step_s / 100)
    assert counts(made)["wide_cut_dwell_s"] == 200


@pytest.mark.parametrize("otherwise", [{"front_lambda": 1.2}, {"front_lambda": None}, {"front_step_s": None}, {"warm": False}])
def test_a_cut_without_lean_gas_times_nothing(otherwise):
    event = {"front_lambda": 1.9, "front_before": 1, "front_step_s": 2.0, "kind": "wide_range"}
    assert "wide_cut_dwell_s" in values(run(STEP, cuts=cuts(event)))
    assert "wide_cut_dwell_s" not in values(run(STEP, cuts=cuts(event | otherwise)))
    held = rows("held_days", [{"unit_id": "V1", "day": START.date(), "held_share": 0.7}])
    assert "wide_cut_dwell_s" not in values(run(STEP, cuts=cuts(event), held_days=held))
