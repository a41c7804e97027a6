"""What a trip brings to each lane, worked out once a second before the fast loop runs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sample_lake.control import transport_delay_s
from sample_lake.engine import Drive
from sample_lake.exhaust import activity, capacity_now, element_degc, leak_now
from sample_lake.physics import Physics


@dataclass(frozen=True)
class Lanes:
    """Constants of each lane, shape (lanes,); `condition` holds `conditions.NAMES`."""

    wide: bool
    displacement_l: np.ndarray
    banks: np.ndarray
    shared: dict[str, np.ndarray]
    condition: dict[str, np.ndarray]
    ambient_degc: np.ndarray
    start_degc: np.ndarray


@dataclass(frozen=True)
class Course:
    """A trip's course, arrays of shape (seconds, lanes); only `wait_s` has the shape (lanes,).

    Activity of the sensors is 0 to 1, `air_gs` the bank's air, `error` the lambda error before trims,
    `false_air` a leak ahead of the sensor, `leak` the share of gas that passes the catalyst, `wait_s` the
    time before lambda control starts.
    """

    front_active: np.ndarray
    rear_active: np.ndarray
    air_gs: np.ndarray
    error: np.ndarray
    false_air: np.ndarray
    delay_s: np.ndarray
    capacity_g: np.ndarray
    leak: np.ndarray
    idle: np.ndarray
    wait_s: np.ndarray


def prepare(drive: Drive, lanes: Lanes, physics: Physics) -> Course:
    """Work out a `Course` from the engine's state and the lanes' condition."""
    cond = lanes.condition
    start = np.minimum(lanes.start_degc, 500.0)

    def active(gas_degc: np.ndarray, time_s: np.ndarray, heater: np.ndarray) -> np.ndarray:
        degc = element_degc(
            gas_degc,
            drive.supply_v,
            drive.running,
            lanes.ambient_degc,
            start,
            cond["heater_lift_k"],
            time_s,
            heater,
        )
        return activity(degc, physics.active_degc)

    air = drive.maf_gs / lanes.banks
    # A leak is a fixed mass of air, so its share of the mixture falls as the flow rises.
    idleness = np.minimum(1.0, 1.25 * lanes.displacement_l / np.maximum(drive.maf_gs, 0.3))
    tip = np.clip(np.diff(drive.map_kpa, axis=0, prepend=drive.map_kpa[:1]) * 0.0004, -0.02, 0.025)
    high = np.clip((drive.load_pct - 55) / 35, 0, 1)
    return Course(
        front_active=active(drive.gas_degc, cond["heater_time_s"], cond["heater"]),
        rear_active=active(drive.gas_degc - 40, cond["rear_heater_time_s"], cond["rear_heater"]),
        air_gs=air,
        error=cond["error_all"] + cond["error_idle"] * idleness + tip + cond["error_high"] * high,
        false_air=cond["false_air"] * idleness,
        delay_s=transport_delay_s(
            drive.rpm, air, lanes.shared["delay_cycles"], cond["exhaust_volume_l"], drive.gas_degc
        ),
        capacity_g=capacity_now(cond["storage_g"], drive.gas_degc),
        leak=leak_now(cond["leak"], cond["light_off_degc"], drive.gas_degc, air),
        idle=(drive.rpm < 1050) & (drive.speed_kmh < 4),
        wait_s=8 + lanes.shared["wait_s_per_k"] * np.maximum(0.0, 45.0 - drive.coolant_degc[0]),
    )
