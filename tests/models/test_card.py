"""The model card says what was measured, and no figure where there is too little to measure."""

from __future__ import annotations

import polars as pl
import pytest

from models.card import card
from models.classifier import Model, chances, train
from models.evaluate import average_precision, brier, expected_calibration_error
from tests.models.made_features import made


@pytest.fixture(scope="module")
def model() -> Model:
    return train(*made(units=80), "starter 9")


def test_figures_of_a_slice_are_those_of_its_rows(model: Model):
    test, known = made(units=80, seed=2)
    hit = known["fails_28"].fill_null(False)
    tested = test.select("week_start", "unit_id", "family", "depot", "limits").with_columns(
        hit=hit, probability=pl.Series(chances(model, test).by_horizon[:, 2]), sampling=pl.lit("1 s and faster"),
        by_codes=pl.lit(0.0),
    )
    few = tested.head(30).with_columns(depot=pl.lit("South"), hit=pl.lit(False))
    text = card(model, "invented.", pl.concat([tested, few]), "by unit.", ["A note."])
    assert text.startswith("# starter 9\n") and "Data: invented." in text and "A note." in text
    p, y = tested["probability"].to_numpy(), hit.to_numpy()
    expected = (
        f"| depot North | {len(p)} | {y.sum()} | {average_precision(p, y):.3f} | "
        f"{average_precision(tested['limits'].cast(float).to_numpy(), y):.3f} | {y.mean():.3f} | {brier(p, y):.4f} | "
        f"{expected_calibration_error(p, y):.4f} |"
    )
    assert expected in text.splitlines()
    assert "| depot South | 30 | 0 | too few |  |  |  |  |" in text.splitlines()
    part = model.families["catalyst"]
    assert f"| catalyst | {part.failures} | {part.rows} | 4 |" in text.splitlines()
    rows = [line.count("|") for line in text.splitlines() if line.startswith(("| slice", "| all", "| depot"))]
    assert len(set(rows)) == 1
