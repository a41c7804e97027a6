"""Faults and other defects of a drawn world, by chance: any part of any vehicle may fail, some of them two.

The demo deals its few faults in turn instead (`faults.plan_faults`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sample_lake.faults import (
    AIR_METER,
    CATALYST_MODES,
    CONFOUNDERS,
    DOWNSTREAM_MODES,
    SUDDEN,
    UPSTREAM_MODES,
    Confounder,
    Fault,
)
from sample_lake.fleet import Unit, draw, with_defect
from sample_lake.habits import Hazards
from sample_lake.physics import Physics
from sample_lake.worlds import World

PLACES = ("upstream", "downstream", "catalyst")
ODOMETER_KM = 120_000.0
MOST_CHANCE = 0.6


def failing_chance(unit: Unit, place: str, days: int, hazards: Hazards) -> float:
    """Chance (0 to 1) that a vehicle loses a part of a place within `days`; 0 for engines out of scope."""
    if not unit.in_scope:
        return 0.0
    age = min(3.0, max(0.2, unit.odometer_km / ODOMETER_KM)) ** hazards.age_power
    rate = getattr(hazards, f"{place}_per_week") * age
    return float(min(MOST_CHANCE, 1.0 - np.exp(-rate * days / 7)))


@dataclass(frozen=True)
class _Planner:
    days: int
    world: World
    hazards: Hazards
    mix: dict[str, tuple[tuple[str, ...], np.ndarray]]
    rng: np.random.Generator

    def fault(self, unit: Unit, place: str, failing: bool) -> Fault:
        """One fault of a place, failing within the horizon or only ageing towards it."""
        rng, days, hazards = self.rng, self.days, self.hazards
        physics = self.world.physics_of(unit.family)
        bank = int(rng.integers(unit.family.banks)) + 1
        component = {"upstream": f"B{bank}S1", "downstream": f"B{bank}S2", "catalyst": f"CAT{bank}"}[place]
        mode = self._mode(unit, place, sudden_allowed=failing)
        failed = draw(rng, (min(7.0, 0.5 * days), days - 1.0)) if failing else days * draw(rng, (1.1, 2.2)) + 10
        ramp = draw(rng, hazards.ramp_days) if failing else draw(rng, (0.7, 1.6)) * failed
        if mode == "heater":
            ramp = draw(rng, hazards.heater_ramp_days)
        path = str(rng.choice(hazards.paths))
        bends = tuple(sorted(float(share) for share in rng.uniform(0.08, 0.92, 2 + int(rng.integers(3)))))
        worst = draw(rng, hazards.worst)
        return Fault(
            unit,
            component,
            mode,
            failed if mode in SUDDEN else failed - ramp,
            failed,
            shape=draw(rng, (1.5, 3.0)),
            skew=draw(rng, (-0.6, 0.6)),
            code_severity=self._code_severity(place, worst, physics),
            path=path,
            bends=bends,
            worst=worst,
            salt=int(rng.integers(1 << 30)),
        )

    def _mode(self, unit: Unit, place: str, sudden_allowed: bool) -> str:
        modes, weights = self.mix[unit.family.upstream if place == "upstream" else place]
        while True:
            mode = str(self.rng.choice(modes, p=weights))
            if not sudden_allowed and (mode in SUDDEN or mode == "heater"):
                continue
            # Lost gain shows only in the pump current, so a vehicle that reports none is given another mode.
            if mode == "gain_loss" and "pump" not in unit.family.reports:
                continue
            return mode

    def _code_severity(self, place: str, worst: float, physics: Physics) -> float:
        rng = self.rng
        catalyst = place == "catalyst"
        never = physics.code_never_share
        if catalyst:
            never = 1 - (1 - never) * (1 - physics.catalyst_code_never_share)
        if rng.random() < never:
            return np.inf
        # The range is a share of the way the fault can go, so that a code stays within reach.
        at = draw(rng, physics.code_severity) + (physics.catalyst_code_late if catalyst else 0.0)
        return min(at, worst)


def plan_hazards(
    fleet: list[Unit], days: int, world: World, rng: np.random.Generator
) -> tuple[list[Fault], list[Confounder]]:
    """Draw who gets what over `days`. Raises ValueError for a world without hazards (the demo)."""
    if world.hazards is None:
        raise ValueError(f"world {world.kind!r} deals its faults: use faults.plan_faults")
    hazards = world.hazards
    planner = _Planner(days, world, hazards, _mixes(hazards.tilt, rng), rng)
    faults: list[Fault] = []
    for unit in fleet:
        mine = [
            planner.fault(unit, place, True)
            for place in PLACES
            if rng.random() < failing_chance(unit, place, days, hazards)
        ]
        if unit.in_scope and not mine and rng.random() < hazards.ageing_share:
            mine = [planner.fault(unit, PLACES[int(rng.choice(3, p=[0.4, 0.2, 0.4]))], False)]
        faults += mine
    confounders = [
        _confounder(unit, days, rng)
        for unit in fleet
        if unit.in_scope and rng.random() < hazards.confounder_share
    ]
    damage = _damage(faults, confounders, planner)
    return faults + damage, confounders + _air_meters(fleet, confounders, days, hazards, rng.spawn(1)[0])


def _mixes(tilt: float, rng: np.random.Generator) -> dict[str, tuple[tuple[str, ...], np.ndarray]]:
    catalyst = CATALYST_MODES + ("storage_loss",) * 3  # misfire brings more of the sudden kind
    lists = {**UPSTREAM_MODES, "downstream": DOWNSTREAM_MODES, "catalyst": catalyst}
    mixes = {}
    for name, listed in lists.items():
        modes = tuple(sorted(set(listed)))
        usual = np.array([listed.count(mode) for mode in modes], dtype=float)
        # A floor keeps every mode possible, so that a vehicle without one finds another.
        weights = rng.dirichlet(tilt * usual) + 0.02
        mixes[name] = (modes, weights / weights.sum())
    return mixes


def _confounder(unit: Unit, days: int, rng: np.random.Generator) -> Confounder:
    kind = CONFOUNDERS[int(rng.integers(len(CONFOUNDERS)))]
    gateway = kind.startswith("gateway_")
    bank = int(rng.integers(unit.family.banks)) if kind in ("exhaust_leak", "misfire") else -1
    if gateway:
        with_defect(unit, kind.removeprefix("gateway_"))
    begin = 0.0 if gateway else draw(rng, (-20.0, 0.85 * days))
    return Confounder(unit, kind, bank, from_day=begin, ramp_days=draw(rng, (3, 40)))


def _air_meters(
    fleet: list[Unit], confounders: list[Confounder], days: int, hazards: Hazards, rng: np.random.Generator
) -> list[Confounder]:
    """Meters that foul (two in three) or read high. Their chance is their own, so that it moves no other draw."""
    taken = {confounder.unit.unit_id for confounder in confounders}
    meters = []
    for unit in fleet:
        chance, low, begin, ramp = rng.random(), rng.random() < 2 / 3, draw(rng, (-20.0, 0.85 * days)), draw(rng, (3, 60))
        if unit.in_scope and "maf" in unit.family.reports and unit.unit_id not in taken and chance < hazards.air_meter_share:
            meters.append(Confounder(unit, AIR_METER[0 if low else 1], -1, from_day=begin, ramp_days=ramp))
    return meters


def _damage(faults: list[Fault], confounders: list[Confounder], planner: _Planner) -> list[Fault]:
    """Some misfiring vehicles ruin their catalyst one to six weeks later: raw fuel melts the brick."""
    rng, damage = planner.rng, []
    for misfire in (c for c in confounders if c.kind == "misfire"):
        failed = misfire.from_day + draw(rng, (7, 42))
        component = f"CAT{misfire.bank + 1}"
        taken = any(f.unit is misfire.unit and f.component == component for f in faults)
        if 0 < failed < planner.days and not taken and rng.random() < planner.hazards.misfire_damage_share:
            severity = draw(rng, (1.0, 1.3))
            damage.append(
                Fault(misfire.unit, component, "sudden_damage", failed, failed, 1.0, 0.0, severity)
            )
    return damage
