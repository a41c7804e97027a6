"""Cleaning of the small tables: trouble codes, on-board test results, the register and work orders."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.exports.readings import Cleaned
from pipeline.exports.scaling import scale
from pipeline.exports.sieve import Sieve

STATES = ("pending", "confirmed", "permanent", "cleared")
FUELS = ("petrol", "flex", "cng", "lpg", "hybrid", "diesel", "electric")
SENSORS = ("narrowband", "wide_range")
COMPONENTS = ("B1S1", "B1S2", "B2S1", "B2S2", "CAT1", "CAT2", "OTHER")
ACTIONS = ("replaced", "repaired", "inspected")
FINDINGS = ("confirmed", "no_fault_found", "unknown")

# SAE J2012: a letter, a first digit 0 to 3, three hexadecimal digits; J2012-DA appends a failure-type byte.
_CODE = r"^[PCBU][0-3][0-9A-F]{3}$"
_FAILURE_TYPE = r"-[0-9A-F]{2}$"

_FIRST_SERVICE, _FIRST_ORDER, _LAST = date(1950, 1, 1), date(1996, 1, 1), date(2100, 12, 31)
_MOST = 1e9  # plausible upper end of money and distance: catches a column of another meaning, judges nothing


def clean_codes(raw: pl.DataFrame, zone: str = "UTC") -> Cleaned:
    """Rows of table ``codes`` with their line: code in capitals, without failure type, empty for a clear."""
    sieve = Sieve(raw, zone)
    sieve.text("unit_id", needed=True)
    sieve.instant("ts")
    states = sieve.choice("state", STATES, needed=True)
    codes = sieve.text("code").str.to_uppercase().str.replace(_FAILURE_TYPE, "").fill_null("")
    cleared = (states == "cleared").fill_null(False)
    sieve.fault("code", ~cleared & ~codes.str.contains(_CODE), "not a trouble code such as P0420", row=True)
    sieve.replace("code", codes.set(cleared, ""))
    return sieve.cleaned()


def clean_onboard_tests(raw: pl.DataFrame, zone: str = "UTC") -> Cleaned:
    """Rows of table ``onboard_tests`` with their line, raw and scaled.

    Value, minimum and maximum all zero mean that the test has not run since the codes were cleared
    (SAE J1979, service $06).
    """
    sieve = Sieve(raw, zone)
    sieve.text("unit_id", needed=True)
    sieve.instant("ts")
    for name in ("obdmid", "tid", "uasid"):
        sieve.whole(name, 0, 0xFF, needed=True)
    for name in ("value", "min", "max"):
        sieve.whole(name, 0, 0xFFFF, needed=True, into=f"{name}_raw")
    cleaned = sieve.cleaned()
    frame, unknown = scaled_tests(cleaned.frame)
    return Cleaned(frame, cleaned.rows, pl.concat([cleaned.cells, unknown]))


def scaled_tests(raw: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows of table ``onboard_tests`` from raw values, and the cells whose scaling is not known."""
    scaled = scale(raw)
    unknown = scaled.filter(~pl.col("known")).select(
        "line",
        column=pl.lit("uasid"),
        value=pl.format("{}", "uasid"),
        reason=pl.lit("unit-and-scaling id not listed; the values stay raw"),
    )
    frame = scaled.drop("known").with_columns(
        has_run=(pl.col("value_raw") != 0) | (pl.col("min_raw") != 0) | (pl.col("max_raw") != 0)
    )
    return frame, unknown


def clean_register(raw: pl.DataFrame, zone: str = "UTC") -> Cleaned:
    """Rows of table ``register`` with their line; an unusable cell is emptied."""
    sieve = Sieve(raw, zone)
    sieve.text("unit_id", needed=True)
    sieve.text("engine_family")
    sieve.whole("model_year", 1950, 2100)
    sieve.choice("fuel", FUELS)
    sieve.whole("banks", 1, 2)
    sieve.choice("upstream_sensor", SENSORS)
    sieve.number("displacement_l", 0.0, 100.0, "l")
    sieve.text("depot")
    sieve.day("in_service_on", _FIRST_SERVICE, _LAST)
    sieve.text("vin_hash")
    return sieve.cleaned()


def clean_work_orders(raw: pl.DataFrame, zone: str = "UTC") -> Cleaned:
    """Rows of table ``work_orders`` with their line; an unknown word costs the row, a bad number the cell.

    A finding that nobody wrote down is "unknown": the part was exchanged all the same, and its history begins anew.
    """
    sieve = Sieve(raw, zone)
    sieve.text("order_id", needed=True)
    sieve.text("unit_id", needed=True)
    sieve.day("closed_on", _FIRST_ORDER, _LAST, needed=True)
    sieve.number("odometer_km", 0.0, _MOST, "km")
    sieve.choice("component", COMPONENTS, needed=True, upper=True)
    sieve.choice("action", ACTIONS, needed=True)
    sieve.choice("finding", FINDINGS, needed=True, empty="unknown")
    sieve.text("cause")
    sieve.number("parts_cost", 0.0, _MOST, "in the fleet's currency")
    sieve.number("labour_h", 0.0, _MOST, "h")
    return sieve.cleaned()


CLEANERS = {
    "codes": clean_codes,
    "onboard_tests": clean_onboard_tests,
    "register": clean_register,
    "work_orders": clean_work_orders,
}
