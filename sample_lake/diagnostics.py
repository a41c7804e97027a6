"""Trouble codes (SAE J2012 numbers) and on-board test results (service $06, SAE J1979) of the invented
control units.

Two-trip logic: a test that fails on one driving day stores a pending code, failing again on a later day
confirms it and lights the MIL (13 CCR 1968.2(d)(2)). Thresholds lie after the part is truly bad; some
faults never set a code.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from sample_lake.faults import Confounder, Fault
from sample_lake.fleet import Unit

UPSTREAM_CODES = {
    "slow": ("P0133", "P0153"),
    "bias_lean": ("P2195", "P2197"),
    "bias_rich": ("P2196", "P2198"),
    "low_amplitude": ("P0130", "P0150"),
    "stuck_low": ("P0131", "P0151"),
    "stuck_high": ("P0132", "P0152"),
    "stuck_mid": ("P0134", "P0154"),
    "heater": ("P0135", "P0155"),
    "gain_loss": ("P2A00", "P2A03"),
    "stuck_unity": ("P0134", "P0154"),
    "erratic": ("P0130", "P0150"),
}
DOWNSTREAM_CODES = {
    "slow": ("P0139", "P0159"),
    "dead_open": ("P0140", "P0160"),
    "stuck_low": ("P0137", "P0157"),
    "stuck_high": ("P0138", "P0158"),
    "heater": ("P0141", "P0161"),
}
CATALYST_CODES = ("P0420", "P0430")
LEAN_CODES, RICH_CODES, STUCK_LEAN_CODES = ("P0171", "P0174"), ("P0172", "P0175"), ("P2195", "P2197")
CIRCUIT_CODES = frozenset({"P0130", "P0150", "P0131", "P0151", "P0132", "P0152", "P0134", "P0154"})
"""With one of these confirmed the control unit stops using the upstream sensor (fuel status 8)."""


@dataclass(frozen=True)
class Rule:
    """A code, the defect that can set it and the severity from which its test fails."""

    code: str
    cause: Fault | Confounder
    severity: float


def fault_rules(fault: Fault, rng: np.random.Generator) -> list[Rule]:
    """Codes that a part's fault can set, the misleading ones included."""
    bank = fault.bank
    table = {"upstream": UPSTREAM_CODES, "downstream": DOWNSTREAM_CODES}.get(fault.place, {})
    code = table[fault.mode][bank] if table else CATALYST_CODES[bank]
    rules = [Rule(code, fault, fault.code_severity)]
    if np.isinf(fault.code_severity):
        return rules
    if fault.place == "upstream" and fault.mode == "slow" and rng.random() < 0.5:
        rules.append(Rule(CATALYST_CODES[bank], fault, fault.code_severity - 0.12))
    if fault.place == "upstream" and fault.mode in ("bias_lean", "stuck_low") and rng.random() < 0.5:
        rules.append(Rule(LEAN_CODES[bank], fault, fault.code_severity + 0.1))
    return rules


def confounder_rules(confounder: Confounder, rng: np.random.Generator) -> list[Rule]:
    """Codes that another defect can set; some of them point at a healthy part."""
    banks = range(confounder.unit.family.banks) if confounder.bank < 0 else (confounder.bank,)
    chance = rng.random(3)
    pairs: list[tuple[str, float]] = []
    for bank in banks:
        pairs += {
            "vacuum_leak": [(LEAN_CODES[bank], 0.7)]
            + [(STUCK_LEAN_CODES[bank], 0.98)] * int(chance[0] < 0.6),
            "exhaust_leak": [(LEAN_CODES[bank], 0.8)] + [(CATALYST_CODES[bank], 0.97)] * int(chance[0] < 0.5),
            "misfire": [(f"P030{1 + bank + 2 * int(chance[1] * 2)}", 0.45)]
            + [("P0300", 0.8)] * int(chance[0] < 0.4),
            "weak_fuel_pump": [(LEAN_CODES[bank], 0.9)] + [("P0087", 0.75)] * int(chance[0] < 0.6),
            "running_rich": [(RICH_CODES[bank], 0.8)] + [("P0496", 0.6)] * int(chance[0] < 0.5),
            "thermostat_open": [("P0128", 0.35)],
            "low_supply": [("P0562", 0.5)],
            "maf_low": [(LEAN_CODES[bank], 0.9)] + [("P0101", 0.8)] * int(chance[0] < 0.4),
            "maf_high": [(RICH_CODES[bank], 0.9)] + [("P0101", 0.8)] * int(chance[0] < 0.4),
        }.get(confounder.kind, [])
    return [Rule(code, confounder, severity) for code, severity in dict(pairs).items()]


