"""What is kept of a vehicle's past: codes, lamp, workshop orders, and the words the workshop writes."""

from __future__ import annotations

from dataclasses import dataclass, field

from sample_lake.fleet import Unit

CAUSES = {
    "slow": "slow response, deposits on element",
    "bias_lean": "characteristic shifted, reads lean",
    "bias_rich": "characteristic shifted, reads rich",
    "low_amplitude": "low amplitude, element aged",
    "stuck_low": "signal short to ground",
    "stuck_high": "signal short to supply",
    "stuck_mid": "open circuit",
    "heater": "heater open circuit",
    "gain_loss": "diffusion barrier clogged",
    "stuck_unity": "no pump current",
    "erratic": "intermittent contact in element",
    "dead_open": "open circuit",
    "storage_loss": "substrate aged",
    "sudden_damage": "substrate melted",
    "vacuum_leak": "intake hose split",
    "exhaust_leak": "manifold gasket leaking",
    "misfire": "ignition coil",
    "thermostat_open": "thermostat stuck open",
    "weak_fuel_pump": "fuel pump weak",
    "running_rich": "purge valve stuck open",
    "low_supply": "alternator regulator",
    "maf_low": "air mass meter fouled",
    "maf_high": "air mass meter reads high",
}
ROUTINE = (
    ("brake pads worn", 90, 1.0),
    ("oil and filter", 55, 0.6),
    ("tyres worn", 240, 1.0),
    ("wiper blades", 25, 0.2),
    ("battery weak", 110, 0.4),
    ("door latch", 60, 0.9),
    ("air filter", 22, 0.2),
)


@dataclass(frozen=True)
class Order:
    """A workshop order; `day` is when the work was done, `closed_day` when the paper was closed."""

    unit: Unit
    day: float
    closed_day: int
    component: str
    action: str
    finding: str
    cause: str
    parts_cost: float
    labour_h: float


@dataclass
class History:
    """What happened to one vehicle; days may be fractional."""

    codes: list[tuple[float, str, str]] = field(default_factory=list)
    orders: list[Order] = field(default_factory=list)
    lit: list[tuple[float, float]] = field(default_factory=list)
    circuit: dict[int, list[tuple[float, float]]] = field(default_factory=lambda: {0: [], 1: []})
    clears: list[float] = field(default_factory=list)

    def mil_on(self, day: float) -> bool:
        """True while a confirmed code lights the lamp."""
        return any(start <= day < end for start, end in self.lit)

    def sensor_code(self, bank: int, day: float) -> bool:
        """True while a confirmed circuit code keeps that bank's upstream sensor out of use."""
        return any(start <= day < end for start, end in self.circuit[bank])
