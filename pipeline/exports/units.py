"""Units of measurement that files use, and their conversion into those of the signals: ``config/units.toml``."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import TypeVar

import polars as pl

from pipeline.settings import CONFIG

Number = TypeVar("Number", float, pl.Series)


@dataclass(frozen=True)
class Unit:
    """Value in the base unit of ``quantity`` = value * factor + offset; of its reciprocal where so declared.

    ``needs`` names the assumptions that a conversion takes.
    """

    name: str
    quantity: str
    factor: float
    offset: float
    reciprocal: bool
    needs: tuple[str, ...]
    spellings: tuple[str, ...]
    source: str


@cache
def units() -> dict[str, Unit]:
    """Every unit by its name."""
    return {
        name: Unit(
            name=name,
            quantity=body["quantity"],
            factor=body["factor"],
            offset=body.get("offset", 0.0),
            reciprocal=body.get("reciprocal", False),
            needs=tuple(body.get("needs", ())),
            spellings=tuple(body.get("spellings", ())),
            source=body["source"],
        )
        for name, body in _declared()["units"].items()
    }


@cache
def constants() -> dict[str, float]:
    """Constants of nature that conversions take, in units of the SI."""
    return {name: body["value"] for name, body in _declared()["constants"].items()}


def unit_named(text: str) -> Unit | None:
    """The unit of that name or spelling; letters keep their case, as mPa is not MPa."""
    return _spelt().get(text.strip())


def convert(values: Number, unit: Unit, target: Unit, given: Mapping[str, float]) -> Number:
    """Values of ``unit`` in ``target``.

    Args:
        given: the assumptions that ``unit.needs`` names: ``stoichiometric``, the air-fuel ratio by mass at
            lambda 1; ``air_degc`` and ``air_kpa``, the state of the air whose volume is measured.

    Raises:
        ValueError: the two measure different quantities.
        KeyError: an assumption is missing.
    """
    if unit.quantity != target.quantity or target.needs or target.reciprocal:
        raise ValueError(f"{unit.name} cannot be converted into {target.name}")
    if unit == target:
        return values
    base = (1.0 / values if unit.reciprocal else values) * _factor(unit, given) + unit.offset
    return (base - target.offset) / target.factor


def density_of_air(degc: float, kpa: float) -> float:
    """Density of dry air in kg/m3 by the ideal gas law."""
    known = constants()
    kelvin = degc + units()["degC"].offset
    return kpa * units()["kPa"].factor * known["molar_mass_of_air"] / (known["gas_constant"] * kelvin)


def _factor(unit: Unit, given: Mapping[str, float]) -> float:
    if "stoichiometric" in unit.needs:
        return unit.factor / given["stoichiometric"]
    if "air_degc" in unit.needs:
        return unit.factor * density_of_air(given["air_degc"], given["air_kpa"])
    return unit.factor


@cache
def _declared() -> dict:
    return tomllib.loads((CONFIG / "units.toml").read_text(encoding="utf-8"))


@cache
def _spelt() -> dict[str, Unit]:
    return {text: unit for unit in units().values() for text in (unit.name, *unit.spellings)}
