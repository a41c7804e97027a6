"""Invented exports for the ingest benchmark: unit-day files and a few big dumps, the same for the same seed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

UNIT_DAY_ROWS = 5000  # about 80 minutes of driving, one row a second
BIG_FILES = 3
SIGNALS = (
    "rpm",
    "speed_kmh",
    "coolant_degc",
    "intake_air_degc",
    "load_pct",
    "throttle_pct",
    "maf_gs",
    "run_time_s",
    "odometer_km",
    "supply_v",
    "fuel_status_b1",
    "stft_b1_pct",
    "ltft_b1_pct",
    "o2_b1s1_v",
    "o2_b1s2_v",
)
_START = datetime(2026, 1, 5, 6, tzinfo=UTC)


def unit_day(unit: int, day: int, rows: int = UNIT_DAY_ROWS) -> pl.DataFrame:
    """One unit's readings of one day: fast signals in every row, slow ones in every fifth or thirtieth."""
    chance = np.random.default_rng([unit, day, rows])
    walk = np.cumsum(chance.normal(0, 1, rows))
    moving = np.abs(np.sin(walk / 25))
    seconds = np.arange(rows)
    began = _START + timedelta(days=day, seconds=unit * 37 % 7200)
    fifth, thirtieth = seconds % 5 == unit % 5, seconds % 30 == unit % 30
    values = {
        "rpm": np.round(750 + 2800 * moving + chance.normal(0, 20, rows), 2),
        "speed_kmh": np.round(110 * moving),
        "coolant_degc": np.where(fifth, np.round(np.minimum(20 + seconds / 6, 88)), np.nan),
        "intake_air_degc": np.where(fifth, np.round(18 + 6 * moving), np.nan),
        "load_pct": np.round(18 + 60 * moving + chance.normal(0, 2, rows), 1),
        "throttle_pct": np.round(12 + 50 * moving, 1),
        "maf_gs": np.round(3 + 45 * moving + np.abs(chance.normal(0, 0.4, rows)), 2),
        "run_time_s": seconds.astype(float),
        "odometer_km": np.where(thirtieth, np.round(unit * 1000 + day * 80 + seconds * 0.015, 1), np.nan),
        "supply_v": np.where(thirtieth, np.round(13.8 + chance.normal(0, 0.1, rows), 2), np.nan),
        "fuel_status_b1": np.where(seconds < 60, 1.0, np.where(moving < 0.02, 4.0, 2.0)),
        "stft_b1_pct": np.round(chance.normal(0, 3, rows), 2),
        "ltft_b1_pct": np.where(fifth, np.round(2 + chance.normal(0, 0.4, rows), 2), np.nan),
        "o2_b1s1_v": np.round(0.45 + 0.4 * np.sin(seconds * 1.7 + unit) + chance.normal(0, 0.02, rows), 3),
        "o2_b1s2_v": np.round(0.65 + chance.normal(0, 0.02, rows), 3),
    }
    ts = pl.datetime_range(began, began + timedelta(seconds=rows - 1), "1s", time_unit="us", eager=True)
    signals = {name: pl.Series(values[name], dtype=pl.Float32).fill_nan(None) for name in SIGNALS}
    signals["odometer_km"] = pl.Series(values["odometer_km"], dtype=pl.Float64).fill_nan(None)
    units = pl.repeat(f"VE{unit:04}", rows, eager=True)
    return pl.DataFrame({"unit_id": units, "ts": ts, **signals})


def write_exports(folder: Path, rows: int, suffix: str) -> int:
    """Write about ``rows`` readings, half in files of one unit-day, half in dumps ordered by instant.

    Returns:
        The number of readings written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    days = 10
    units = max(rows // (2 * UNIT_DAY_ROWS * days), 1)
    for unit in range(units):
        for day in range(days):
            _write(unit_day(unit, day), folder / f"VE{unit:04}_{day:02}{suffix}")
    for number in range(BIG_FILES):
        parts = [
            unit_day(unit, day)
            for unit in range(units, 2 * units)
            for day in range(number, days, BIG_FILES)
        ]
        _write(pl.concat(parts).sort("ts", "unit_id"), folder / f"dump_{number}{suffix}")
    return 2 * units * days * UNIT_DAY_ROWS


def write_big(path: Path, size: int) -> int:
    """Write one CSV file of at least ``size`` bytes, ordered by day and instant; the number of readings."""
    units, rows, day = 60, 0, 0
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as handle:
        while handle.tell() < size:
            frame = pl.concat([unit_day(unit, day) for unit in range(units)]).sort("ts", "unit_id")
            _text(frame).write_csv(handle, include_header=day == 0)
            rows, day = rows + frame.height, day + 1
    return rows


def _write(frame: pl.DataFrame, path: Path) -> None:
    if path.suffix == ".parquet":
        frame.write_parquet(path)
    else:
        _text(frame).write_csv(path)


def _text(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.with_columns(pl.col("ts").dt.strftime("%Y-%m-%dT%H:%M:%SZ"))
