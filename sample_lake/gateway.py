"""The gateway: polls signals one after another, at its own rate, in service $01 resolution, with its own
defects."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sample_lake.fleet import Unit
from sample_lake.loop import RECORDS_PER_S

# Resolution of one bit (SAE J1979, Annex B); fuel trims and load are 8 bit, lambda and pump current 16 bit.
STEPS = {
    "rpm": 0.25,
    "speed_kmh": 1.0,
    "coolant_degc": 1.0,
    "intake_air_degc": 1.0,
    "ambient_degc": 1.0,
    "load_pct": 100 / 255,
    "throttle_pct": 100 / 255,
    "maf_gs": 0.01,
    "map_kpa": 1.0,
    "baro_kpa": 1.0,
    "run_time_s": 1.0,
    "odometer_km": 0.1,
    "supply_v": 0.001,
    "lambda_target": 2 / 65536,
    "catalyst": 0.1,
    "stft": 100 / 128,
    "ltft": 100 / 128,
    "o2": 0.005,
    "lambda": 2 / 65536,
    "pump": 1 / 256,
    "distance_since_clear_km": 1.0,
    "mil_on": 1.0,
    "fuel_status": 1.0,
}
SMOOTHED = {"rpm": 8.0, "maf_gs": 0.05, "lambda": 0.001, "lambda_target": 0.001, "supply_v": 0.05}
"""Coarser steps some control units send: their own internal resolution (invented)."""

COLUMNS = (
    "rpm",
    "speed_kmh",
    "coolant_degc",
    "intake_air_degc",
    "ambient_degc",
    "load_pct",
    "throttle_pct",
    "maf_gs",
    "map_kpa",
    "baro_kpa",
    "run_time_s",
    "odometer_km",
    "supply_v",
    "lambda_target",
    "fuel_status_b1",
    "fuel_status_b2",
    "stft_b1_pct",
    "ltft_b1_pct",
    "stft_b2_pct",
    "ltft_b2_pct",
    "o2_b1s1_v",
    "o2_b1s2_v",
    "o2_b2s1_v",
    "o2_b2s2_v",
    "lambda_b1s1",
    "lambda_b2s1",
    "pump_b1s1_ma",
    "pump_b2s1_ma",
    "catalyst_b1s1_degc",
    "catalyst_b2s1_degc",
    "mil_on",
    "distance_since_clear_km",
)
ENGINE_GROUP = frozenset({"rpm", "speed_kmh", "load_pct", "throttle_pct", "maf_gs", "map_kpa"})


@dataclass(frozen=True)
class Signal:
    """A signal of one trip: `values` at `per_s` samples a second; `slow` ones are polled seldom."""

    name: str
    kind: str
    values: np.ndarray
    per_s: int
    slow: bool = False
    continuous: bool = False


def quantised(kind: str, values: np.ndarray) -> np.ndarray:
    """Round to what the bus carries."""
    step = STEPS[kind]
    if kind in SMOOTHED:
        values = np.round(values / SMOOTHED[kind]) * SMOOTHED[kind]
    return (np.round(values / step) * step).astype(np.float32)


def log_trip(
    unit: Unit, signals: list[Signal], seconds: int, rng: np.random.Generator
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Sample one trip.

    Returns the seconds since its start (rows,) in steps of 10 ms, and a float32 column for every signal
    (rows,), NaN where it was not sampled. Signals are taken 20 to 500 ms apart inside a row.
    """
    gateway = unit.gateway
    rows = int((seconds - 1.5) / gateway.interval_s)
    moments = np.arange(rows) * gateway.interval_s + rng.uniform(0.0, min(1.0, gateway.interval_s))
    moments = np.round(moments + rng.uniform(0.0, 0.06, rows), 2)
    skew = np.random.default_rng(gateway.skew_seed).uniform(0.02, 0.5, 64)
    # A vehicle's polls come round in the same order, so a slow signal keeps its place in the cycle.
    cycle = max(1, round(gateway.slow_every_s / gateway.interval_s))
    columns: dict[str, np.ndarray] = {}
    for place, signal in enumerate(signals):
        at = (moments + skew[place % 64] + rng.uniform(0.0, 0.03, rows)) * signal.per_s
        whole = np.minimum(at.astype(np.intp), len(signal.values) - 1)
        values = signal.values[whole].astype(float)
        if signal.continuous:
            after = signal.values[np.minimum(whole + 1, len(signal.values) - 1)]
            values = values + (after - values) * (at - whole)
        if signal.kind == "o2" and gateway.volts_step > STEPS["o2"]:
            values = np.round(values / gateway.volts_step) * gateway.volts_step
        values = quantised(signal.kind, values)
        if signal.slow:
            values[(np.arange(rows) + place) % cycle != 0] = np.nan
        elif gateway.alternates:
            values[np.arange(rows) % 2 == int(signal.name in ENGINE_GROUP)] = np.nan
        elif gateway.robin > 1:
            values[(np.arange(rows) + place) % gateway.robin != 0] = np.nan
        columns[signal.name] = _filled(values) if gateway.fills else values
    _spoil(gateway.defect, columns, rows, gateway.interval_s, rng)
    return moments, columns


def _filled(values: np.ndarray) -> np.ndarray:
    """Every gap holds the last value before it (the first rows may stay empty)."""
    last = np.maximum.accumulate(np.where(np.isfinite(values), np.arange(len(values)), -1))
    return np.where(last >= 0, values[last], np.nan).astype(values.dtype)


def _spoil(
    defect: str, columns: dict[str, np.ndarray], rows: int, interval_s: float, rng: np.random.Generator
) -> None:
    if defect == "holds":
        # The gateway repeats the last word it got from the oxygen sensors for minutes.
        at = 0
        while at < rows:
            at += int(rng.exponential(120) / interval_s) + 1
            length = int(rng.uniform(60, 240) / interval_s)
            for name, values in columns.items():
                if name.startswith(("o2_", "lambda_b", "pump_", "stft_")) and at < rows:
                    values[at : at + length] = values[at]
            at += length
    elif defect == "drops":
        for name, values in columns.items():
            at = int(rng.exponential(60) / interval_s)
            while at < rows:
                length = int(rng.exponential(45) / interval_s) + 1
                if name not in ("speed_kmh", "odometer_km"):
                    values[at : at + length] = np.nan
                at += length + int(rng.exponential(50) / interval_s)


def fast_at(values: np.ndarray, name: str, kind: str) -> Signal:
    """A signal recorded by the fast loop."""
    return Signal(name, kind, values, RECORDS_PER_S)
