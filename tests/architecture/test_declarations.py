"""Facts as data: limits, indicators and signals are complete, within bounds, and used."""

from __future__ import annotations

import re
from dataclasses import fields
from datetime import date, timedelta

import polars as pl
import pytest

from models.airmass import with_air_mass
from models.bias import WITNESSED, Stands, with_bias, with_rear_moved
from models.past import with_own_past
from models.probability import Weights
from pipeline.derive import STEPS as DERIVE_STEPS
from pipeline.facts import read_indicators
from pipeline.limits import qualify_params, read_limits
from pipeline.query import SQL, step
from pipeline.settings import Settings
from pipeline.signals import signals
from pipeline.tables import tables
from tests.architecture.source import modules, strings

LIMITS = read_limits(Settings())
STEPS = [path.stem for path in sorted(SQL.glob("*.sql"))]
EVERY = STEPS + [f"checks/{path.stem}" for path in sorted((SQL / "checks").glob("*.sql"))]
SPOKEN = {text for module in modules().values() for _, text in strings(module.tree)}


def all_sql() -> str:
    return "\n".join(step(name).text for name in STEPS)


# -- limits ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("section", "name"), [(section, name) for section in LIMITS for name in LIMITS[section]]
)
def test_a_limit_is_complete_and_within_its_bounds(section, name):
    limit = LIMITS[section][name]
    assert limit.unit
    assert len(limit.source) > 10
    assert limit.least < limit.most
    assert limit.least <= limit.value <= limit.most


def test_limits_have_the_two_known_sections():
    assert set(LIMITS) == {"qualify", "judge"}
    assert not set(LIMITS["qualify"]) & set(LIMITS["judge"])


@pytest.mark.parametrize("name", sorted(LIMITS["qualify"]))
def test_a_qualifying_limit_is_used_by_a_step(name):
    assert any(name in step(stem).params for stem in STEPS)


@pytest.mark.parametrize("name", sorted(LIMITS["judge"]))
def test_a_judging_limit_is_used_by_python_and_never_by_sql(name):
    weights = {f"probability_{field.name}" for field in fields(Weights)}
    assert name in SPOKEN or name in weights
    assert f"params.{name}" not in all_sql()


@pytest.mark.parametrize("unit_suffix", ["_s", "_v", "_degc", "_pct", "_kmh", "_rpm", "_ma"])
def test_a_name_that_ends_in_a_unit_has_that_unit(unit_suffix):
    meant = {"_s": "s", "_v": "V", "_degc": "degC", "_pct": "%", "_kmh": "km/h", "_rpm": "1/min", "_ma": "mA"}
    for name, limit in LIMITS["qualify"].items():
        if name.endswith(unit_suffix):
            assert limit.unit == meant[unit_suffix], name


# -- SQL headers -----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", EVERY)
def test_header_params_exist_and_are_those_of_the_text(name):
    made = step(name)
    assert set(made.params) <= set(qualify_params(Settings()))
    assert set(made.params) == set(re.findall(r"\bparams\.(\w+)", made.text))


@pytest.mark.parametrize("name", EVERY)
def test_header_reads_are_those_of_the_text(name):
    made = step(name)
    assert set(re.findall(r"\b(?:from|join) (\w+)", made.text)) & set(tables()) == set(made.reads)


def test_steps_run_in_the_order_of_what_they_read():
    made: set[str] = set()
    within = {step(name).table for name in DERIVE_STEPS}
    for name in DERIVE_STEPS:
        assert set(step(name).reads) & within <= made, name
        made.add(step(name).table)


# -- numbers in SQL --------------------------------------------------------------------------------

STRUCTURE = {
    "0": "none, the start of the scale, or a placeholder",
    "1": "one row back, bank 1, stoichiometric lambda, closed-loop bit, or a whole share",
    "2": "bank 2, closed-loop status (SAE J1979 PID 03), a square, a half, or a pair of readings",
    "3": "decimals kept",
    "6": "decimals kept",
    "4": "open loop by driving (SAE J1979 PID 03)",
    "8": "open loop by a fault (SAE J1979 PID 03)",
    "16": "closed loop with a faulty sensor (SAE J1979 PID 03)",
    "0.02": "quantile",
    "0.05": "quantile",
    "0.1": "quantile",
    "0.9": "quantile",
    "0.95": "quantile",
    "0.98": "quantile",
    "3600": "seconds an hour",
    "1000000": "microseconds a second",
    "1000000.0": "microseconds a second",
}
IN_ONE_FILE = {
    ("lib/macros", "0.232"): "mass fraction of oxygen in air, with its source beside it",
    ("lib/macros", "2.563"): "standard deviations between the 10 and the 90 % point of a normal distribution",
    ("33_catalyst", "20"): "pairs before a correlation is a number at all",
    ("36_fuelling", "0.287"): "gas constant of air in J/(g K), as its comment says",
    ("36_fuelling", "273.15"): "kelvin at 0 degC",
    ("36_fuelling", "120"): "seconds of two turns times revolutions a minute",
    ("39_wide_range_cells", "2.54"): "pump current in air of the published table in mA, as the header says",
    ("40_warm_up", "60"): "seconds a minute",
    ("66_test_margins", "65535"): "end of the 16 bit scale (SAE J1979, service $06)",
    ("66_test_margins", "128"): "first signed unit-and-scaling id (SAE J1979-DA)",
    ("66_test_margins", "32768"): "lower end of the signed 16 bit scale (SAE J1979, service $06)",
    ("66_test_margins", "32767"): "upper end of the signed 16 bit scale (SAE J1979, service $06)",
    ("67_misfire_weeks", "161"): "monitor $A1: misfire of all cylinders (SAE J1979-DA)",
    ("67_misfire_weeks", "173"): "monitor $AD: misfire of cylinder 12 (SAE J1979-DA)",
    ("67_misfire_weeks", "11"): "test $0B: average over ten driving cycles (SAE J1979-DA)",
    ("67_misfire_weeks", "12"): "test $0C: last or current driving cycle (SAE J1979-DA)",
}
IN_ONE_FILE |= {
    ("39_wide_range_cells", number): "node of the published table of pump current and lambda"
    for number in (
        "0.652 0.850 0.405 0.900 0.183 0.950 0.040 0.990 0.0 1.003"
        " 0.015 1.010 0.097 1.050 0.193 1.100 0.329 1.179 0.671 1.429"
    ).split()
}


