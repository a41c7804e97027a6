"""Habits of loggers: values written down that were not sampled."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from pipeline.exports.gateway import Logger
from pipeline.exports.layoutmodel import Gateway

START = datetime(2026, 1, 5, 8, tzinfo=UTC)


def frame(values, minutes=None, unit="A", name="rpm"):
    """Rows a minute apart, or at the minutes given."""
    at = minutes if minutes is not None else range(len(values))
    units = [unit] * len(values) if isinstance(unit, str) else unit
    return pl.DataFrame(
        {"line": range(2, len(values) + 2), "unit_id": units}
        | {"ts": [START + timedelta(minutes=minute) for minute in at], name: values},
        schema={"line": pl.Int64, "unit_id": pl.String, "ts": pl.Datetime("us", "UTC"), name: pl.Float64},
    )


def kept(values, minutes=None, unit="A", **habits):
    return Logger(Gateway(**habits), ["rpm"]).sampled(frame(values, minutes, unit))["rpm"].to_list()


def test_no_habit_changes_nothing():
    given = frame([0.0, 0.0, 1.0])
    assert Logger(Gateway(), ["rpm"]).sampled(given) is given


def test_repeats_are_no_samples():
    assert kept([5.0, 5.0, 6.0, None, 6.0, 5.0], holds_last_value=True) == [5.0, None, 6.0, None, None, 5.0]


def test_a_repeat_after_a_gap_is_a_sample():
    assert kept([5.0, 5.0, 5.0], [0, 11, 12], holds_last_value=True) == [5.0, 5.0, None]
    assert kept([5.0, 5.0], [0, 10], holds_last_value=True) == [5.0, None]


def test_repeats_are_told_by_unit_and_in_order_of_time():
    values = [7.0, 5.0, 5.0, 5.0]
    assert kept(values, [3, 0, 1, 2], holds_last_value=True) == [7.0, 5.0, None, None]
    assert kept([5.0, 5.0, 5.0], unit=["A", "B", "A"], holds_last_value=True) == [5.0, 5.0, None]


def test_zeros_before_the_first_sample():
    values, minutes = [0.0, 0.0, 3.0, 0.0, 0.0, 4.0], [0, 1, 2, 3, 20, 21]
    assert kept(values, minutes, zeros_before_first=True) == [None, None, 3.0, 0.0, None, 4.0]
    assert kept([0.0, None, 0.0], zeros_before_first=True) == [None, None, None]


def test_last_values_of_the_trip_before():
    values, minutes = [5.0, 6.0, 6.0, 6.0, 7.0, 6.0], [0, 1, 20, 21, 22, 23]
    assert kept(values, minutes, repeats_before_first=True) == [5.0, 6.0, None, None, 7.0, 6.0]
    assert kept([6.0, 6.0], repeats_before_first=True) == [6.0, 6.0]


def test_a_trip_without_a_sample_leaves_the_values_of_the_one_before():
    values, minutes = [5.0, None, 5.0, 4.0], [0, 20, 40, 41]
    assert kept(values, minutes, repeats_before_first=True) == [5.0, None, None, 4.0]


def test_every_habit_is_counted_once_a_cell():
    logger = Logger(
        Gateway(holds_last_value=True, zeros_before_first=True, repeats_before_first=True), ["rpm"]
    )
    logger.sampled(frame([0.0, 0.0, 3.0, 3.0, 3.0, 4.0], [0, 1, 2, 3, 20, 21]))
    assert logger.emptied == {"holds_last_value": 1, "zeros_before_first": 2, "repeats_before_first": 1}


def test_the_lamp_is_left_alone():
    given = frame([0.0, 0.0], name="mil_on")
    habits = Gateway(holds_last_value=True, zeros_before_first=True)
    assert Logger(habits, ["mil_on"]).sampled(given).equals(given)


@pytest.mark.parametrize("size", [1, 2, 3, 5])
@pytest.mark.parametrize("habit", list(Gateway.model_fields))
def test_batches_change_nothing(size, habit):
    """Rows in order of time, cut anywhere, come out as in one piece."""
    values = [0.0, 0.0, 2.0, 2.0, None, 2.0, 2.0, 0.0, 0.0, 1.0, 1.0, 1.0, 0.0, 1.0, 1.0, 0.0, 0.0]
    minutes = [0, 1, 2, 3, 4, 20, 21, 22, 40, 41, 42, 60, 61, 62, 63, 64, 65]
    units = ["A", "B"] * 6 + ["A", "B", "A", "A", "A"]
    whole = frame(values, minutes, units)
    expected = Logger(Gateway(**{habit: True}), ["rpm"]).sampled(whole)
    logger = Logger(Gateway(**{habit: True}), ["rpm"])
    parts = [logger.sampled(whole[start : start + size]) for start in range(0, whole.height, size)]
    assert pl.concat(parts).equals(expected)
    assert expected["rpm"].null_count() > whole["rpm"].null_count()


def test_a_batch_from_before_is_followed_anew():
    logger = Logger(Gateway(holds_last_value=True), ["rpm"])
    assert logger.sampled(frame([5.0, 5.0], [10, 11]))["rpm"].to_list() == [5.0, None]
    assert logger.sampled(frame([5.0, 5.0], [8, 9]))["rpm"].to_list() == [5.0, None]