@dataclass
class CodeMemory:
    """State of one control unit's codes; `rows` collects (day, code, state)."""

    pending: dict[str, int] = field(default_factory=dict)
    confirmed: dict[str, float] = field(default_factory=dict)
    rows: list[tuple[float, str, str]] = field(default_factory=list)

    def drive(self, day: int, failing: set[str], clock: float) -> None:
        """One driving day with the set of codes whose test failed; `clock` is the share of the day."""
        for code in sorted(failing - self.confirmed.keys()):
            since = self.pending.get(code)
            if since is None:
                self.pending[code] = day
                self.rows.append((day + clock, code, "pending"))
            elif day > since:
                self.confirmed[code] = day + clock
                self.rows += [(day + clock, code, "confirmed"), (day + clock + 1e-4, code, "permanent")]

    def clear(self, moment: float) -> None:
        """Codes are cleared with a tool."""
        self.pending.clear()
        self.confirmed.clear()
        self.rows.append((moment, "", "cleared"))


@dataclass(frozen=True)
class BoardTest:
    """One service $06 row: raw 16 bit integers scaled by the unit-and-scaling id."""

    obdmid: int
    tid: int
    uasid: int
    value: int
    low: int
    high: int


def board_tests(unit: Unit, bank: int, cond: dict[str, float], rng: np.random.Generator) -> list[BoardTest]:
    """Results of one completed set of monitors of a bank; limits are those of the invented families.

    Scalings (SAE J1979, Annex E): $06 0.000305, $0B 0.001 V, $0D 0.00390625 mA, $0E 0.001 A, $10 1 ms, $11
    100 ms, $20 0.00390625, $84 signed 0.001.
    """
    wobble = 1.0 + rng.normal(0.0, 0.05, 8)
    front, rear, heater = 0x01 + 4 * bank, 0x02 + 4 * bank, 0x41 + 4 * bank
    full = unit.banks[bank]["storage_g"]
    store = 0.12 + 0.95 * (cond["storage_g"] / full) ** 0.8
    tests = [
        BoardTest(0x21 + bank, 0x81, 0x06, round(store * wobble[0] / 0.000305), 1024, 0xFFFF),
        BoardTest(rear, 0x05, 0x11, round(9.2 * cond["rear_fall_s"] * wobble[1]), 0, 28),
        BoardTest(heater, 0x91, 0x0E, round(640 * wobble[2] * cond["heater"]) + 5, 200, 1500),
        BoardTest(heater + 1, 0x91, 0x0E, round(610 * wobble[3] * cond["rear_heater"]) + 5, 200, 1500),
    ]
    if unit.family.upstream == "narrowband":
        highest = cond["rich_v"] + cond["shift_v"] if np.isnan(cond["stuck_v"]) else cond["stuck_v"]
        return tests + [
            BoardTest(front, 0x05, 0x10, round(920 * cond["lag_fall_s"] * wobble[4]), 0, 400),
            BoardTest(front, 0x06, 0x10, round(920 * cond["lag_rise_s"] * wobble[5]), 0, 400),
            BoardTest(front, 0x08, 0x0B, round(1000 * highest * (0.5 + wobble[6] / 2)), 550, 0xFFFF),
        ]
    shift = round(1000 * (cond["shift_lambda"] + rng.normal(0, 0.003)))
    return tests + [
        BoardTest(front, 0x85, 0x20, round(256 * (1 + cond["gas_lag_s"]) * wobble[4]), 0, round(256 * 1.8)),
        BoardTest(
            front,
            0x86,
            0x0D,
            round(
                256
                * 2.54
                * unit.family.pump_scale
                * cond["gain"]
                * (1 - cond["unity"])
                * (0.8 + 0.2 * wobble[5])
            ),
            round(256 * 2.1 * unit.family.pump_scale),
            round(256 * 3.0 * unit.family.pump_scale),
        ),
        BoardTest(front, 0x89, 0x84, shift & 0xFFFF, -30 & 0xFFFF, 30),
    ]