def numbers_in(text: str) -> set[str]:
    """Numeric literals of a SQL text outside of comments and strings."""
    bare = re.sub(r"'[^']*'", "''", re.sub(r"--.*", "", text))
    return set(re.findall(r"(?<![\w.])\d+(?:\.\d+)?(?![\w.])", bare))


@pytest.mark.parametrize("path", sorted(SQL.rglob("*.sql")), ids=lambda path: path.stem)
def test_no_physical_number_in_sql(path):
    name = str(path.relative_to(SQL).with_suffix(""))
    allowed = set(STRUCTURE) | {number for file, number in IN_ONE_FILE if file == name}
    assert numbers_in(path.read_text(encoding="utf-8")) <= allowed


def test_every_allowed_number_is_needed():
    texts = {
        str(path.relative_to(SQL).with_suffix("")): path.read_text(encoding="utf-8")
        for path in SQL.rglob("*.sql")
    }
    found = set().union(*(numbers_in(text) for text in texts.values()))
    assert set(STRUCTURE) <= found
    for file, number in IN_ONE_FILE:
        assert number in numbers_in(texts[file])


def test_numbers_are_recognised():
    assert numbers_in("select a1 * 0.6, 'x 7' -- 9\nfrom t2 where b > 12") == {"0.6", "12"}


@pytest.mark.parametrize("path", sorted(SQL.rglob("*.sql")), ids=lambda path: path.stem)
def test_sql_names_no_path_and_no_clock(path):
    text = re.sub(r"--.*", "", path.read_text(encoding="utf-8").lower())
    assert not re.search(r"\b(now|today|current_date|current_timestamp|random|read_parquet|read_csv)\b", text)


# -- indicators ------------------------------------------------------------------------------------

DECLARED = set(read_indicators(Settings())["indicator"])


def made_by_sql() -> set[str]:
    """Indicators that steps make: the unpivoted columns, and those named in words."""
    unpivoted = re.findall(r"\bon\s+([a-z_0-9,\s]+?)\s+into\s+name\s+indicator", all_sql())
    named = re.findall(r"'(\w+)' as indicator\b", all_sql())
    for cases in re.findall(r"\bcase\b((?:(?!\bcase\b).)*?)end as indicator\b", all_sql(), re.DOTALL):
        named += re.findall(r"'(\w+)'", cases)
    return {part.strip() for group in unpivoted for part in group.split(",")} | set(named)


def made_by_models() -> set[str]:
    """Indicators that are worked out from weekly values of others."""
    weeks = pl.DataFrame(
        {"unit_id": "V1", "component": ["BANK1", "B1S2"], "data_week": date(2026, 1, 5)}
        | {"indicator": ["trim_pct", "down_level_v"], "value": 1.0, "samples": 9, "days": 1}
    )
    drawn = pl.DataFrame(
        {"unit_id": "V1", "component": "UNIT", "data_week": [date(2026, 1, 5 + 7 * week) for week in range(4)]}
        | {"indicator": "full_charge_l", "value": 1.0, "samples": 9, "days": 1}
    )
    references = pl.DataFrame({"unit_id": ["V1"], "reference_v": [0.7]})
    register = pl.DataFrame({"unit_id": "V1", "engine_family": "F", "displacement_l": 1.0})
    made = {*with_bias(weeks, references, 50.0, 20.0)["indicator"], *with_air_mass(drawn, register, 8, 15.0)["indicator"]}
    standing = pl.concat([
        weeks.filter(pl.col("component") == component).with_columns(
            data_week=pl.lit(date(2026, 1, 5) + timedelta(weeks=week)), indicator=pl.lit(name)
        )
        for week in range(5)
        for component, name in (("BANK1" if name.startswith("trim") else "B1S2", name) for name in WITNESSED)
    ])
    fits = pl.DataFrame(schema={"unit_id": pl.String, "component": pl.String, "fitted_on": pl.Date})
    made |= {*with_rear_moved(standing, fits, Stands(0.12, 0.06, 0.7, 1.2))["indicator"]} - {*standing["indicator"]}
    measured = pl.DataFrame({"indicator": sorted(made_by_sql())})
    told_twice = {*with_own_past(measured, read_indicators(Settings()))["indicator"]} - {*measured["indicator"]}
    return (made - {"trim_pct", "down_level_v", "full_charge_l"}) | told_twice


def test_every_declared_indicator_is_made_and_every_made_one_declared():
    assert made_by_sql() | made_by_models() == DECLARED
    assert not made_by_sql() & made_by_models()


def test_indicators_are_recognised():
    assert {"up_p05_v", "up_activity_v", "never_closed_share", "odometer_km", "oxygen_g"} <= made_by_sql()


# -- signals ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(signals()))
def test_a_signal_is_used_by_a_step_and_has_bounds(name):
    signal = signals()[name]
    assert re.search(rf"\b{name}\b", all_sql())
    assert signal.unit
    assert signal.note
    assert signal.least < signal.most
    assert signal.staleness_s > 0
