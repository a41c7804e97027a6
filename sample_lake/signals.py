"""Which signals a vehicle's control unit offers on a trip, and what they read."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from sample_lake.engine import AIR_DENSITY, RESIDUAL_KPA, Drive
from sample_lake.fleet import Unit
from sample_lake.gateway import Signal, fast_at
from sample_lake.history import History
from sample_lake.loop import Recorded
from sample_lake.schedule import Trip


def trip_signals(
    trip: Trip,
    i: int,
    lane: int,
    drive: Drive,
    recorded: Recorded | None,
    history: History,
    rng: np.random.Generator,
    air_reading: float = 1.0,
) -> Iterator[Signal]:
    """Signals of one trip in the order in which the gateway polls them.

    `drive` and `recorded` are transposed (trips or lanes first); `i` is the trip's row, `lane` its first
    bank's. `air_reading` is measured over true air mass flow; calculated load follows the measured one.
    """
    unit, reports = trip.unit, trip.unit.family.reports
    seconds = np.arange(trip.seconds)
    flat = np.ones(trip.seconds)
    if unit.family.fuel != "electric":
        yield Signal(
            "rpm",
            "rpm",
            drive.rpm[i] + rng.normal(0, 6, len(drive.rpm[i])) * (drive.rpm[i] > 0),
            1,
            continuous=True,
        )
        load = drive.load_pct[i]
        # PID 04 ends at 100 %.
        measured_load = np.minimum(load * air_reading, np.maximum(load, 100.0))
        yield Signal("load_pct", "load_pct", measured_load, 1, continuous=True)
        yield Signal("throttle_pct", "throttle_pct", drive.throttle_pct[i], 1, continuous=True)
        if "maf" in reports:
            yield Signal("maf_gs", "maf_gs", drive.maf_gs[i] * air_reading, 1, continuous=True)
        if "map" in reports:
            # The engine model breathes air of one density; the same mass of warmer air takes more pressure.
            kelvin = _intake_degc(trip, drive.speed_kmh[i]) + 273.15
            filled = (drive.map_kpa[i] - RESIDUAL_KPA) * kelvin * AIR_DENSITY * 0.287 / 101.325
            charged = np.where(drive.running[i], RESIDUAL_KPA + filled, drive.map_kpa[i])
            yield Signal("map_kpa", "map_kpa", charged, 1, continuous=True)
    yield Signal("speed_kmh", "speed_kmh", drive.speed_kmh[i], 1, continuous=True)
    if recorded is not None:
        for bank in range(unit.family.banks):
            yield from _bank_signals(unit, bank, lane + bank, recorded)
            if "catalyst" in reports:
                yield Signal(
                    f"catalyst_b{bank + 1}s1_degc",
                    "catalyst",
                    drive.gas_degc[i] + 25 - 14 * bank,
                    1,
                    slow=True,
                )
    distance = np.cumsum(trip.speed_kmh) / 3600
    clear_day = max((day for day in history.clears if day < trip.day), default=None)
    at_clear = (
        unit.odometer_at_clear_km
        if clear_day is None
        else unit.odometer_km + unit.km_per_week * clear_day / 7
    )
    yield Signal("odometer_km", "odometer_km", trip.odometer_km + distance, 1, slow=True)
    yield Signal("ambient_degc", "ambient_degc", trip.ambient_degc * flat, 1, slow=True)
    yield Signal(
        "supply_v", "supply_v", drive.supply_v[i] + rng.normal(0, 0.03, len(drive.supply_v[i])), 1, slow=True
    )
    if unit.family.fuel == "electric":
        return
    yield Signal("coolant_degc", "coolant_degc", drive.coolant_degc[i], 1, slow=True)
    yield Signal(
        "intake_air_degc",
        "intake_air_degc",
        _intake_degc(trip, drive.speed_kmh[i]),
        1,
        slow=True,
    )
    yield Signal("baro_kpa", "baro_kpa", unit.shared["baro_kpa"] * flat, 1, slow=True)
    yield Signal("run_time_s", "run_time_s", seconds, 1, slow=True)
    yield Signal("mil_on", "mil_on", history.mil_on(trip.day) * flat, 1, slow=True)
    yield Signal(
        "distance_since_clear_km",
        "distance_since_clear_km",
        np.clip(np.floor(trip.odometer_km + distance - at_clear), 0, 65535),
        1,
        slow=True,
    )


def _intake_degc(trip: Trip, speed_kmh: np.ndarray) -> np.ndarray:
    return trip.ambient_degc + 4 + 8 * np.exp(-speed_kmh / 40)


def _bank_signals(unit: Unit, bank: int, lane: int, recorded: Recorded) -> Iterator[Signal]:
    reports, n, fast = unit.family.reports, bank + 1, recorded.fast
    yield Signal(f"fuel_status_b{n}", "fuel_status", recorded.slow["status"][lane], 1)
    yield fast_at(fast["stft"][lane], f"stft_b{n}_pct", "stft")
    if unit.family.upstream == "narrowband":
        yield fast_at(fast["front"][lane], f"o2_b{n}s1_v", "o2")
        if "lambda_target" in reports and bank == 0:
            yield Signal("lambda_target", "lambda_target", recorded.slow["command"][lane], 1)
    else:
        if "lambda" in reports:
            yield fast_at(fast["lambda"][lane], f"lambda_b{n}s1", "lambda")
        if "pump" in reports:
            yield fast_at(fast["pump"][lane] * unit.family.pump_scale, f"pump_b{n}s1_ma", "pump")
        if "lambda_target" in reports and bank == 0:
            yield fast_at(fast["target"][lane], "lambda_target", "lambda_target")
    yield fast_at(fast["rear"][lane], f"o2_b{n}s2_v", "o2")
    yield Signal(f"ltft_b{n}_pct", "ltft", recorded.slow["ltft"][lane], 1, slow=True)
