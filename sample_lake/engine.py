"""From a speed trace to the engine's state once a second: speed, air, load, overrun fuel cut, temperatures.

All arrays have the shape (seconds, trips). A deliberately plain longitudinal model: road load, a gearbox, a
Willans line for fuel, and first-order temperatures; its constants are from memory unless a source is given.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sample_lake.physics import Physics

KMH_PER_1000_RPM = np.array([7.5, 13.5, 20.0, 27.5, 35.0, 43.0])
STOICHIOMETRIC_AIR = 14.64
HEATING_VALUE = 42.7e6
AIR_DENSITY = 1.18
RESIDUAL_KPA = 8.0
"""Manifold pressure at which an engine draws nothing, since burned gas stays behind; ideal cycle, from memory."""


@dataclass(frozen=True)
class Trips:
    """What is known of each trip before it starts; arrays of shape (trips,)."""

    displacement_l: np.ndarray
    mass_kg: np.ndarray
    boost: np.ndarray
    hybrid: np.ndarray
    diesel: np.ndarray
    ambient_degc: np.ndarray
    coolant_degc: np.ndarray
    catalyst_degc: np.ndarray
    thermostat_degc: np.ndarray
    supply_v: np.ndarray


@dataclass(frozen=True)
class Drive:
    """State of the engine each second; arrays of shape (seconds, trips)."""

    speed_kmh: np.ndarray
    rpm: np.ndarray
    maf_gs: np.ndarray
    map_kpa: np.ndarray
    load_pct: np.ndarray
    throttle_pct: np.ndarray
    running: np.ndarray
    cut: np.ndarray
    enriched: np.ndarray
    coolant_degc: np.ndarray
    gas_degc: np.ndarray
    supply_v: np.ndarray


def road_power_w(speed_kmh: np.ndarray, mass_kg: np.ndarray) -> np.ndarray:
    """Power at the wheels in W (rolling, air and inertia), shape of `speed_kmh`."""
    v = speed_kmh / 3.6
    acceleration = np.gradient(v, axis=0)
    rolling = mass_kg * 9.81 * 0.011
    air = 0.5 * 1.2 * (0.75 + mass_kg * 0.00022) * v**2
    return (rolling * (v > 0.3) + air + 1.06 * mass_kg * acceleration) * v


def _air_capacity_gs(rpm: np.ndarray, trips: Trips) -> np.ndarray:
    return 0.88 * AIR_DENSITY * trips.displacement_l * rpm / 120 * trips.boost


def _air_demand_gs(power_w: np.ndarray, rpm: np.ndarray, trips: Trips) -> np.ndarray:
    friction = 1.25e5 * (0.8 + rpm / 6000) * trips.displacement_l * 1e-3 * rpm / 120
    fuel = np.maximum(0.0, (power_w / 0.92 + friction + 900.0) / 0.38) / HEATING_VALUE
    return fuel * 1e3 * STOICHIOMETRIC_AIR


def _gear(speed: np.ndarray, power: np.ndarray, trips: Trips) -> np.ndarray:
    """Gear index 0..5: the highest that keeps the engine above a floor and inside its air capacity."""
    floor = np.where(power < -2000, 1650.0, 1400.0)
    wanted = np.zeros(speed.shape, dtype=np.int8)
    for gear in range(len(KMH_PER_1000_RPM)):
        rpm = speed / KMH_PER_1000_RPM[gear] * 1000
        fits = (rpm > floor) & (_air_demand_gs(power, rpm, trips) < 0.78 * _air_capacity_gs(rpm, trips))
        wanted = np.where(fits, gear, wanted)
        lowest_sane = np.searchsorted(KMH_PER_1000_RPM * 5.5, speed)
    wanted = np.clip(np.maximum(wanted, lowest_sane), 0, len(KMH_PER_1000_RPM) - 1)
    gear = wanted.copy()
    for t in range(1, len(gear)):
        # A new gear is taken only once it has been wanted for two seconds running.
        steady = wanted[t] == wanted[max(0, t - 2)]
        gear[t] = np.where(steady, wanted[t], gear[t - 1])
    return gear


def _idle_rpm(coolant: np.ndarray) -> np.ndarray:
    return 740.0 + np.maximum(0.0, 60.0 - coolant) * 6.5


def simulate_drive(speed_kmh: np.ndarray, trips: Trips, physics: Physics) -> Drive:
    """Run the engine over `speed_kmh` (seconds, trips)."""
    seconds, count = speed_kmh.shape
    power = road_power_w(speed_kmh, trips.mass_kg)
    geared = speed_kmh / KMH_PER_1000_RPM[_gear(speed_kmh, power, trips)] * 1000
    shape = (seconds, count)
    rpm, maf, coolant, gas = (np.empty(shape) for _ in range(4))
    cut, running, enriched = (np.zeros(shape, dtype=bool) for _ in range(3))
    now_coolant = trips.coolant_degc.copy()
    now_gas = trips.catalyst_degc.copy()
    cut_now = np.zeros(count, dtype=bool)
    wants_cut_before = np.zeros(count, dtype=bool)
    enriched_for = np.zeros(count)
    rpm_now = _idle_rpm(now_coolant)
    for t in range(seconds):
        idle = _idle_rpm(now_coolant)
        rpm_now = rpm_now + 0.75 * (np.maximum(idle, geared[t]) - rpm_now)
        stopped = trips.hybrid & (now_coolant > 45) & (speed_kmh[t] < 45) & (power[t] < 7000)
        capacity = _air_capacity_gs(rpm_now, trips)
        air = np.minimum(_air_demand_gs(power[t], rpm_now, trips), capacity)
        wants_cut = (power[t] < -700) & (speed_kmh[t] > 12) & ~trips.diesel & (t > 25)
        cut_now = (wants_cut & wants_cut_before & (rpm_now > physics.cut_enter_rpm)) | (
            cut_now & wants_cut & (rpm_now > physics.cut_leave_rpm)
        )
        wants_cut_before = wants_cut
        closed_throttle_air = capacity / trips.boost * 0.24
        air = np.where(cut_now, closed_throttle_air, np.maximum(air, closed_throttle_air * 0.85))
        air = np.where(trips.diesel, np.maximum(air * 1.9, capacity / trips.boost * 0.8), air)
        load = np.minimum(100 * air / capacity, 100.0)  # PID 04 ends at 100 %
        enriched_for = np.where(load > physics.enrichment_load_pct, enriched_for + 1, 0)
        rpm[t], maf[t] = np.where(stopped, 0.0, rpm_now), np.where(stopped, 0.0, air)
        cut[t], running[t] = cut_now & ~stopped, ~stopped
        enriched[t] = (enriched_for > 1.5) & ~stopped & ~trips.diesel
        now_coolant, now_gas = _warm(
            now_coolant, now_gas, maf[t], cut[t], trips, physics.gas_offset_k
        )
        coolant[t], gas[t] = now_coolant, now_gas
    capacity = np.maximum(_air_capacity_gs(rpm, trips), 1e-6)
    fill = np.where(running, maf / capacity, 0.0)
    map_kpa = np.where(running, np.clip(RESIDUAL_KPA + 92 * fill * trips.boost, 15, 220), 100.0)
    throttle = 13 + 62 * np.clip(fill - 0.22, 0, 1) ** 1.3 + 10 * np.clip(rpm - 1500, 0, 4000) / 4000 * fill
    throttle = np.where(cut | ~running, 12.5, throttle)
    supply = np.where(running, trips.supply_v, np.minimum(trips.supply_v, 14.2)) - 0.12 * (rpm < 900)
    return Drive(
        speed_kmh, rpm, maf, map_kpa, 100 * fill, throttle, running, cut, enriched, coolant, gas, supply
    )


def _warm(
    coolant: np.ndarray, gas: np.ndarray, maf: np.ndarray, cut: np.ndarray, trips: Trips, offset_k: float
) -> tuple[np.ndarray, np.ndarray]:
    """One second of warm-up of the coolant and of the exhaust system ahead of the catalyst (degC)."""
    heat = 0.036 * maf / (0.6 + 0.3 * trips.displacement_l) * np.where(cut, 0.15, 1.0)
    loss = 0.0009 * (coolant - trips.ambient_degc)
    above = np.maximum(0.0, coolant - trips.thermostat_degc)
    coolant = coolant + heat - loss - np.minimum(0.5 * above, 1.2 * heat + 0.02 * above)
    target = np.where(cut | (maf == 0), 220.0, 310.0 + offset_k + 155.0 * np.log1p(maf / 3.0))
    return coolant, gas + (target - gas) * (maf + 3.0) / 420.0
