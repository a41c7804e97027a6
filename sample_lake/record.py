"""Run planned trips through engine, fast loop and gateway: chunks of trips in, one table a trip out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np

from sample_lake.conditions import NAMES, air_reading, bank_condition
from sample_lake.course import Lanes
from sample_lake.engine import Drive, Trips, simulate_drive
from sample_lake.faults import AIR_METER, Confounder, Fault
from sample_lake.fleet import Unit
from sample_lake.gateway import log_trip
from sample_lake.history import History
from sample_lake.loop import Recorded, run_banks
from sample_lake.schedule import Trip, start_degc
from sample_lake.signals import trip_signals
from sample_lake.worlds import World

LANES_AT_ONCE = 640
TRIPS_AT_ONCE = 6000


@dataclass(frozen=True)
class Plan:
    """Everything decided before the trips are driven."""

    world: World
    seed: int
    faults: dict[str, list[Fault]]
    confounders: dict[str, list[Confounder]]
    histories: dict[str, History]


@dataclass(frozen=True)
class Logged:
    """One trip as its gateway logged it: seconds since the trip's start and a column a signal."""

    trip: Trip
    moments_s: np.ndarray
    columns: dict[str, np.ndarray]


def blocks(trips: list[Trip], world: World) -> list[list[Trip]]:
    """Trips whose files are written before the next block is driven; the demo's in one."""
    if world.hazards is None:
        return [trips]
    weeks: dict[int, list[Trip]] = {}
    for trip in trips:
        weeks.setdefault(int(trip.day // 7), []).append(trip)
    out: list[list[Trip]] = []
    for week in sorted(weeks):
        if not out or len(out[-1]) + len(weeks[week]) > TRIPS_AT_ONCE:
            out.append([])
        out[-1] += weeks[week]
    return out


def chunks(trips: list[Trip], world: World) -> list[list[Trip]]:
    """Groups that run together: the same equations and physics, about the same length, bounded in lanes."""
    groups: dict[str, list[Trip]] = {"narrowband": [], "wide_range": [], "none": []}
    for trip in trips:
        kind = trip.unit.family.upstream if trip.unit.in_scope else "none"
        groups.setdefault(kind if world.hazards is None else trip.unit.family.code, []).append(trip)
    out: list[list[Trip]] = []
    for group in groups.values():
        lanes, current = 0, []
        for trip in sorted(group, key=lambda trip: (trip.seconds, trip.number)):
            if lanes + trip.unit.family.banks > LANES_AT_ONCE:
                out.append(current)
                lanes, current = 0, []
            current.append(trip)
            lanes += trip.unit.family.banks
        if current:
            out.append(current)
    return out


def _severity(plan: Plan, unit: Unit, kind: str, day: float) -> float:
    return max(
        (c.severity(day) for c in plan.confounders.get(unit.unit_id, ()) if c.kind == kind), default=0.0
    )


def _air_reading(plan: Plan, trip: Trip, physics: Physics) -> float:
    readings = [
        air_reading(kind, physics.confounder_strength * _severity(plan, trip.unit, kind, trip.day), physics)
        for kind in AIR_METER
    ]
    return float(np.prod(readings))


def _per_trip(trips: list[Trip], plan: Plan) -> Trips:
    def column(pick, dtype=float):
        return np.array([pick(trip) for trip in trips], dtype=dtype)

    return Trips(
        # An electric vehicle runs through the engine model as a placeholder; nothing of it is reported.
        displacement_l=column(lambda t: t.unit.family.displacement_l or 1.0),
        mass_kg=column(lambda t: t.unit.shared["mass_kg"]),
        boost=column(lambda t: t.unit.family.boost),
        hybrid=column(lambda t: t.unit.family.fuel == "hybrid", bool),
        diesel=column(lambda t: t.unit.family.fuel == "diesel", bool),
        ambient_degc=column(lambda t: t.ambient_degc),
        coolant_degc=column(lambda t: start_degc(t, 85.0, 2.6)),
        catalyst_degc=column(lambda t: start_degc(t, 380.0, 0.6)),
        # A thermostat stuck open holds 60 to 72 degC; which of these is the vehicle's own.
        thermostat_degc=column(
            lambda t: (
                66.0 + 0.8 * (t.unit.shared["thermostat_degc"] - 90.0)
                if _severity(plan, t.unit, "thermostat_open", t.day)
                else t.unit.shared["thermostat_degc"]
            )
        ),
        supply_v=column(
            lambda t: t.unit.shared["supply_v"] - 2.4 * _severity(plan, t.unit, "low_supply", t.day)
        ),
    )


def run_chunk(trips: list[Trip], plan: Plan, number: int) -> Iterator[Logged]:
    """Simulate one chunk and yield every trip as logged.

    Reproducible from `plan.seed` and the chunk's number.
    """
    rng = np.random.default_rng([plan.seed, 3, number])
    physics = plan.world.physics_of(trips[0].unit.family)
    longest = max(trip.seconds for trip in trips)
    speed = np.zeros((longest, len(trips)))
    for i, trip in enumerate(trips):
        speed[: trip.seconds, i] = trip.speed_kmh
    state = _per_trip(trips, plan)
    recorded, first = None, np.zeros(len(trips), dtype=int)
    drive = simulate_drive(speed, state, physics)
    if trips[0].unit.in_scope:
        banks = np.array([trip.unit.family.banks for trip in trips])
        first = np.concatenate([[0], np.cumsum(banks)[:-1]])
        recorded = _run_banks(trips, banks, drive, state, plan, rng)
    transposed = Drive(**{f.name: np.ascontiguousarray(getattr(drive, f.name).T) for f in fields(Drive)})
    if recorded:
        recorded = Recorded(
            {k: np.ascontiguousarray(v.T) for k, v in recorded.fast.items()},
            {k: np.ascontiguousarray(v.T) for k, v in recorded.slow.items()},
        )
    for i, trip in enumerate(trips):
        history = plan.histories[trip.unit.unit_id]
        missing = trip.unit.gateway.missing
        signals = [
            signal
            for signal in trip_signals(
                trip, i, int(first[i]), transposed, recorded, history, rng, _air_reading(plan, trip, physics)
            )
            if not signal.name.startswith(missing)
        ]
        moments, columns = log_trip(trip.unit, signals, trip.seconds, rng)
        yield Logged(trip, moments, columns)


def _run_banks(
    trips: list[Trip], banks: np.ndarray, drive: Drive, state: Trips, plan: Plan, rng: np.random.Generator
) -> Recorded:
    physics = plan.world.physics_of(trips[0].unit.family)
    lane_trip = np.repeat(np.arange(len(trips)), banks)
    conditions = []
    for trip in trips:
        unit, history = trip.unit, plan.histories[trip.unit.unit_id]
        for bank in range(unit.family.banks):
            conditions.append(
                bank_condition(
                    unit,
                    bank,
                    trip.day,
                    plan.faults.get(unit.unit_id, []),
                    plan.confounders.get(unit.unit_id, []),
                    history.sensor_code(bank, trip.day),
                    physics,
                    rng,
                )
            )
    lanes = Lanes(
        wide=trips[0].unit.family.upstream == "wide_range",
        displacement_l=state.displacement_l[lane_trip],
        banks=banks[lane_trip].astype(float),
        shared={
            name: np.array([trips[i].unit.shared[name] for i in lane_trip])
            for name in (
                "delay_cycles",
                "travel",
                "jump_share",
                "dither",
                "dither_hz",
                "purge_air_g",
                "wait_s_per_k",
            )
        },
        condition={name: np.array([condition[name] for condition in conditions]) for name in NAMES},
        ambient_degc=state.ambient_degc[lane_trip],
        start_degc=state.catalyst_degc[lane_trip],
    )
    wide_drive = Drive(**{f.name: getattr(drive, f.name)[:, lane_trip] for f in fields(Drive)})
    return run_banks(wide_drive, lanes, physics, rng)
