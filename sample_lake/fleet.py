"""The vehicles: invented engine families, depots, gateways and one drawn baseline for every part."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date, timedelta

import numpy as np

from sample_lake.physics import Physics

DEPOTS = ("Ostermere", "Vellholm", "Brackenrow", "Tarnwick")
DEPOT_BARO_KPA = {"Ostermere": 101.0, "Vellholm": 99.0, "Brackenrow": 97.0, "Tarnwick": 100.0}


@dataclass(frozen=True)
class Family:
    """An invented engine family; `reports` names the optional signals its control unit offers."""

    code: str
    fuel: str
    banks: int
    upstream: str
    displacement_l: float
    mass_kg: float
    weight: int
    reports: frozenset[str]
    pump_scale: float = 1.0
    boost: float = 1.0
    onboard_tests: bool = False


def _offers(*names: str) -> frozenset[str]:
    return frozenset(names)


FAMILIES = (
    Family(
        "K14", "petrol", 1, "narrowband", 1.4, 1450, 9, _offers("maf", "lambda_target"), onboard_tests=True
    ),
    Family(
        "K16",
        "petrol",
        1,
        "wide_range",
        1.6,
        1600,
        9,
        _offers("maf", "lambda_target", "lambda", "pump"),
        onboard_tests=True,
    ),
    Family("L20", "petrol", 1, "narrowband", 2.0, 1950, 6, _offers("maf", "map", "catalyst")),
    Family(
        "T12",
        "petrol",
        1,
        "wide_range",
        1.2,
        1500,
        4,
        _offers("maf", "map", "pump", "lambda_target"),
        pump_scale=0.55,
        boost=1.5,
    ),
    Family(
        "V30",
        "petrol",
        2,
        "wide_range",
        3.0,
        2350,
        4,
        _offers("maf", "lambda", "lambda_target", "catalyst"),
        onboard_tests=True,
    ),
    Family("V35", "petrol", 2, "narrowband", 3.5, 2500, 4, _offers("maf", "lambda_target")),
    Family("F24", "flex", 1, "narrowband", 2.4, 2000, 0, _offers("maf", "lambda_target")),
    Family(
        "H18",
        "hybrid",
        1,
        "wide_range",
        1.8,
        1550,
        0,
        _offers("maf", "lambda", "lambda_target"),
        onboard_tests=True,
    ),
    Family("D22", "diesel", 1, "wide_range", 2.2, 2200, 0, _offers("maf", "map"), boost=1.8),
    Family("E00", "electric", 1, "wide_range", 0.0, 1900, 0, _offers()),
)
SPECIAL = tuple(family for family in FAMILIES if family.weight == 0)


@dataclass(frozen=True)
class Gateway:
    """How a vehicle's gateway logs: seconds a row, seconds between slow signals, poll delays, defect.

    `robin`: a row holds one of so many groups of signals in turn; `fills`: it repeats the last value of the
    rest; `missing`: names (or beginnings of names) it never sends.
    """

    interval_s: float
    slow_every_s: float
    alternates: bool
    skew_seed: int
    defect: str = ""
    robin: int = 1
    fills: bool = False
    volts_step: float = 0.005
    missing: tuple[str, ...] = ()


@dataclass
class Unit:
    """One vehicle, its gateway and the baseline of its parts (`banks[i]` holds the drawn values of bank i +
    1)."""

    unit_id: str
    index: int
    family: Family
    model_year: int
    depot: str
    in_service_on: date
    gateway: Gateway
    odometer_km: float
    km_per_week: float
    odometer_at_clear_km: float
    style: float
    shared: dict[str, float] = field(default_factory=dict)
    banks: list[dict[str, float]] = field(default_factory=list)

    @property
    def in_scope(self) -> bool:
        """True when the engine burns fuel under lambda control."""
        return self.family.fuel not in ("diesel", "electric")


def draw(rng: np.random.Generator, limits: tuple[float, float]) -> float:
    """One uniform value of a range."""
    return float(rng.uniform(*limits))


def bank_baseline(rng: np.random.Generator, physics: Physics, family: Family) -> dict[str, float]:
    """Drawn values of one bank's sensors and catalyst when healthy (SI-like units in the names of
    `Physics`)."""
    wide = family.upstream == "wide_range"
    size = np.clip(family.displacement_l / family.banks / 1.6, 0.75, 1.4)
    return {
        "gas_lag_s": draw(rng, physics.wide_lag_s if wide else physics.gas_lag_s),
        "electrode_lag_s": draw(rng, physics.electrode_lag_s),
        "rich_v": draw(rng, physics.rich_plateau_v),
        "lean_v": draw(rng, physics.lean_plateau_v),
        "rear_lag_s": draw(rng, physics.rear_lag_s),
        "rear_rich_v": draw(rng, physics.rich_plateau_v),
        "heater_lift_k": draw(rng, physics.heater_lift_k),
        "heater_time_s": draw(rng, physics.wide_heater_time_s if wide else physics.heater_time_s),
        "rear_heater_time_s": draw(rng, physics.heater_time_s) * 1.5,
        "storage_g": draw(rng, physics.oxygen_storage_g) * size,
        "leak": draw(rng, physics.leak_share),
        "light_off_degc": draw(rng, physics.light_off_degc),
        "fuel_error": float(rng.normal(0.0, physics.fuel_error)),
        "exhaust_volume_l": draw(rng, physics.exhaust_volume_l),
    }


def vehicle_baseline(rng: np.random.Generator, physics: Physics, family: Family) -> dict[str, float]:
    """Drawn values that all banks of a vehicle share (units as in `Physics`)."""
    return {
        "delay_cycles": draw(rng, physics.delay_cycles),
        "travel": draw(rng, physics.integrator_travel),
        "jump_share": draw(rng, physics.jump_share),
        "thermostat_degc": draw(rng, physics.thermostat_degc),
        "supply_v": draw(rng, physics.supply_v),
        "dither": draw(rng, physics.dither_lambda),
        "dither_hz": draw(rng, physics.dither_hz),
        "purge_air_g": draw(rng, physics.purge_air_g),
        "wait_s_per_k": draw(rng, physics.closed_loop_wait_s_per_k),
        "mass_kg": family.mass_kg * draw(rng, (0.95, 1.3)),
    }


def _gateway(rng: np.random.Generator, sampling: str | float) -> Gateway:
    if sampling == "mixed":
        interval = float(rng.choice([1.0, 2.0, 5.0], p=[0.62, 0.20, 0.18]))
    else:
        interval = float(sampling)
    return Gateway(
        interval,
        max(interval, float(rng.choice([5, 10, 15, 30]))),
        bool(interval == 1.0 and rng.random() < 0.12),
        int(rng.integers(1 << 30)),
    )


def _families(units: int, rng: np.random.Generator) -> list[Family]:
    common = [family for family in FAMILIES for _ in range(family.weight)]
    special = [family for family in SPECIAL for _ in range(max(1, round(units / 40)) if units >= 10 else 0)]
    rest = units - len(special)
    chosen = [common[int(i * len(common) / rest)] for i in range(rest)] if rest else []
    chosen += special
    return [chosen[i] for i in rng.permutation(len(chosen))]


def build_fleet(
    units: int,
    start: date,
    physics: Physics,
    rng: np.random.Generator,
    sampling: str | float = "mixed",
    families: list[Family] | None = None,
) -> list[Unit]:
    """Draw `units` vehicles.

    `sampling` is "mixed" or the seconds between two rows, the same for every gateway. `families` names the family of
    each vehicle; left out, they are dealt by weight.
    """
    fleet = []
    for index, family in enumerate(_families(units, rng) if families is None else families):
        year = int(rng.integers(2012, 2023))
        age = start.year - year
        odometer = float(np.clip(rng.normal(17_000, 4_000), 7_000, 28_000)) * (age + rng.random())
        depot = DEPOTS[index % len(DEPOTS)]
        unit = Unit(
            unit_id=f"{depot[:2].upper()}{index + 101:04d}",
            index=index,
            family=family,
            model_year=year,
            depot=depot,
            in_service_on=date(year, 1, 1) + timedelta(days=int(rng.integers(365))),
            gateway=_gateway(rng, sampling),
            odometer_km=odometer,
            km_per_week=draw(rng, (220.0, 700.0)),
            odometer_at_clear_km=odometer - draw(rng, (500.0, 40_000.0)),
            style=draw(rng, (0.85, 1.2)),
        )
        unit.shared = vehicle_baseline(rng, physics, family) | {"baro_kpa": DEPOT_BARO_KPA[depot]}
        unit.banks = [bank_baseline(rng, physics, family) for _ in range(family.banks)]
        fleet.append(unit)
    return fleet


def with_defect(unit: Unit, defect: str) -> None:
    """Give a vehicle's gateway a defect: `drops`, `holds` or `slow`."""
    interval = 30.0 if defect == "slow" else unit.gateway.interval_s
    unit.gateway = replace(
        unit.gateway,
        defect=defect,
        interval_s=interval,
        slow_every_s=max(interval, unit.gateway.slow_every_s),
    )
