"""Interval of a chance from what such chances were worth on other fleets."""

from __future__ import annotations

import polars as pl
import pytest
from scipy.special import expit, logit

from models.certainty import COLUMNS, with_interval

TABLE = pl.DataFrame(
    [(0.0, 0.1, 0.1, 0.05, 0.2, 900), (0.5, 0.7, 0.6, 0.4, 0.8, 100), (0.9, 0.95, 0.8, 0.7, 0.9, 20)],
    schema=COLUMNS, orient="row",
)


def made(p28: float, p7: float) -> dict[str, float]:
    return with_interval(pl.DataFrame({"p28": [p28], "p7": [p7]}), TABLE).row(0, named=True)


def test_the_ends_are_the_observed_ones_where_the_chance_is_that_of_the_bin():
    row = made(0.7, 0.3)
    assert (row["p28_low"], row["p28_high"]) == pytest.approx((0.4, 0.8))
    # By hand: the same distance in log-odds at seven days.
    assert row["p7_low"] == pytest.approx(expit(logit(0.3) + logit(0.4) - logit(0.7)))
    assert row["p7_low"] < 0.3 < row["p7_high"] and row["p7_high"] < row["p28_high"]


def test_a_bin_observed_on_one_side_moves_to_that_side_only():
    row = made(0.95, 0.5)  # said 0.95, seen 0.7 to 0.9: never more than was said
    assert row["p28_high"] == pytest.approx(0.95)
    assert row["p28_low"] == pytest.approx(0.7)


@pytest.mark.parametrize("p", [0.0, 1.0])
def test_certainty_stays_certain(p: float):
    row = made(p, p)
    assert (row["p28_low"], row["p28_high"], row["p7_low"], row["p7_high"]) == (p, p, p, p)


def test_rows_keep_their_order_and_each_takes_its_own_bin():
    frame = pl.DataFrame({"p28": [0.7, 0.1, 0.95], "p7": [0.1, 0.05, 0.2], "unit_id": ["a", "b", "c"]})
    row = with_interval(frame, TABLE)
    assert row["unit_id"].to_list() == ["a", "b", "c"]
    assert row["p28_low"].to_list() == pytest.approx([0.4, 0.05, 0.7])
    assert row["p28_high"].to_list() == pytest.approx([0.8, 0.2, 0.95])
