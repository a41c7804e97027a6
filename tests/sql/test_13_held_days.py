"""Held days: given how often each signal repeats -> the days on which the gateway holds values."""

from __future__ import annotations

import polars as pl
import pytest

from tests.sql.given import PARAMS, START, at, rows, run


def held_share(shares: dict[str, float | None]) -> float | None:
    """Of one day with these signals; None where nothing is held."""
    given = {"unit_id": "V1", "bucket": 0, "month": "2026-01", "day": START.date(), "readings": 100, "driven_s": 500.0, "arrived_at": at(60)}
    made = run("13_held_days", signal_days=rows("signal_days", [given | {"signal": name, "held_share": share} for name, share in shares.items()]))
    assert made.height <= 1
    return made["held_share"].item() if made.height else None


def test_nothing_makes_nothing():
    assert run("13_held_days").height == 0


def test_a_gateway_that_repeats_each_value_five_times_holds_four_of_five():
    assert held_share({"o2_b1s1_v": 0.8, "o2_b1s2_v": 0.82, "stft_b1_pct": 0.85, "rpm": None}) == pytest.approx(0.8)
    assert held_share({"o2_b1s1_v": 0.8, "lambda_b1s1": 1.0}) == pytest.approx(0.8)


def test_one_signal_that_stands_still_is_no_gateway_that_holds():
    assert held_share({"o2_b1s1_v": 1.0, "o2_b1s2_v": 0.1, "stft_b1_pct": 0.5}) is None
    assert held_share({"o2_b1s1_v": 1.0}) is None  # nothing to compare with
    assert held_share({"rpm": None}) is None


def test_what_is_held_for_ever_is_held_as_long_as_is_counted():
    assert held_share({"o2_b1s1_v": 1.0, "o2_b1s2_v": 1.0}) == PARAMS["held_most_share"]
