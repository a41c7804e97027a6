"""Beside the indicators: an engine that is cool most days and warm on some is neither; codes and means go depot by depot."""

from __future__ import annotations

import polars as pl
import pytest

from models.beside import codes_exported, depot_between, warmest_day

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


def test_what_most_vehicles_of_a_depot_show_is_their_gateways():
    """By hand: of the five others of depot M four lie between for more than 0.6, beside M6 all five; S has four vehicles only."""
    mids = {"M1": 0.95, "M2": 0.9, "M3": 0.7, "M4": 0.99, "M5": 0.93, "M6": 0.2, "S1": 0.9, "S2": 0.9, "S3": 0.9, "S4": 0.9, "N1": 0.9}
    register = pl.DataFrame({"unit_id": list(mids), "depot": [None if unit == "N1" else unit[0] for unit in mids]})
    rows = [(unit, bank, "up_mid_share", mid - 0.1 * bank) for unit, mid in mids.items() for bank in (0, 1)]
    rows += [("M6", 0, "up_swing_v", 0.99)]
    columns = {"unit_id": pl.String, "bank": pl.Int64, "indicator": pl.String, "level": pl.Float64}
    made = depot_between(pl.DataFrame(rows, columns, orient="row"), register, 0.6)
    assert dict(made.sort("unit_id").select("unit_id", "level").iter_rows()) == {f"M{n}": 0.8 for n in range(1, 6)} | {"M6": 1.0}
    assert set(made["indicator"]) == {"depot_between_share"}
