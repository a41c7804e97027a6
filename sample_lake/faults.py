"""What is really wrong with the fleet: part faults, and the other defects that look like them.

Days are counted from the first day of the simulation and may be negative (began before it) or fractional.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sample_lake.fleet import Unit, draw, with_defect
from sample_lake.paths import climbed, shows
from sample_lake.physics import Physics

UPSTREAM_MODES = {
    "narrowband": (
        "slow",
        "stuck_low",
        "low_amplitude",
        "heater",
        "bias_lean",
        "slow",
        "stuck_mid",
        "bias_rich",
        "stuck_high",
    ),
    "wide_range": ("gain_loss", "slow", "erratic", "stuck_unity", "bias_lean", "heater", "bias_rich"),
}
DOWNSTREAM_MODES = ("slow", "dead_open", "stuck_low", "heater", "stuck_high")
CATALYST_MODES = ("storage_loss", "storage_loss", "storage_loss", "sudden_damage")
SUDDEN = frozenset({"stuck_low", "stuck_high", "stuck_mid", "stuck_unity", "dead_open", "sudden_damage"})
FAILING_KINDS = (
    "catalyst",
    "upstream",
    "upstream",
    "catalyst",
    "downstream",
    "upstream",
    "catalyst",
    "upstream",
    "downstream",
    "upstream",
    "catalyst",
    "upstream",
)
AGEING_KINDS = ("catalyst", "upstream", "catalyst", "downstream")
CONFOUNDERS = (
    "vacuum_leak",
    "exhaust_leak",
    "misfire",
    "thermostat_open",
    "weak_fuel_pump",
    "running_rich",
    "gateway_holds",
    "low_supply",
    "gateway_drops",
    "vacuum_leak",
    "gateway_slow",
    "misfire",
)

AIR_METER = ("maf_low", "maf_high")
"""An air mass meter that reads low (fouled) or high: in scenarios and drawn worlds; the demo has none."""


@dataclass
class Fault:
    """One part that wears or breaks.

    `severity(day)` is 0 before onset, 1 where the part is truly bad (`failed_day`), at most `worst`; 0 after
    repair. `path` is "power" (the demo's, with `shape` as its power) or one of `paths.PATHS`.
    """

    unit: Unit
    component: str
    mode: str
    onset_day: float
    failed_day: float
    shape: float
    skew: float
    code_severity: float
    repaired_day: float = np.inf
    path: str = "power"
    bends: tuple[float, ...] = ()
    worst: float = 2.0
    salt: int = 0

    @property
    def bank(self) -> int:
        """Bank index, 0 or 1."""
        return int(self.component[-1] if self.component.startswith("CAT") else self.component[1]) - 1

    @property
    def place(self) -> str:
        """`upstream`, `downstream` or `catalyst`."""
        if self.component.startswith("CAT"):
            return "catalyst"
        return "upstream" if self.component.endswith("S1") else "downstream"

    def present(self, day: float) -> bool:
        """True from onset to repair, on days an intermittent part behaves too."""
        return self.onset_day < day < self.repaired_day

    def severity(self, day: float) -> float:
        """Severity on a day (dimensionless)."""
        if day < self.onset_day or day >= self.repaired_day:
            return 0.0
        if self.mode in SUDDEN:
            return min(1.6, self.worst) if day >= self.failed_day else 0.0
        share = (day - self.onset_day) / (self.failed_day - self.onset_day)
        if self.path == "power":
            return float(min(self.worst, share**self.shape))
        if self.path == "intermittent" and not shows(share, self.salt, day):
            return 0.0
        return climbed(self.path, share, self.shape, self.bends, self.worst)


@dataclass
class Confounder:
    """Another defect of a vehicle or its gateway; `bank` is -1 when it acts on all banks."""

    unit: Unit
    kind: str
    bank: int
    from_day: float
    ramp_days: float
    to_day: float = np.inf

    def present(self, day: float) -> bool:
        """True from its first to its last day."""
        return self.from_day <= day < self.to_day

    def severity(self, day: float) -> float:
        """Severity on a day, 0 to 1."""
        if day < self.from_day or day >= self.to_day:
            return 0.0
        return float(min(1.0, 0.25 + 0.75 * (day - self.from_day) / self.ramp_days))


def _fault(
    unit: Unit, kind: str, mode: str, days: int, failing: bool, physics: Physics, rng: np.random.Generator
) -> Fault:
    bank = int(rng.integers(unit.family.banks)) + 1
    component = {"upstream": f"B{bank}S1", "downstream": f"B{bank}S2", "catalyst": f"CAT{bank}"}[kind]
    failed = draw(rng, (min(22.0, 0.4 * days), days - 2.0)) if failing else days * draw(rng, (1.15, 2.2)) + 10
    ramp = draw(rng, (25, 75)) if failing else draw(rng, (0.8, 1.6)) * failed
    if mode == "heater":
        ramp = draw(rng, (4, 18))
    never = rng.random() < physics.code_never_share
    return Fault(
        unit,
        component,
        mode,
        failed if mode in SUDDEN else failed - ramp,
        failed,
        shape=draw(rng, (1.0, 1.8)),
        skew=draw(rng, (-0.6, 0.6)),
        code_severity=np.inf if never else draw(rng, (1.0, 1.35)),
    )


def _spread(kinds: tuple[str, ...], count: int) -> list[str]:
    return [kinds[i % len(kinds)] for i in range(count)]


def plan_faults(
    fleet: list[Unit], days: int, physics: Physics, rng: np.random.Generator
) -> tuple[list[Fault], list[Confounder]]:
    """Draw who gets what.

    Kinds and modes are dealt in turn rather than drawn, so that a small fleet still shows most of them.
    """
    eligible = [unit for unit in fleet if unit.in_scope]
    order = [eligible[i] for i in rng.permutation(len(eligible))]
    failing = round(len(fleet) * days / 7 * physics.failures_per_unit_week)
    failing = min(failing, len(order))
    ageing = min(round(len(fleet) * physics.ageing_share), len(order) - failing)
    confounded = min(round(len(fleet) * physics.confounder_share), len(order) - failing)
    turns: dict[str, int] = {"upstream": 0, "downstream": 0, "catalyst": 0, "narrowband": 0, "wide_range": 0}

    def mode_for(unit: Unit, kind: str, sudden_allowed: bool) -> str:
        upstream = unit.family.upstream
        modes = {
            "upstream": UPSTREAM_MODES[upstream],
            "downstream": DOWNSTREAM_MODES,
            "catalyst": CATALYST_MODES,
        }[kind]
        key = upstream if kind == "upstream" else kind
        while True:
            mode = modes[turns[key] % len(modes)]
            turns[key] += 1
            if not sudden_allowed and (mode in SUDDEN or mode == "heater"):
                continue
            # Lost gain shows only in the pump current, so a vehicle that reports none is given another mode.
            if mode == "gain_loss" and "pump" not in unit.family.reports:
                continue
            return mode

    faults = [
        _fault(unit, kind, mode_for(unit, kind, True), days, True, physics, rng)
        for unit, kind in zip(order, _spread(FAILING_KINDS, failing), strict=False)
    ]
    faults += [
        _fault(unit, kind, mode_for(unit, kind, False), days, False, physics, rng)
        for unit, kind in zip(order[failing:], _spread(AGEING_KINDS, ageing), strict=False)
    ]
    confounders = []
    for unit, kind in zip(reversed(order), _spread(CONFOUNDERS, confounded), strict=False):
        first = kind in ("gateway_slow", "gateway_holds", "gateway_drops")
        one_bank = kind in ("exhaust_leak", "misfire")
        confounders.append(
            Confounder(
                unit,
                kind,
                int(rng.integers(unit.family.banks)) if one_bank else -1,
                from_day=0.0 if first else draw(rng, (min(5.0, 0.2 * days), 0.6 * days)),
                ramp_days=draw(rng, (5, 30)),
            )
        )
        if first:
            with_defect(unit, kind.removeprefix("gateway_"))
    faults += _misfire_damage(faults, confounders, days, rng)
    return faults, confounders


def _misfire_damage(
    faults: list[Fault], confounders: list[Confounder], days: int, rng: np.random.Generator
) -> list[Fault]:
    """Every other misfiring vehicle ruins its catalyst two to five weeks later: raw fuel melts the brick."""
    misfires = [c for c in confounders if c.kind == "misfire"][::2]
    damage = []
    for misfire in misfires:
        failed = misfire.from_day + draw(rng, (14, 35))
        component = f"CAT{misfire.bank + 1}"
        taken = any(f.unit is misfire.unit and f.component == component for f in faults)
        if failed < days and not taken:
            damage.append(
                Fault(
                    misfire.unit, component, "sudden_damage", failed, failed, 1.0, 0.0, draw(rng, (1.0, 1.3))
                )
            )
    return damage
