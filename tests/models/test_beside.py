"""Beside the indicators: an engine that is cool most days and warm on some is neither; codes are read depot by depot."""

from __future__ import annotations

import polars as pl
import pytest

from models.beside import codes_exported, warmest_day

COLD = 74.0


@pytest.mark.parametrize(("values", "usual", "told"), [
    ([62.0, 66.0], 64.0, 66.0),  # no day was warm: stuck open
    ([88.0, 90.0], 89.0, 90.0),
    ([88.0, 62.0, 62.0], 62.0, None),  # warm until lately, or short rounds: nothing is said
    ([90.0], None, None),
    ([], 62.0, None),
])
def test_the_warmest_day_speaks_only_where_it_agrees_with_the_usual_one(values, usual, told):
    rows = [("V1", "warm_coolant_degc", value) for value in values]
    days = pl.DataFrame(rows, {"unit_id": pl.String, "indicator": pl.String, "value": pl.Float64}, orient="row")
    standing = pl.DataFrame({"unit_id": ["V1"], "indicator": ["warm_coolant_degc"], "level": pl.Series([usual], dtype=pl.Float64)})
    made = warmest_day(days, standing, COLD)
    assert made["level"].to_list() == ([] if told is None else [told])


def test_what_the_gateways_of_a_depot_read_they_read_of_all_its_vehicles():
    register = pl.DataFrame({"unit_id": ["A1", "A2", "B1", "N1", "N2"], "depot": ["A", "A", "B", None, ""]})

    def read(*told: str) -> list[str]:
        made = codes_exported(pl.Series(told, dtype=pl.String), register)
        assert made["unit_id"].to_list() == register["unit_id"].to_list()
        return made.filter(pl.col("level") == 1.0)["unit_id"].to_list()

    assert read("A1", "N1") == ["A1", "A2", "N1"]
    assert read("N2") == ["N2"]  # an unknown depot is nobody's
    assert read() == []
