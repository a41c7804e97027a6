"""Habits of a fleet that are not physics: driving, telemetry, workshop, and how often parts fail.

Defaults are the demo's. All figures are invented.
"""

from __future__ import annotations

from dataclasses import dataclass

from sample_lake.physics import Range

TOWN, COUNTRY, MOTORWAY = (15.0, 55.0), (40.0, 95.0), (80.0, 125.0)


@dataclass(frozen=True)
class Driving:
    """Logged trips and yearly use; `bands` are the speed ranges in km/h a free drive is drawn from."""

    trip_s: tuple[int, int] = (420, 900)
    bands: tuple[Range, ...] = (TOWN, TOWN, COUNTRY, COUNTRY, MOTORWAY)
    trace_share: float = 0.4
    cold_share: float = 0.3
    style: Range = (0.85, 1.2)
    km_per_week: Range = (220.0, 700.0)
    km_per_year: float = 17_000.0
    baro_kpa: Range = (97.0, 101.0)


@dataclass(frozen=True)
class Telemetry:
    """What gateways are like: shares of vehicles unless said otherwise.

    `intervals_s` are drawn evenly. A round-robin gateway polls one of `robin` groups a row; a filling one
    repeats the last value of what it did not poll. `missing` gives the share of vehicles without a signal
    (all columns whose name starts so), `codes`, or `onboard_tests`.
    """

    intervals_s: tuple[float, ...] = (1.0,)
    robin_share: float = 0.0
    fill_share: float = 0.0
    volts_step: tuple[float, ...] = (0.005,)
    missing: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class Workshop:
    """Habits of the workshop; shares of visits unless said otherwise.

    `complaint_per_week`: chance in a week that a bad part without a lamp is found. `nothing_found_share`:
    inspected, cleared and sent away. `pair_share`: both sensors of a bank are changed as a set.
    `missing_order_share`: work done, no order written.
    """

    test_chance: float = 0.65
    unknown_share: float = 0.15
    wrong_closed_share: float = 0.6
    clears_itself_share: float = 0.12
    late_paper_share: float = 0.3
    complaint_per_week: float = 0.0
    nothing_found_share: float = 0.0
    pair_share: float = 0.0
    missing_order_share: float = 0.0


@dataclass(frozen=True)
class Hazards:
    """How often and how parts go bad, for worlds that draw faults by chance (the demo deals them in turn).

    `*_per_week`: failures a vehicle of 120,000 km and week; the chance goes with odometer to the power
    `age_power`. `tilt` is the concentration of the drawn mix of modes: small is lopsided. `air_meter_share`: vehicles
    with an air mass meter, and no other defect, whose meter comes to read low or high.
    """

    upstream_per_week: float = 0.006
    downstream_per_week: float = 0.002
    catalyst_per_week: float = 0.004
    age_power: float = 0.8
    ageing_share: float = 0.15
    confounder_share: float = 0.25
    air_meter_share: float = 0.05
    misfire_damage_share: float = 0.4
    ramp_days: Range = (20.0, 110.0)
    heater_ramp_days: Range = (4.0, 25.0)
    worst: Range = (1.2, 2.0)
    tilt: float = 3.0
    paths: tuple[str, ...] = ("linear",)
