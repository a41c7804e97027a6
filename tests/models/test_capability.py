"""Capability: effective sampling, what it allows, and the one signal that would allow most."""

from __future__ import annotations

import math
from datetime import date, timedelta

import polars as pl
import pytest

from models.capability import capabilities, comparable, sampling_of, unlocks

CARRIED = {"speed_kmh": 10.0, "o2_b1s1_v": 3.0, "o2_b1s2_v": 3.0}


def days(*rows: tuple) -> pl.DataFrame:
    schema = {"unit_id": pl.String, "signal": pl.String, "readings": pl.Int64, "driven_s": pl.Float64,
              "held_share": pl.Float64, "skew_s": pl.Float64}  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")


def test_the_step_is_time_driven_for_each_new_reading():
    made = sampling_of(days(("V1", "rpm", 100, 200.0, None, None), ("V1", "rpm", 300, 200.0, None, None)))
    assert made.select("readings", "step_s", "held_share").row(0) == (400, 1.0, None)


def test_held_values_are_no_new_readings():
    made = sampling_of(days(("V1", "o2_b1s1_v", 100, 100.0, 0.75, None)))
    assert made["step_s"].item() == 4.0


def test_what_is_held_whole_never_comes():
    assert math.isinf(sampling_of(days(("V1", "o2_b1s1_v", 100, 100.0, 1.0, None)))["step_s"].item())


COMPONENTS = pl.DataFrame(
    {"unit_id": ["V1", "V1", "V2"], "component": ["B1S1", "CAT1", "CAT1"], "bank": [1, 1, 1],
     "part": ["upstream", "catalyst", "catalyst"], "kind": ["narrowband"] * 3}
)  # fmt: skip
INDICATORS = pl.DataFrame(
    [("swing", "upstream", "narrowband", 60.0, "o2_b{b}s1_v"),
     ("offset", "upstream", "wide_range", 60.0, "lambda_b{b}s1"),
     ("recovery", "catalyst", "any", 2.5, "o2_b{b}s2_v speed_kmh load_pct|throttle_pct")],
    schema=["indicator", "component", "kind", "slowest_s", "needs"], orient="row",
)  # fmt: skip


def sampling(**steps: float) -> pl.DataFrame:
    rows = [("V1", signal, step) for signal, step in steps.items()]
    schema = {"unit_id": pl.String, "signal": pl.String, "step_s": pl.Float64}
    return pl.DataFrame(rows, schema=schema, orient="row").with_columns(skew_s=pl.lit(None, pl.Float64))


def capable(**steps: float) -> dict[tuple[str, str], tuple]:
    made = capabilities(COMPONENTS, INDICATORS, sampling(**steps), CARRIED)
    return {
        (row["unit_id"], row["indicator"]): (row["possible"], row["lacking"], row["signal"], row["every_s"])
        for row in made.iter_rows(named=True)
    }


def test_only_indicators_of_the_sensor_kind_are_asked():
    assert set(capable()) == {("V1", "swing"), ("V1", "recovery"), ("V2", "recovery")}


def test_all_needs_in_time_make_it_possible():
    made = capable(o2_b1s2_v=2.9, speed_kmh=9.0, throttle_pct=2.0)
    assert made["V1", "recovery"] == (True, 0, None, None)


@pytest.mark.parametrize(
    ("steps", "lacking", "signal"),
    [
        ({"o2_b1s2_v": 3.1, "speed_kmh": 1.0, "load_pct": 1.0}, 1, "o2_b1s2_v"),  # 2.5 s and a fifth
        ({"o2_b1s2_v": 1.0, "speed_kmh": 13.0, "load_pct": 1.0}, 1, "speed_kmh"),  # carried for 10 s
        ({"o2_b1s2_v": 1.0, "speed_kmh": 1.0}, 1, "load_pct"),
        ({"speed_kmh": 1.0}, 2, "o2_b1s2_v"),
    ],
)
def test_what_is_lacking_is_named(steps: dict[str, float], lacking: int, signal: str):
    found = capable(**steps)["V1", "recovery"]
    assert found[:3] == (False, lacking, signal)


