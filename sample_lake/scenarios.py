"""Scenarios: one vehicle for every fault, every other defect, and every pair of both, where each is fully there.

What the judging makes of them is a table of confusion: the right part, no call, or a wrong part.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

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
from sample_lake.fleet import FAMILIES, Family, Unit, build_fleet, with_defect
from sample_lake.physics import Physics
from sample_lake.simulate import Scenario

FAMILY = {("narrowband", 1): "K14", ("wide_range", 1): "K16", ("narrowband", 2): "V35", ("wide_range", 2): "V30"}
"""Engine family of each kind of upstream sensor and number of banks."""
DEFECTS = (*dict.fromkeys(CONFOUNDERS), *AIR_METER)
"""What else may be wrong with a vehicle. Those with a wrong air mass report manifold pressure, too."""
_OWN_PAST_DAYS = 21.0
_ONE_BANK = ("exhaust_leak", "misfire")


@dataclass(frozen=True)
class Case:
    """What is wrong with one vehicle; an empty mode is a healthy part, an empty defect none besides."""

    kind: str
    banks: int
    part: str
    mode: str
    defect: str

    @property
    def component(self) -> str:
        """The faulty part, always of bank 1; empty where none is."""
        return {"upstream": "B1S1", "downstream": "B1S2", "catalyst": "CAT1", "": ""}[self.part]


def cases(pairs: bool = True, banks: tuple[int, ...] = (1, 2)) -> list[Case]:
    """Healthy vehicles, each fault alone, each other defect alone, and with `pairs` each fault with each defect."""
    defects = DEFECTS
    made = []
    for kind, number in ((kind, number) for kind in UPSTREAM_MODES for number in banks):
        faults = [("upstream", mode) for mode in dict.fromkeys(UPSTREAM_MODES[kind])]
        faults += [("downstream", mode) for mode in DOWNSTREAM_MODES]
        faults += [("catalyst", mode) for mode in dict.fromkeys(CATALYST_MODES)]
        # Lost gain shows in the pump current only, which the family with two banks does not report.
        faults = [fault for fault in faults if fault[1] != "gain_loss" or number == 1]
        made += [Case(kind, number, "", "", "")] * 4
        made += [Case(kind, number, part, mode, "") for part, mode in faults]
        made += [Case(kind, number, "", "", defect) for defect in defects]
        if pairs:
            made += [Case(kind, number, part, mode, defect) for part, mode in faults for defect in defects]
    return made


def _reporting(family: Family, defect: str) -> Family:
    return replace(family, reports=family.reports | {"map"}) if defect in AIR_METER else family


NOBODY_REPAIRS = Physics(repair_never_share=1.0)
"""Physics for `simulate` under which every fault and defect stays to the end."""


def scenario(wanted: list[Case], sampling_s: float) -> Scenario:
    """What `simulate` asks for vehicles and defects: one vehicle a case, in their order, all read every `sampling_s`.

    Faults begin after three weeks and are past the point of failure in the last two; parts break by the power path. No
    code names the part.
    """

    def dealt(
        days: int, start: date, physics: Physics, rng: np.random.Generator
    ) -> tuple[list[Unit], list[Fault], list[Confounder]]:
        by_code = {family.code: family for family in FAMILIES}
        families = [_reporting(by_code[FAMILY[case.kind, case.banks]], case.defect) for case in wanted]
        fleet = build_fleet(len(wanted), start, physics, rng, sampling_s, families)
        faults, defects = [], []
        failed = days - 17.0
        for unit, case in zip(fleet, wanted, strict=True):
            if case.mode:
                onset = failed if case.mode in SUDDEN else _OWN_PAST_DAYS
                faults.append(Fault(unit, case.component, case.mode, onset, failed, 1.2, 0.3, np.inf))
            if case.defect:
                of_gateway = case.defect.startswith("gateway_")
                bank = 0 if case.defect in _ONE_BANK else -1
                defects.append(
                    Confounder(unit, case.defect, bank, 0.0 if of_gateway else _OWN_PAST_DAYS, ramp_days=7.0)
                )
                if of_gateway:
                    with_defect(unit, case.defect.removeprefix("gateway_"))
        return fleet, faults, defects

    return dealt
