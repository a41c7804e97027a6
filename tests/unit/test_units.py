"""Units of measurement against an independent library, and conversions worked out by hand."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.exports.layoutmodel import MEASURED
from pipeline.exports.units import constants, convert, density_of_air, unit_named, units
from pipeline.signals import signals

pint = pytest.importorskip("pint")
REGISTRY = pint.UnitRegistry()
AIR = {"air_degc": 20.0, "air_kpa": 101.325}

# The same unit in pint's words, and the base unit of its quantity.
WORDS = {
    "degC": "degC",
    "degF": "degF",
    "K": "kelvin",
    "m/s": "meter / second",
    "km/h": "kilometer / hour",
    "mph": "mile / hour",
    "m": "meter",
    "km": "kilometer",
    "mi": "mile",
    "Pa": "pascal",
    "hPa": "hectopascal",
    "mbar": "millibar",
    "kPa": "kilopascal",
    "bar": "bar",
    "MPa": "megapascal",
    "psi": "pound_force_per_square_inch",
    "inHg": "inch_Hg",
    "kg/s": "kilogram / second",
    "g/s": "gram / second",
    "kg/h": "kilogram / hour",
    "lb/min": "pound / minute",
    "cfm": "foot ** 3 / minute",
    "m3/h": "meter ** 3 / hour",
    "V": "volt",
    "mV": "millivolt",
    "A": "ampere",
    "mA": "milliampere",
    "uA": "microampere",
    "%": "percent",
    "fraction": "dimensionless",
    "ratio": "dimensionless",
    "1/s": "1 / second",
    "1/min": "1 / minute",
    "ms": "millisecond",
    "s": "second",
    "min": "minute",
    "h": "hour",
    "l": "liter",
    "cm3": "centimeter ** 3",
    "code": "dimensionless",
    "0/1": "dimensionless",
}
BASES = {
    "temperature": "kelvin",
    "speed": "meter / second",
    "distance": "meter",
    "pressure": "pascal",
    "mass flow": "kilogram / second",
    "voltage": "volt",
    "current": "ampere",
    "share": "dimensionless",
    "mixture": "dimensionless",
    "revolutions": "1 / second",
    "time": "second",
    "volume": "meter ** 3",
    "code": "dimensionless",
    "flag": "dimensionless",
}


def test_every_unit_has_a_word_or_a_test_of_its_own():
    assert set(units()) == set(WORDS) | {"afr", "phi"}
    assert {unit.quantity for unit in units().values()} == set(BASES)


@pytest.mark.parametrize("name", WORDS)
@pytest.mark.parametrize("value", [-3.5, 0.0, 1.0, 98.6, 12345.678])
def test_factor_and_offset_against_pint(name, value):
    unit = units()[name]
    base = "meter ** 3 / second" if unit.needs else BASES[unit.quantity]
    expected = REGISTRY.Quantity(value, WORDS[name]).to(base).magnitude
    assert value * unit.factor + unit.offset == pytest.approx(expected, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(
    ("source", "target"),
    [
        (source, target)
        for source in WORDS
        for target in sorted({signal.unit for signal in signals().values()} | set(MEASURED.values()))
        if units()[source].quantity == units()[target].quantity and not units()[source].needs
    ],
)
def test_conversion_into_signals_against_pint(source, target):
    values = pl.Series([-3.5, 0.0, 1.0, 98.6, 12345.678])
    expected = [REGISTRY.Quantity(value, WORDS[source]).to(WORDS[target]).magnitude for value in values]
    found = convert(values, units()[source], units()[target], {})
    assert found.to_list() == pytest.approx(expected, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("name", ["cfm", "m3/h"])
def test_volume_flow_against_pint(name):
    density = REGISTRY.Quantity(density_of_air(20.0, 101.325), "kilogram / meter ** 3")
    expected = (REGISTRY.Quantity(250.0, WORDS[name]) * density).to("gram / second").magnitude
    assert convert(250.0, units()[name], units()["g/s"], AIR) == pytest.approx(expected, rel=1e-9)


def test_density_of_air():
    """U.S. Standard Atmosphere, 1976, table I: 1.2250 kg/m3 at 15 degC and 1013.25 hPa."""
    assert density_of_air(15.0, 101.325) == pytest.approx(1.2250, abs=5e-5)
    assert density_of_air(15.0, 50.6625) == pytest.approx(0.6125, abs=5e-5)


def test_gas_constant_against_pint():
    found = REGISTRY.Quantity(1, "molar_gas_constant").to("joule / mole / kelvin").magnitude
    assert constants()["gas_constant"] == pytest.approx(found, rel=1e-9)


@pytest.mark.parametrize(
    ("source", "value", "target", "expected"),
    [
        ("degF", 212.0, "degC", 100.0),
        ("degF", -40.0, "degC", -40.0),
        ("K", 273.15, "degC", 0.0),
        ("mph", 60.0, "km/h", 96.56064),
        ("psi", 14.6959, "kPa", 101.325),
        ("inHg", 29.92, "kPa", 101.321),
        ("mV", 450.0, "V", 0.45),
        ("fraction", 0.5, "%", 50.0),
        ("1/s", 10.0, "1/min", 600.0),
        ("uA", 1500.0, "mA", 1.5),
        ("cm3", 1998.0, "l", 1.998),
    ],
)
def test_conversions_by_hand(source, value, target, expected):
    assert convert(value, units()[source], units()[target], {}) == pytest.approx(expected, rel=2e-5)


def test_mixtures():
    """Lambda = AFR / stoichiometric AFR = 1 / phi."""
    lam = units()["ratio"]
    assert convert(14.7, units()["afr"], lam, {"stoichiometric": 14.7}) == 1.0
    assert convert(9.0, units()["afr"], lam, {"stoichiometric": 9.0}) == 1.0
    assert convert(1.25, units()["phi"], lam, {}) == pytest.approx(0.8)
    assert convert(pl.Series([0.5]), units()["phi"], lam, {}).to_list() == [2.0]


def test_what_cannot_be_converted():
    with pytest.raises(ValueError, match="cannot be converted"):
        convert(1.0, units()["mph"], units()["degC"], {})
    with pytest.raises(ValueError, match="cannot be converted"):
        convert(1.0, units()["g/s"], units()["cfm"], AIR)
    with pytest.raises(KeyError):
        convert(1.0, units()["cfm"], units()["g/s"], {})


def test_spellings_are_unambiguous_and_keep_their_case():
    spelt = [text for unit in units().values() for text in (unit.name, *unit.spellings)]
    assert len(spelt) == len(set(spelt))
    assert unit_named(" °F ").name == "degF"
    assert unit_named("rpm").name == "1/min"
    assert unit_named("mPa") is None


def test_every_unit_of_a_signal_is_known_and_every_unit_has_a_source():
    assert {signal.unit for signal in signals().values()} <= set(units())
    assert all(len(unit.source) > 5 for unit in units().values())