def test_the_signal_that_allows_most_comes_first():
    made = unlocks(
        capabilities(COMPONENTS, INDICATORS, sampling(o2_b1s1_v=1.0, speed_kmh=1.0, load_pct=1.0), CARRIED)
    )
    # V2 lacks three signals, so no single one helps it.
    assert made.row(0, named=True) == {
        "signal": "o2_b1s2_v", "every_s": 2.5, "components": 1, "indicators": 1, "vehicles": 1,
        "which": ["recovery"],
    }  # fmt: skip
    assert made.height == 1


@pytest.mark.parametrize(("every", "possible"), [(12.0, True), (24.0, False)])
def test_a_gateway_that_polls_in_turns_must_tell_the_windows_in_time(every: float, possible: bool):
    """Of twelve signals polled in turns the fuel system status of a reading is up to one turn old, and counts for 10 s."""
    carried = CARRIED | {"fuel_status_b1": 10.0, "load_pct": 10.0}
    turns = sampling(o2_b1s1_v=every, o2_b1s2_v=every, fuel_status_b1=every, load_pct=every).with_columns(skew_s=every / 12)
    made = capabilities(COMPONENTS, INDICATORS, turns, carried).filter(pl.col("indicator") == "swing")
    assert made["possible"].item() is possible
    if not possible:
        assert made.select("lacking", "signal", "every_s").row(0) == (2, "fuel_status_b1", 10.0)
    # In one row with the sensor they are as new as it is, at any rate; and what a vehicle never reports is not asked for.
    together = turns.with_columns(skew_s=0.0)
    unsaid = turns.filter(pl.col("signal").str.starts_with("o2_"))
    for rows in (together, unsaid):
        made = capabilities(COMPONENTS, INDICATORS, rows, carried)
        assert made.filter(pl.col("indicator") == "swing")["possible"].item()


def weekly(steps: list[float | None], *names: str) -> pl.DataFrame:
    """Value n of week n of each indicator of one catalyst, whose readings lay so many seconds apart."""
    rows = [
        {"unit_id": "V1", "component": "CAT1", "data_week": date(2026, 1, 5) + timedelta(weeks=week), "indicator": name,
         "value": value}
        for week, step in enumerate(steps)
        for name, value in [*((name, float(week)) for name in names), ("sample_step_s", step)] if value is not None
    ]
    return pl.DataFrame(rows)


SLOWEST = pl.DataFrame({
    "indicator": ["rear_activity_v", "recovery_s", "up_top_v", "sample_step_s"], "slowest_s": [12.0, 2.5, 60.0, 600.0],
})


@pytest.mark.parametrize(("steps", "kept"), [
    ([1, 1, 1, 10, 10, 10], [3, 4, 5]),  # the gateway was set to another rate: its weeks before say nothing of movement
    ([10, 10, 10, 1, 1], [3, 4]),
    ([1, 1, 1, 1, 10], [0, 1, 2, 3]),  # a single odd week is the one that does not count
    ([1, 1, 10, 1, 1], [0, 1, 3, 4]),
    ([1, 2, 1, 3, 1], [0, 1, 2, 3, 4]),  # up to three times as far apart
    ([None, None, 1, 1], [0, 1, 2, 3]),  # nobody knows
])
def test_movement_is_told_by_weeks_of_like_sampling(steps: list[float | None], kept: list[int]):
    made = comparable(weekly(steps, "rear_activity_v", "up_top_v"), SLOWEST)
    assert made.filter(pl.col("indicator") == "rear_activity_v")["value"].to_list() == kept
    # A range of readings does not depend on how far they lie apart.
    assert made.filter(pl.col("indicator") == "up_top_v")["value"].to_list() == list(range(len(steps)))
    assert made.filter(pl.col("indicator") == "sample_step_s").height == len([step for step in steps if step is not None])


def test_weeks_that_were_sampled_too_slowly_do_not_count_later():
    # 2.5 s and a fifth of tolerance: a recovery timed at 5 s was not told then, and is neither past nor peer now.
    made = comparable(weekly([5, 5, 3, 1, 1, 1], "recovery_s"), SLOWEST)
    assert made.filter(pl.col("indicator") == "recovery_s")["value"].to_list() == [2, 3, 4, 5]
