"""Which parts a vehicle has, and which vehicles are out of scope."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from pipeline.components import IN_SCOPE_FUELS, expected_components, gone_quiet, never_hot, scope_of
from pipeline.settings import Settings
from pipeline.tables import table

DAY = date(2026, 4, 1)


def register(*rows: dict) -> pl.DataFrame:
    schema = table("register").schema
    return pl.DataFrame([dict.fromkeys(schema) | row for row in rows], schema=schema)


def days(*rows: tuple[str, str, str]) -> pl.DataFrame:
    """Indicator days as (unit, component, indicator)."""
    schema = table("indicator_days").schema
    known = (
        {"unit_id": unit, "component": component, "indicator": name, "day": DAY}
        for unit, component, name in rows
    )
    return pl.DataFrame([dict.fromkeys(schema) | row for row in known], schema=schema)


def unit(units: pl.DataFrame, unit_id: str) -> dict:
    return units.filter(pl.col("unit_id") == unit_id).row(0, named=True)


def parts(units: pl.DataFrame, unit_id: str) -> list[str]:
    return expected_components(units).filter(pl.col("unit_id") == unit_id)["component"].to_list()


def test_one_bank_has_three_parts_and_two_have_six() -> None:
    units = scope_of(
        register(
            {"unit_id": "V4", "fuel": "petrol", "banks": 1}, {"unit_id": "V6", "fuel": "petrol", "banks": 2}
        ),
        days(),
    )
    assert parts(units, "V4") == ["B1S1", "B1S2", "CAT1"]
    assert parts(units, "V6") == ["B1S1", "B1S2", "B2S1", "B2S2", "CAT1", "CAT2"]
    made = expected_components(units)
    assert set(made.select("component", "part", "bank").iter_rows()) >= {
        ("B2S1", "upstream", 2),
        ("B2S2", "downstream", 2),
        ("CAT2", "catalyst", 2),
        ("CAT1", "catalyst", 1),
    }


@pytest.mark.parametrize("seen", ["B2S1", "B2S2", "BANK2"])
def test_readings_tell_the_banks_where_the_register_does_not(seen: str) -> None:
    units = scope_of(
        register({"unit_id": "V", "fuel": "petrol"}), days(("V", "B1S1", "up_swing_v"), ("V", seen, "x"))
    )
    assert unit(units, "V")["banks"] == 2


def test_register_goes_before_the_readings() -> None:
    given = {"unit_id": "V", "fuel": "petrol", "banks": 1, "upstream_sensor": "narrowband"}
    units = scope_of(register(given), days(("V", "B2S1", "wide_gain_ratio")))
    assert (unit(units, "V")["banks"], unit(units, "V")["kind"]) == (1, "narrowband")


def test_readings_tell_the_sensor_where_the_register_does_not() -> None:
    units = scope_of(
        register({"unit_id": "W", "fuel": "petrol"}, {"unit_id": "N", "fuel": "petrol"}),
        days(("W", "B1S1", "wide_gain_ratio"), ("N", "B1S1", "up_swing_v")),
    )
    assert unit(units, "W")["kind"] == "wide_range" and unit(units, "N")["kind"] == "narrowband"


def test_vehicle_unknown_to_the_register_is_kept() -> None:
    units = scope_of(register(), days(("V", "B1S1", "up_swing_v")))
    found = unit(units, "V")
    assert found["registered"] is False and found["has_days"] is True and found["out_of_scope"] == ""
    assert (found["depot"], found["engine_family"], found["banks"]) == ("", "", 1)
    assert parts(units, "V") == ["B1S1", "B1S2", "CAT1"]


@pytest.mark.parametrize("fuel", [*IN_SCOPE_FUELS, None])
def test_fuels_under_lambda_control_are_in_scope(fuel: str | None) -> None:
    assert unit(scope_of(register({"unit_id": "V", "fuel": fuel}), days()), "V")["out_of_scope"] == ""


@pytest.mark.parametrize(
    ("fuel", "said"),
    [
        ("diesel", "diesel: no lambda control"),
        ("electric", "electric: no combustion"),
        ("hydrogen", "fuel not known"),
    ],
)
def test_other_fuels_are_out_of_scope_and_say_why(fuel: str, said: str) -> None:
    """Even where readings look like a sensor's."""
    units = scope_of(register({"unit_id": "V", "fuel": fuel, "banks": 2}), days(("V", "B1S1", "up_swing_v")))
    assert unit(units, "V")["out_of_scope"].startswith(said)
    assert parts(units, "V") == [""]
    row = expected_components(units).row(0, named=True)
    assert (row["part"], row["kind"], row["bank"], row["not_judged_because"]) == ("", "", 0, "")


