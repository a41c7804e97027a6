"""The signal dictionary: canonical names, units, ranges and staleness bounds, read from ``config/signals.csv``."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache

from pipeline.settings import CONFIG


@dataclass(frozen=True)
class Signal:
    """One canonical signal of the readings."""

    name: str
    unit: str
    type: str
    pid: str
    least: float
    most: float
    staleness_s: float
    note: str


@cache
def signals() -> dict[str, Signal]:
    """Canonical name -> signal, in the order of the file."""
    with (CONFIG / "signals.csv").open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    return {
        row["name"]: Signal(
            name=row["name"],
            unit=row["unit"],
            type=row["type"],
            pid=row["pid"],
            least=float(row["least"]),
            most=float(row["most"]),
            staleness_s=float(row["staleness_s"]),
            note=row["note"],
        )
        for row in rows
    }
