"""Watch on inputs: alike gives about zero, moved gives much; worked by hand for two bins."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest

from models.classifier import Model, input_deciles
from models.inputs import LEAST_ROWS, SHIFTED, input_shift


DECILES = np.array([np.arange(1.0, 10.0), np.arange(1.0, 10.0) / 10])


def rows(values: np.ndarray, status: str = "judged") -> pl.DataFrame:
    return pl.DataFrame({"top.gone": pl.Series(values, dtype=pl.Float32)}).with_columns(status=pl.lit(status))


def test_the_index_by_hand():
    # Deciles 1 to 9; of 400 values half lie in the first bin and half in the last: 2 * 0.4 ln 5 + 8 * 0.099 ln 100.
    model = Model("m", {}, {"top.gone": DECILES})
    found = input_shift(model, rows(np.repeat([0.5, 9.5], 200)))
    expected = 2 * (0.5 - 0.1) * math.log(0.5 / 0.1) + 8 * (0.001 - 0.1) * math.log(0.001 / 0.1)
    assert found.row(0) == ("top.gone", 400, pytest.approx(expected))


def test_alike_is_small_and_moved_is_large():
    rng = np.random.default_rng(0)
    model = Model("m", {}, input_deciles(rows(rng.normal(size=5000))))
    assert input_shift(model, rows(rng.normal(size=2000)))["shift"].item() < 0.03
    assert input_shift(model, rows(rng.normal(1.0, 1.0, size=2000)))["shift"].item() > SHIFTED


def test_many_equal_values_are_one_bin():
    model = Model("m", {}, input_deciles(rows(np.zeros(500))))
    assert input_shift(model, rows(np.zeros(500)))["shift"].item() == pytest.approx(0.0, abs=0.01)


def test_too_few_values_or_rows_not_judged_say_nothing():
    model = Model("m", {}, {"top.gone": DECILES})
    assert input_shift(model, rows(np.ones(LEAST_ROWS - 1))).is_empty()
    assert input_shift(model, rows(np.ones(500), "not_judged")).is_empty()
    assert input_deciles(rows(np.ones(99))) == {}
