"""Signal days: given readings -> how often each signal came, what was held, how far apart the sensors were read."""

from __future__ import annotations

import polars as pl
import pytest

from tests.sql.given import START, at, readings, rows, run


def spans(unit: str = "V1") -> pl.DataFrame:
    return rows("export_spans", [{
        "export_id": "e", "unit_id": unit, "day": START.date(), "first_line": 1, "last_line": 2, "rows": 2,
        "first_ts": at(0), "last_ts": at(1), "arrived_at": at(99),
    }])  # fmt: skip


def signal_days(frame: pl.DataFrame) -> dict[str, dict]:
    days = run("05_unit_days", readings=frame)
    samples = run("11_samples", context=run("10_context", readings=frame, unit_days=days))
    made = run("12_signal_days", readings=frame, samples=samples, export_spans=spans())
    return {row["signal"]: row for row in made.iter_rows(named=True)}


def test_no_readings_make_no_rows():
    assert run("12_signal_days").height == 0


def test_readings_and_time_driven_of_each_signal_that_came():
    made = signal_days(readings([0, 1, 2, 3, 4], rpm=800.0, coolant_degc={0: 20.0, 4: 21.0}))
    assert set(made) == {"rpm", "coolant_degc"}
    assert (made["rpm"]["readings"], made["rpm"]["driven_s"]) == (5, 4)
    assert made["coolant_degc"]["readings"] == 2
    assert made["rpm"]["arrived_at"] == at(99)
    assert made["rpm"]["held_share"] is None


def test_the_gap_between_two_trips_is_not_driven():
    made = signal_days(readings([0, 10, 1000, 1010], rpm=800.0))
    assert made["rpm"]["driven_s"] == 20


def test_a_single_reading_has_driven_nothing():
    assert signal_days(readings([0], rpm=800.0))["rpm"]["driven_s"] == 0


def test_a_value_repeated_while_the_speed_changed_is_held():
    speeds = [10.0, 11.0, 12.0, 13.0, 13.0]
    volts = [0.1, 0.1, 0.5, 0.5, 0.5]  # changed speed in three steps, repeated in two of them
    made = signal_days(readings([0, 1, 2, 3, 4], speed_kmh=speeds, o2_b1s1_v=volts))
    assert made["o2_b1s1_v"]["held_share"] == pytest.approx(2 / 3, abs=1e-6)


def test_of_a_gateway_that_polls_in_turns_nothing_is_known_of_held_values():
    # Only the two rows that it held can be compared with the row before: 1 pair of 21 readings.
    seconds, turns = list(range(41)), {index: 0.1 * (index % 4) for index in range(0, 40, 2)} | {39: 0.2}
    made = signal_days(readings(seconds, speed_kmh=[10.0 + second for second in seconds], o2_b1s1_v=turns))
    assert made["o2_b1s1_v"]["readings"] == 21
    assert made["o2_b1s1_v"]["held_share"] is None


def test_a_value_like_the_last_one_of_another_trip_is_not_held():
    # Which trips stand beside each other depends on how the days are cut into shards; the share must not.
    speeds = [10.0, 11.0, 12.0, 13.0]
    made = signal_days(readings([0, 1, 1000, 1001], speed_kmh=speeds, o2_b1s1_v=[0.1, 0.1, 0.1, 0.5]))
    assert made["o2_b1s1_v"]["held_share"] == 0.5  # of the first trip's step and the second's


def test_standing_still_tells_nothing_of_held_values():
    made = signal_days(readings([0, 1, 2], speed_kmh=0.0, o2_b1s1_v=0.4))
    assert made["o2_b1s1_v"]["held_share"] is None


def test_skew_is_the_time_since_the_upstream_sensor():
    front, rear = {0: 0.5, 4: 0.6, 8: 0.5}, {2: 0.7, 6: 0.7, 9: 0.7}
    made = signal_days(readings(list(range(10)), o2_b1s1_v=front, o2_b1s2_v=rear))
    assert made["o2_b1s2_v"]["skew_s"] == 2  # of 2, 2 and 1 s
    assert made["o2_b1s1_v"]["skew_s"] is None


def test_an_upstream_reading_of_another_trip_does_not_count():
    made = signal_days(readings([0, 1000, 1001], o2_b1s1_v={0: 0.5}, o2_b1s2_v={1000: 0.7, 1001: 0.7}))
    assert made["o2_b1s2_v"]["skew_s"] is None
