"""Service $01 parameter ids: lengths, formulas and the places of oxygen sensors.

Formulas are those of SAE J1979-DA (= ISO 15031-5), appendix B, as far as the readings use them; the table
with the source of each id is ``config/pids.csv``.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache

import numpy as np

from pipeline.settings import CONFIG

# Big-endian number of the data bytes * multiplier / divisor + offset.
LINEAR = {
    "whole": (1.0, 1.0, 0.0),
    "quarter": (1.0, 4.0, 0.0),
    "tenth": (1.0, 10.0, 0.0),
    "thousandth": (1.0, 1000.0, 0.0),
    "tenth_less_40": (1.0, 10.0, -40.0),
    "temperature": (1.0, 1.0, -40.0),
    "percent": (100.0, 255.0, 0.0),
    "trim": (100.0, 128.0, -100.0),
}
# Those that PID $4F or $50 may rescale: index of the full scale, multiplier, divisor, raw full scale.
RESCALED = {
    "lambda": ("lambda", 2.0, 65536.0, 65535.0),
    "manifold_pressure": ("map", 1.0, 1.0, 255.0),
    "air_mass": ("maf", 1.0, 100.0, 65535.0),
}
SENSORS = {"narrowband": 0x14, "wide_voltage": 0x24, "wide_current": 0x34}  # formula -> first PID of eight
QUIET = ("mask", "location", "full_scale")  # say how others are to be read, carry no reading themselves

UNPLACED, BY_13, BY_1D, CONTRADICTORY = 0, 1, 2, 3
# PID $13: two banks of four sensors; PID $1D: four banks of two. Position of each of the eight places.
PLACES = {
    BY_13: ("b1s1", "b1s2", "b1s3", "b1s4", "b2s1", "b2s2", "b2s3", "b2s4"),
    BY_1D: ("b1s1", "b1s2", "b2s1", "b2s2", "b3s1", "b3s2", "b4s1", "b4s2"),
}


@dataclass(frozen=True)
class Pid:
    """One parameter id: bytes of data at least and at most, the signals it carries, and how."""

    number: int
    least: int
    most: int
    signals: tuple[str, ...]
    formula: str


@cache
def pids() -> dict[int, Pid]:
    """Number -> parameter id, in the order of the file."""
    with (CONFIG / "pids.csv").open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    found = {}
    for row in rows:
        least, _, most = row["bytes"].partition("-")
        found[int(row["pid"], 16)] = Pid(
            number=int(row["pid"], 16),
            least=int(least),
            most=int(most or least),
            signals=tuple(row["signal"].split()),
            formula=row["formula"],
        )
    return found


@cache
def lengths() -> tuple[np.ndarray, np.ndarray]:
    """Least and most bytes of data of every PID from $00 to $FF, 0 where the PID is not listed."""
    least, most = np.zeros(256, dtype=np.int64), np.zeros(256, dtype=np.int64)
    for number, pid in pids().items():
        least[number], most[number] = pid.least, pid.most
    return least, most


def supported(base: int, mask: int) -> set[int]:
    """PIDs that a 32 bit mask of PID ``base`` ($00, $20, ..) declares: the highest bit is base + 1."""
    return {base + place for place in range(1, 33) if mask >> (32 - place) & 1}
