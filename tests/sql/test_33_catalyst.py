"""Catalyst: given samples of a bank and fuel cuts -> rear activity, rear by front, recovery and oxygen."""

from __future__ import annotations

import math

import pytest

from tests.sql.given import START, banks, counts, cuts, rows, run, values

STEP = "33_catalyst"
SPREAD = {"front_least_spread_v": 0.1}
FRONT = [0.1 if index % 2 else 0.8 for index in range(40)]


def test_nothing_makes_nothing():
    assert run(STEP).height == 0


def test_a_catalyst_that_stores_leaves_the_rear_still():
    rear = [0.70 + 0.001 * (index % 2) for index in range(40)]
    found = values(run(STEP, params=SPREAD, banks=banks(list(range(40)), front_v=FRONT, rear_v=rear)))
    assert found["rear_activity_v"] == pytest.approx(0.001 / math.sqrt(2), rel=0.01)
    assert found["rear_front_variance"] < 0.001


def test_an_exhausted_catalyst_lets_the_front_through():
    made = run(STEP, params=SPREAD, banks=banks(list(range(40)), front_v=FRONT, rear_v=FRONT))
    found = values(made)
    assert found["rear_activity_v"] == pytest.approx(0.7 / math.sqrt(2), rel=1e-4)
    assert found["rear_front_variance"] == pytest.approx(1)
    assert found["rear_front_corr"] == pytest.approx(1)
    assert found["sample_step_s"] == 1
    assert counts(made)["rear_activity_v"] == 40
    assert made["component"].unique().to_list() == ["CAT1"]


def test_half_the_amplitude_is_a_quarter_of_the_variance():
    rear = [0.45 + (value - 0.45) / 2 for value in FRONT]
    found = values(run(STEP, params=SPREAD, banks=banks(list(range(40)), front_v=FRONT, rear_v=rear)))
    assert found["rear_front_variance"] == pytest.approx(0.25, rel=1e-4)


def test_the_ratio_counts_the_readings_that_have_both_sensors():
    """A handful of upstream readings makes no finding of a catalyst, however many the downstream sensor has."""
    front = {place: FRONT[place] for place in (0, 1, 20)}
    made = counts(run(STEP, params=SPREAD, banks=banks(list(range(40)), front_v=front, rear_v=FRONT)))
    assert (made["rear_front_variance"], made["rear_activity_v"]) == (3, 40)


def test_a_front_that_does_not_move_tells_no_ratio():
    flat = [0.45 + 0.02 * (index % 2) for index in range(40)]
    found = values(run(STEP, params=SPREAD, banks=banks(list(range(40)), front_v=flat, rear_v=FRONT)))
    assert "rear_front_variance" not in found
    assert "rear_activity_v" in found


def test_a_wide_range_front_tells_rear_activity_only():
    frame = banks(list(range(40)), kind="wide_range", front_lambda=1.0, rear_v=FRONT)
    found = values(run(STEP, params=SPREAD, banks=frame))
    assert set(found) == {"rear_activity_v", "sample_step_s", "catalyst_hot_share"}


@pytest.mark.parametrize(
    "otherwise", [{"rear_ok": False}, {"cruise": False}, {"running": False}, {"rear_v": None}, {"hot": False}]
)
def test_readings_that_do_not_count(otherwise):
    frame = banks([0, 1, 2], **({"front_v": 0.5, "rear_v": 0.6} | otherwise))
    assert set(values(run(STEP, params=SPREAD, banks=frame))) <= {"catalyst_hot_share"}


def test_movement_is_asked_of_neighbours_only():
    rear = [0.1, 0.3, 0.9, 0.7]
    found = values(run(STEP, params=SPREAD, banks=banks([0, 1, 30, 31], rear_v=rear)))
    assert found["rear_activity_v"] == pytest.approx(0.2 / math.sqrt(2), rel=1e-4)


def test_correlation_needs_enough_pairs():
    few = banks(list(range(10)), front_v=FRONT[:10], rear_v=FRONT[:10])
    assert "rear_front_corr" not in values(run(STEP, params=SPREAD, banks=few))


def test_recoveries_are_medians_of_warm_cuts():
    events = cuts(
        {"recovery_s": 4.0, "recovery_air_g": 20.0, "oxygen_g": 0.1},
        {"recovery_s": 9.0, "recovery_air_g": 45.0},
        {"recovery_s": 12.0, "recovery_air_g": None, "oxygen_g": 0.5},
        {"recovery_s": 1.0, "recovery_air_g": 5.0, "oxygen_g": 0.01, "warm": False},
        {"recovery_s": 1.0, "recovery_air_g": 5.0, "oxygen_g": 0.01, "hot": False},
        {"recovery_s": None},
    )
    made = run(STEP, params=SPREAD, cuts=events)
    assert values(made) == pytest.approx({"recovery_s": 9.0, "recovery_air_g": 32.5, "oxygen_g": 0.3})


