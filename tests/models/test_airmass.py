"""Air mass against speed-density: against the engine family, the fleet's efficiency, and the vehicle's own past."""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl
import pytest

from models.airmass import with_air_mass

FIRST = date(2026, 1, 5)
PEERS = 8
MOST_PCT = 15.0
SCHEMA = {"unit_id": pl.String, "component": pl.String, "data_week": pl.Date, "indicator": pl.String} | {
    "value": pl.Float64, "samples": pl.Int64, "days": pl.Int64
}


def weeks(given: dict[str, list[float]]) -> pl.DataFrame:
    return pl.DataFrame(
        [
            {"unit_id": unit, "component": "UNIT", "data_week": FIRST + timedelta(weeks=week),
             "indicator": "full_charge_l", "value": value, "samples": 300, "days": 3}
            for unit, values in given.items()
            for week, value in enumerate(values)
        ],
        schema=SCHEMA,
    )


def register(families: dict[str, tuple[str | None, float | None]]) -> pl.DataFrame:
    rows = [(unit, family, litres) for unit, (family, litres) in families.items()]
    schema = {"unit_id": pl.String, "engine_family": pl.String, "displacement_l": pl.Float64}
    return pl.DataFrame(rows, schema=schema, orient="row")


def off(given: dict[str, list[float]], families: dict[str, tuple[str | None, float | None]]) -> dict[str, list[float]]:
    made = with_air_mass(weeks(given), register(families), PEERS, MOST_PCT)
    found = made.filter(pl.col("indicator") == "maf_off_pct").sort("unit_id", "data_week")
    return {unit: rows["value"].to_list() for (unit,), rows in found.group_by("unit_id", maintain_order=True)}


def test_a_meter_that_reads_low_from_the_first_day_shows_against_its_family():
    healthy = {f"V{i}": [1.90] * 2 for i in range(8)}
    found = off(healthy | {"BAD": [1.52] * 2}, dict.fromkeys([*healthy, "BAD"], ("L20", None)))
    assert found["BAD"] == pytest.approx([-20.0, -20.0])
    assert found["V0"] == pytest.approx([0.0, 0.0])


def test_a_meter_that_drifts_shows_against_its_own_past():
    found = off({"V1": [2.0, 2.0, 2.0, 2.0, 1.8, 1.7]}, {"V1": (None, None)})
    assert found["V1"] == pytest.approx([0, 0, 0, 0, -10, -15], abs=1e-9)


def test_a_drift_that_the_whole_family_shares_is_the_season_and_no_meter():
    drifting = {f"V{i}": [2.0] * 4 + [2.3] for i in range(8)}
    families = dict.fromkeys([*drifting, "BAD"], ("L20", None))
    found = off(drifting | {"BAD": [2.0] * 4 + [1.955]}, families)
    assert found["V3"][-1] == pytest.approx(0.0)
    assert found["BAD"][-1] == pytest.approx(-15.0)


def test_a_season_shows_in_the_whole_fleet_where_a_family_is_small():
    fleet = {f"V{i}": [1.0 + i] * 4 + [1.1 * (1.0 + i)] for i in range(8)}
    alone = {unit: (f"F{i}", 1.0 + i) for i, unit in enumerate(fleet)}
    assert off(fleet, alone)["V5"][-1] == pytest.approx(0.0)


def test_the_register_gives_the_displacement_where_a_family_is_small():
    # Seven of other families fill 0.95 of their displacement; a single one fills 0.80 of its own.
    others = {f"V{i}": [0.95 * (1 + i)] for i in range(7)}
    sizes = {unit: (f"F{i}", 1.0 + i) for i, unit in enumerate(others)}
    assert off(others | {"ODD": [1.6]}, sizes | {"ODD": ("X", 2.0)})["ODD"] == pytest.approx([100 * (0.80 / 0.95 - 1)])


def test_a_vehicle_alone_with_a_short_past_says_nothing():
    assert off({"V1": [2.0, 1.5, 1.5]}, {"V1": ("L20", 2.0)}) == {}
    assert off({}, {}) == {}


def test_the_other_rows_stay_as_they_are():
    given = weeks({"V1": [2.0] * 5})
    made = with_air_mass(given, register({}), PEERS, MOST_PCT)
    assert made.head(given.height).equals(given)


def test_vehicles_that_differ_by_more_than_a_faulty_meter_are_no_yardstick():
    # Two sorts in one family, as gateways that poll air and pressure apart make them: quartiles 0.3 of 1.85 apart.
    apart = {f"V{i}": [1.7 + 0.15 * (-1) ** i] * 2 for i in range(8)}
    assert off(apart | {"V8": [1.85] * 2}, dict.fromkeys([*apart, "V8"], ("L20", None))) == {}
    # A fleet whose designs fill 0.6 to 0.95 of their displacement says nothing of one that fills 0.8.
    designs = {f"V{i}": [(0.6 + 0.05 * i) * 2.0] for i in range(8)}
    sizes = {unit: (f"F{i}", 2.0) for i, unit in enumerate(designs)}
    assert off(designs, sizes) == {}


def test_a_past_that_scatters_is_no_yardstick():
    # 10 % up and down from week to week: 3 * 1.4826 * 0.2007 / sqrt(2) = 0.63.
    assert off({"V1": [2.2, 1.8] * 4}, {"V1": (None, None)}) == {}
    # A meter that steps once scatters no more than before.
    stepped = off({"V1": [2.0, 2.02, 2.0, 2.02, 2.0, 1.6, 1.62, 1.6]}, {"V1": (None, None)})
    assert stepped["V1"][-1] == pytest.approx(-20.0)