def test_vehicle_without_readings_says_so_and_others_name_the_signal() -> None:
    units = scope_of(
        register({"unit_id": "A", "fuel": "petrol"}, {"unit_id": "B", "fuel": "petrol"}),
        days(("B", "UNIT", "x")),
    )
    because = {
        (row["unit_id"], row["component"]): row["not_judged_because"]
        for row in expected_components(units).iter_rows(named=True)
    }
    assert {because["A", name] for name in ("B1S1", "B1S2", "CAT1")} == {
        "no readings in the history of the list"
    }
    assert (
        "PID 14" in because["B", "B1S1"]
        and "PID 15" in because["B", "B1S2"]
        and "air mass" in because["B", "CAT1"]
    )


@pytest.mark.parametrize(
    ("component", "pids"),
    [("B1S1", "PID 14 or 24/34"), ("B1S2", "PID 15"), ("CAT1", "PID 15"), ("B2S1", "PID 18 or 28/38"), ("B2S2", "PID 19"),
     ("CAT2", "PID 19")],
)
def test_the_signal_to_log_is_that_of_the_parts_own_bank(component: str, pids: str) -> None:
    """SAE J1979 PID 13, two banks of four: sensors of bank 2 are read at 18, 19 and 28/38 (domain reference 1.3)."""
    units = scope_of(register({"unit_id": "V", "fuel": "petrol", "banks": 2}), days(("V", "UNIT", "x")))
    told = dict(expected_components(units).select("component", "not_judged_because").iter_rows())
    assert f"({pids})" in told[component]


def test_nobody_known_is_nobody_expected() -> None:
    assert expected_components(scope_of(register(), days())).is_empty()


def test_a_catalyst_that_is_never_hot_says_so_and_the_others_keep_their_reason():
    parts = expected_components(scope_of(register({"unit_id": "V1", "banks": 2, "fuel": "petrol"}), days()))
    standing = pl.DataFrame(
        {"unit_id": "V1", "component": ["CAT1", "CAT2"], "indicator": "catalyst_hot_share", "level": [0.01, 0.6]}
    )
    told = never_hot(parts, standing, 0.05)
    assert told.drop("not_judged_because").equals(parts.drop("not_judged_because"))
    changed = told.filter(pl.col("not_judged_because") != parts["not_judged_because"])
    assert changed["component"].to_list() == ["CAT1"]
    assert changed["not_judged_because"].item().startswith("never warm: the catalyst is hot in 1 % of the readings")


def test_a_vehicle_that_sends_no_more_is_told_so_and_no_signal_to_switch_on():
    seen = days(("V1", "UNIT", "x"), ("V2", "UNIT", "x"))
    units = scope_of(register({"unit_id": "V1", "fuel": "petrol"}, {"unit_id": "V3", "fuel": "diesel"}), seen)
    parts = expected_components(units)
    assert gone_quiet(parts, seen, DAY).equals(parts)
    seen = seen.with_columns(day=pl.when(pl.col("unit_id") == "V2").then(date(2026, 4, 8)).otherwise("day"))
    told = gone_quiet(parts, seen, date(2026, 4, 2))
    assert told.drop("not_judged_because").equals(parts.drop("not_judged_because"))
    changed = told.filter(pl.col("not_judged_because") != parts["not_judged_because"])
    assert changed["component"].to_list() == ["B1S1", "B1S2", "CAT1"] and set(changed["unit_id"]) == {"V1"}
    assert set(changed["not_judged_because"]) == {
        "no usable readings since 2026-04-01: see whether the vehicle is driven, and its gateway powered and in contact"
    }


def test_holds_name_the_signal_of_either_bank():
    """A hold is said of parts of both banks; PID 15 is the downstream sensor of bank 1 alone (SAE J1979 PID 13)."""
    told = Settings().config_file("blame.toml").read_text(encoding="utf-8")
    assert told.count("PID 15") == told.count("PID 15, in bank 2 PID 19") == 3