def test_a_recovery_cut_short_counts_only_where_it_is_longer_than_usual():
    # A healthy catalyst in stop-and-go: the next cut comes after 2 s, which is no sign of a short recovery.
    short = {"recovery_s": 2.0, "recovery_seen": False}
    seen = [{"recovery_s": 10.0}, {"recovery_s": 12.0}, {"recovery_s": 11.0}]
    made = values(run(STEP, params=SPREAD, cuts=cuts(short, short, short, short, *seen)))
    assert made["recovery_s"] == 11.0
    long = {"recovery_s": 40.0, "recovery_seen": False}
    made = values(run(STEP, params=SPREAD, cuts=cuts(*seen, long, long)))
    assert made["recovery_s"] == 12.0
    assert "recovery_s" not in values(run(STEP, params=SPREAD, cuts=cuts(short, long)))


def test_each_indicator_counts_the_cuts_it_rests_on():
    events = cuts({"recovery_s": 4.0, "recovery_air_g": 20.0, "oxygen_g": 0.1}, {"recovery_s": 9.0})
    made = run(STEP, params=SPREAD, cuts=events)
    assert counts(made) == {"recovery_s": 2, "recovery_air_g": 1, "oxygen_g": 1}


def test_the_share_of_readings_with_a_hot_catalyst():
    frame = banks(list(range(8)), rear_v=0.7, hot=[False] * 6 + [True] * 2)
    made = run(STEP, params=SPREAD, banks=frame)
    assert values(made)["catalyst_hot_share"] == 0.25
    assert counts(made)["catalyst_hot_share"] == 8
    assert counts(made)["rear_activity_v"] == 2


FLOWS = [3.0, 5.0, 8.0, 12.0, 20.0]


def recoveries(oxygen_g: float, delay_s: float, flows: list[float]) -> dict[str, float]:
    """What is found where a catalyst of so many grams is purged at lambda 0.97, and the sensor is late by so much."""
    air_g = oxygen_g / (0.232 * (1 / 0.97 - 1))
    events = cuts(*({"recovery_s": air_g / flow + delay_s, "flow_gs": flow} for flow in flows))
    return values(run(STEP, params=SPREAD | {"delay_cuts": 5.0, "delay_flow_spread": 0.25}, cuts=events))


def test_storage_does_not_depend_on_flow_and_delay_rises_with_it():
    # The worked case: 0.6 g takes 16.7 s at 5 g/s and lambda 0.97, that is 84 g of air.
    stores = recoveries(0.6, 0.0, FLOWS)
    assert stores["storage_air_g"] == pytest.approx(83.6, abs=0.1)
    assert stores["rear_delay_s"] == pytest.approx(0.0, abs=1e-6)
    late = recoveries(0.0, 3.0, FLOWS)
    assert late["storage_air_g"] == pytest.approx(0.0, abs=1e-6)
    assert late["rear_delay_s"] == pytest.approx(3.0)
    both = recoveries(0.15, 1.5, FLOWS)
    assert both["storage_air_g"] == pytest.approx(20.9, abs=0.1)
    assert both["rear_delay_s"] == pytest.approx(1.5)


def test_few_recoveries_or_flows_that_are_alike_part_nothing():
    assert "rear_delay_s" not in recoveries(0.6, 1.0, FLOWS[:4])
    assert "rear_delay_s" not in recoveries(0.6, 1.0, [5.0, 5.1, 5.2, 5.3, 5.4])


def test_seldom_read_the_mean_of_the_recoveries_tells_what_their_median_cannot():
    # Worked: recoveries of 3 s read every 5 s at every phase are 5 s or 10 s from the last reading in the cut to the first
    # rich one; their median is one step, their mean less a step is 3 s. Given as readings 1 s apart would give it.
    step_s, recovery_s = 5.0, 3.0
    events = []
    for phase in range(200):
        polls = [step_s * (number + (phase + 0.5) / 200) for number in range(-2, 6)]
        last, first = max(t for t in polls if t <= 0), min(t for t in polls if t >= recovery_s)
        events.append({"recovery_s": first - last, "rear_step_s": step_s})
    found = values(run(STEP, params=SPREAD, cuts=cuts(*events)))
    assert found["recovery_mean_s"] == pytest.approx(recovery_s + 1, abs=0.05)
    assert found["recovery_s"] in (5.0, 10.0)


def test_often_read_the_median_is_enough_and_what_is_held_is_no_time():
    often = cuts({"recovery_s": 4.0, "rear_step_s": 1.0})
    assert values(run(STEP, params=SPREAD, cuts=often)) == {"recovery_s": 4.0, "recovery_mean_s": 4.0}
    seldom = cuts({"recovery_s": 10.0, "rear_step_s": 5.0})
    held = rows("held_days", [{"unit_id": "V1", "day": START.date(), "held_share": 0.7}])
    assert values(run(STEP, params=SPREAD, cuts=seldom)) == {"recovery_s": 10.0, "recovery_mean_s": 6.0}
    assert set(values(run(STEP, params=SPREAD, cuts=seldom, held_days=held))) == {"recovery_s"}


def test_a_recovery_that_takes_long_counts_as_long():
    seldom = cuts({"recovery_s": 80.0, "rear_step_s": 5.0}, {"recovery_s": 10.0, "rear_step_s": 5.0})
    assert values(run(STEP, params=SPREAD, cuts=seldom))["recovery_mean_s"] == 21.0  # 40 and 10 less a step, as read once a second
