"""The vehicles of a drawn world; the demo's come from `fleet.build_fleet`."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np

from sample_lake.fleet import DEPOTS, Gateway, Unit, bank_baseline, draw, vehicle_baseline
from sample_lake.habits import Telemetry
from sample_lake.physics import Physics
from sample_lake.worlds import World

KM_OF_AGEING = 100_000.0
MOST_AGEING = 2.0
"""A part that has run further has been renewed: what runs now has aged over 200,000 km at most."""


def aged(base: dict[str, float], odometer_km: float, physics: Physics) -> dict[str, float]:
    """A bank's healthy values after `odometer_km`: less storage, slower sensors, each part still sound."""
    distance = min(MOST_AGEING, odometer_km / KM_OF_AGEING)
    slower = 1.0 + physics.lag_ageing * distance
    return {
        **base,
        "storage_g": base["storage_g"] * float(np.exp(-physics.storage_ageing * distance)),
        **{name: base[name] * slower for name in ("gas_lag_s", "electrode_lag_s", "rear_lag_s")},
    }


def draw_gateway(rng: np.random.Generator, telemetry: Telemetry, interval_s: float | None) -> Gateway:
    """A gateway by a world's habits; `interval_s` given overrides the drawn one."""
    interval = float(rng.choice(telemetry.intervals_s)) if interval_s is None else interval_s
    robin = int(rng.integers(2, 5)) if interval <= 2.0 and rng.random() < telemetry.robin_share else 1
    return Gateway(
        interval,
        max(interval, float(rng.choice([5, 10, 15, 30]))),
        False,
        int(rng.integers(1 << 30)),
        robin=robin,
        fills=bool(rng.random() < telemetry.fill_share),
        volts_step=float(rng.choice(telemetry.volts_step)),
        missing=tuple(name for name, share in telemetry.missing if rng.random() < share),
    )


def populate(
    units: int, start: date, world: World, rng: np.random.Generator, sampling: str | float = "mixed"
) -> list[Unit]:
    """Draw `units` vehicles of a world; `sampling` as in `fleet.build_fleet`."""
    weights = np.array([family.weight for family in world.families], dtype=float)
    baro = {depot: round(draw(rng, world.driving.baro_kpa)) for depot in DEPOTS}
    fleet = []
    for index, kind in enumerate(rng.choice(len(weights), size=units, p=weights / weights.sum())):
        family = world.families[int(kind)]
        physics = world.physics_of(family)
        year = int(rng.integers(2010, 2024))
        per_year = max(4_000.0, float(rng.normal(1.0, 0.25)) * world.driving.km_per_year)
        odometer = per_year * (start.year - year + rng.random())
        depot = DEPOTS[index % len(DEPOTS)]
        unit = Unit(
            unit_id=f"{depot[:2].upper()}{index + 101:04d}",
            index=index,
            family=family,
            model_year=year,
            depot=depot,
            in_service_on=date(year, 1, 1) + timedelta(days=int(rng.integers(365))),
            gateway=draw_gateway(rng, world.telemetry, None if sampling == "mixed" else float(sampling)),
            odometer_km=odometer,
            km_per_week=draw(rng, world.driving.km_per_week),
            odometer_at_clear_km=odometer - draw(rng, (500.0, 40_000.0)),
            style=draw(rng, world.driving.style),
        )
        unit.shared = vehicle_baseline(rng, physics, family) | {"baro_kpa": float(baro[depot])}
        unit.banks = [
            aged(bank_baseline(rng, physics, family), odometer, physics) for _ in range(family.banks)
        ]
        fleet.append(unit)
    return fleet
